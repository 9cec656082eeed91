"""A log kept by hand, told from a float's by how seldom somebody looked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import islice
from typing import Final

import numpy as np

from monitor.ferment.event import Reading
from monitor.ferment.verdict import Thresholds
from monitor.replay.columns import Columns
from monitor.replay.gathering import Gathered
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

BY_HAND_PER_DAY: Final = 4.0
"""Whoever reads a hydrometer does it less often; floats send at least so often."""
JUDGED_PER_DAY: Final = Thresholds().least_readings / 2.0
"""Hours of a day that must hold a reading before anything is judged."""
LEAST_DAYS: Final = 2.0
LOOKED_AT: Final = 500


def may_be_by_hand(columns: Columns) -> bool:
    """Whether the table has one column of gravity and none that names a sensor."""
    gravities = [each for each in columns.measured if each.quantity is Quantity.GRAVITY]
    return len(gravities) == 1 and gravities[0].sensor is None and columns.sensor is None


def is_by_hand(readings: Iterable[Reading]) -> bool:
    """Whether the first few hundred gravities are as far apart as somebody's own readings."""
    own = (one.time_ms for one in readings if one.quantity is Quantity.GRAVITY)
    times = list(islice(own, LOOKED_AT))
    days = (max(times) - min(times)) / MS_PER_DAY if times else 0.0
    return days >= LEAST_DAYS and len(times) / days < BY_HAND_PER_DAY


def by_hand(columns: Columns, sensor: str) -> Columns:
    """The same columns with the gravities as hand samples of a sensor."""
    measured = tuple(
        replace(each, quantity=Quantity.SAMPLE_GRAVITY, sensor=sensor)
        if each.quantity is Quantity.GRAVITY
        else each
        for each in columns.measured
    )
    return replace(columns, measured=measured)


def too_sparse(gathered: Gathered) -> list[tuple[str, float]]:
    """Floats that were heard too seldom for any verdict, each with the hours of a day that hold a reading."""
    found = []
    for place, (sensor, quantity) in enumerate(gathered.sources):
        if quantity is not Quantity.GRAVITY:
            continue
        hours = np.unique(gathered.time_ms[gathered.source == place] // MS_PER_HOUR)
        days = (int(hours[-1]) - int(hours[0])) / 24.0 if hours.size else 0.0
        if days >= LEAST_DAYS and hours.size / days < JUDGED_PER_DAY:
            found.append((sensor, hours.size / days))
    return found
