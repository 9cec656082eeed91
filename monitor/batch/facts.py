"""From what is known of a batch to what its plan is worked out from."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.cellar.plan_sheet import USUAL_VOLUMES, BatchFacts
from monitor.errors import InputError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.units import POINTS_PER_SG

ROOM_C: Final = 18.0
"""Taken where the liquid's temperature is not known."""
SWEETENS: Final = (JournalKind.SUGAR_ADDITION, JournalKind.SWEETENED)


def facts_of(
    sheet: Sheet,
    journal: Iterable[JournalEntry],
    *,
    gravity_sg: float | None,
    temperature_c: float | None = None,
    expected_points: float = math.nan,
) -> BatchFacts:
    """The facts of a batch as it stands; `expected_points` is where its must should end, nan if unknown.

    Raises InputError naming what has to be known first, QuantityError for what cannot be.
    """
    if sheet.must.volume_l is None or gravity_sg is None:
        missing = "volume" if sheet.must.volume_l is None else "gravity"
        raise InputError(f"no plan without the {missing} of the batch", hint="write it on the sheet")
    expected_sg = None if math.isnan(expected_points) else 1.0 + expected_points / POINTS_PER_SG
    sweetened = any(entry.kind in SWEETENS for entry in journal)
    target_sg, volumes = sheet.sweeten_to_sg, sheet.carbonation_volumes
    return BatchFacts(
        name=sheet.name,
        volume_l=sheet.must.volume_l,
        gravity_sg=gravity_sg,
        temperature_c=ROOM_C if temperature_c is None else temperature_c,
        # with sugar added on the way the original gravity no longer tells the alcohol
        original_gravity_sg=None if sweetened else sheet.must.original_gravity_sg,
        expected_final_gravity_sg=expected_sg,
        ph=sheet.sample_ph,
        sweeten_to_sg=target_sg if target_sg is not None and target_sg > gravity_sg else None,
        vessel_l=sheet.vessel.capacity_l,
        carbonation_volumes=USUAL_VOLUMES if volumes is None else volumes,
    )
