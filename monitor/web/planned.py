"""The plan of a batch, from its own numbers as far as they are known."""

from __future__ import annotations

import math
from typing import Final

from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import USUAL_VOLUMES, BatchFacts, Plan
from monitor.errors import InputError
from monitor.units import MS_PER_DAY, POINTS_PER_SG, Quantity
from monitor.web.gather import SWEETENS, Standing
from monitor.web.ports import Ports
from monitor.web.view import BatchView

SAMPLE_AGE_MS: Final = 3 * MS_PER_DAY
"""A hand sample stands for the batch so long, after that the float's level does."""
ROOM_C: Final = 18.0


def plan_of(ports: Ports, stands: Standing, batch: BatchView) -> Plan:
    """What to do from the last bubble to the glass, as if the batch were finished as it stands now.

    Raises InputError naming what has to be known first.
    """
    sheet = stands.sheet
    gravity = _gravity(ports, stands, batch)
    if sheet.must.volume_l is None or gravity is None:
        missing = "volume" if sheet.must.volume_l is None else "gravity"
        raise InputError(f"no plan without the {missing} of the batch", hint="write it on the sheet")
    sweetened = any(entry.kind in SWEETENS for entry in stands.journal)
    expected = math.nan if stands.snapshot is None else stands.snapshot.evidence.expected_points
    target = sheet.sweeten_to_sg
    volumes = sheet.carbonation_volumes
    return plan_for(
        BatchFacts(
            name=sheet.name,
            volume_l=sheet.must.volume_l,
            gravity_sg=gravity,
            temperature_c=ROOM_C if batch.temperature_c is None else batch.temperature_c,
            original_gravity_sg=None if sweetened else sheet.must.original_gravity_sg,
            expected_final_gravity_sg=None if math.isnan(expected) else 1.0 + expected / POINTS_PER_SG,
            ph=sheet.sample_ph,
            sweeten_to_sg=target if target is not None and target > gravity else None,
            vessel_l=sheet.vessel.capacity_l,
            carbonation_volumes=USUAL_VOLUMES if volumes is None else volumes,
        ),
        ports.now_ms(),
    )


def _gravity(ports: Ports, stands: Standing, batch: BatchView) -> float | None:
    since_ms = ports.now_ms() - SAMPLE_AGE_MS
    samples = ports.store.readings.read(
        [stands.sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], from_ms=since_ms
    )
    if len(samples):
        return float(samples.value[int(samples.time_ms.argmax())])
    return batch.gravity_sg
