"""The plan of a batch, from its own numbers as far as they are known."""

from __future__ import annotations

import math
from typing import Final

from monitor.batch.facts import facts_of
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import Plan
from monitor.units import MS_PER_DAY, Quantity
from monitor.web.gather import Standing
from monitor.web.ports import Ports
from monitor.web.view import BatchView

SAMPLE_AGE_MS: Final = 3 * MS_PER_DAY
"""A hand sample stands for the batch so long, after that the float's level does."""


def plan_of(ports: Ports, stands: Standing, batch: BatchView) -> Plan:
    """What to do from the last bubble to the glass, as if the batch were finished as it stands now.

    Raises InputError naming what has to be known first.
    """
    facts = facts_of(
        stands.sheet,
        stands.journal,
        gravity_sg=_gravity(ports, stands, batch),
        temperature_c=batch.temperature_c,
        expected_points=math.nan if stands.snapshot is None else stands.snapshot.evidence.expected_points,
    )
    return plan_for(facts, ports.now_ms())


def _gravity(ports: Ports, stands: Standing, batch: BatchView) -> float | None:
    since_ms = ports.now_ms() - SAMPLE_AGE_MS
    samples = ports.store.readings.read(
        [stands.sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], from_ms=since_ms
    )
    if len(samples):
        return float(samples.value[int(samples.time_ms.argmax())])
    return batch.gravity_sg
