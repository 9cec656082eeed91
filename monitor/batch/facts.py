"""From what is known of a batch to what its plan is worked out from."""

from __future__ import annotations

import math
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.cellar.plan_sheet import USUAL_VOLUMES, BatchFacts
from monitor.errors import InputError
from monitor.units import POINTS_PER_SG

ROOM_C: Final = 18.0
"""Taken where the liquid's temperature is not known."""


def facts_of(
    sheet: Sheet,
    *,
    gravity_sg: float | None,
    added_points: float = 0.0,
    temperature_c: float | None = None,
    expected_points: float = math.nan,
) -> BatchFacts:
    """The facts of a batch as it stands.

    `added_points` is by how much sugar on the way raised the gravity, `expected_points` where its must should
    end; nan where that is not known.

    Raises InputError naming what has to be known first, QuantityError for what cannot be.
    """
    if sheet.must.volume_l is None or gravity_sg is None:
        missing = "volume" if sheet.must.volume_l is None else "gravity"
        raise InputError(f"no plan without the {missing} of the batch", hint="write it on the sheet")
    expected_sg = None if math.isnan(expected_points) else 1.0 + expected_points / POINTS_PER_SG
    target_sg, volumes = sheet.sweeten_to_sg, sheet.carbonation_volumes
    return BatchFacts(
        name=sheet.name,
        volume_l=sheet.must.volume_l,
        gravity_sg=gravity_sg,
        temperature_c=ROOM_C if temperature_c is None else temperature_c,
        original_gravity_sg=None if math.isnan(added_points) else sheet.must.original_gravity_sg,
        added_points=0.0 if math.isnan(added_points) else added_points,
        expected_final_gravity_sg=expected_sg,
        ph=sheet.sample_ph,
        sweeten_to_sg=target_sg if target_sg is not None and target_sg > gravity_sg else None,
        vessel_l=sheet.vessel.capacity_l,
        carbonation_volumes=USUAL_VOLUMES if volumes is None else volumes,
    )
