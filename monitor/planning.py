"""The facts of a kept batch as it stands now: one answer for the page, the command and the notice."""

from __future__ import annotations

import math
from typing import Final

from monitor.batch.facts import facts_of
from monitor.batch.sheet import Sheet
from monitor.cellar.plan_sheet import BatchFacts
from monitor.ferment.evidence import Evidence
from monitor.store.base import Store
from monitor.units import MS_PER_DAY, POINTS_PER_SG, Quantity

SAMPLE_AGE_MS: Final = 3 * MS_PER_DAY
"""A hand sample stands for the batch so long, after that the float's level does."""


def measured_sg(store: Store, sheet: Sheet, level_sg: float | None, now_ms: int) -> float | None:
    """The gravity to plan with: the last hand sample if it is fresh, else the level; None without either."""
    samples = store.readings.read(
        [sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], from_ms=now_ms - SAMPLE_AGE_MS
    )
    if len(samples):
        return float(samples.value[int(samples.time_ms.argmax())])
    return level_sg


def level_sg(evidence: Evidence) -> float | None:
    """The level as specific gravity; None where it is not known."""
    level = evidence.level_points
    return None if math.isnan(level) else 1.0 + level / POINTS_PER_SG


def facts_by(sheet: Sheet, evidence: Evidence, gravity_sg: float | None) -> BatchFacts:
    """The facts with temperature, added sugar and expected end from the evidence.

    Raises InputError naming what has to be known first.
    """
    warm_c = evidence.temperature_c
    return facts_of(
        sheet,
        gravity_sg=gravity_sg,
        added_points=evidence.added_points,
        temperature_c=None if math.isnan(warm_c) else warm_c,
        expected_points=evidence.expected_points,
    )
