"""Which hand samples are in doubt: too far off the float as others correct it, or risen without sugar.

Two that agree believe each other: then the float is off, or there was sugar that nobody wrote down.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np

from monitor.ferment.event import JournalEntry
from monitor.ferment.offset import FORGET_DAYS, NEAR_HOURS
from monitor.ferment.series import Floats
from monitor.units import MS_PER_HOUR

FAR_POINTS: Final = 5.0
"""A sample this far off is a slip of the pen, or the float is disturbed: three times the spread of floats."""

Sample = tuple[int, float]
"""When it was taken (ms), and points."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A hand sample that is not believed, and by how many points."""

    time_ms: int
    apart_points: float
    """Above the float, or else above the sample before it."""
    by_float: bool


def doubts(
    samples: Sequence[Sample], first_hour: int, points: Floats, sugar: Iterable[JournalEntry]
) -> list[Doubt]:
    """The doubted ones of samples in order of time.

    `points` are the float's hourly medians as it reads (nan where it was silent) from the hour `first_hour`
    (of Unix time) on; what was taken before that hour is of another must.
    """
    sugar_ms = [one.done_ms for one in sugar]
    found: list[Doubt] = []
    believed: list[tuple[int, float]] = []
    before: Sample | None = None
    for at_ms, value in samples:
        hour = at_ms // MS_PER_HOUR - first_hour
        if hour < 0:
            continue
        near = points[max(hour - NEAR_HOURS, 0) : hour + NEAR_HOURS + 1]
        near = near[~np.isnan(near)]
        if near.size:
            above = value - median(near.tolist())
            apart = above - _offset(believed, hour)
            far = abs(apart) >= FAR_POINTS
        else:
            above = math.nan
            apart = math.nan if before is None else value - before[1]
            fed = before is not None and any(before[0] <= ms <= at_ms for ms in sugar_ms)
            far = apart >= FAR_POINTS and not fed
        doubt = Doubt(at_ms, apart, bool(near.size))
        if far and found and _agree(found[-1], doubt):
            found.pop()
        elif far:
            found.append(doubt)
            continue
        if near.size:
            believed.append((hour, above))
        before = at_ms, value
    return found


def _agree(one: Doubt, other: Doubt) -> bool:
    return one.by_float is other.by_float and abs(one.apart_points - other.apart_points) < FAR_POINTS


def _offset(believed: Sequence[tuple[int, float]], hour: int) -> float:
    """How far the believed samples lie above the float, each by its age."""
    weights = [math.exp(-abs(hour - then) / 24.0 / FORGET_DAYS) for then, _ in believed]
    pairs = zip(weights, believed, strict=True)
    return sum(weight * above for weight, (_, above) in pairs) / sum(weights) if weights else 0.0
