"""The whole course so far in six-hour bins: how far it fell, how fast at its fastest, when it slowed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.series import Floats

COARSE_HOURS: Final = 6
SLOWED: Final = 0.6
"""It is slowing once the fall, at equal temperature, has gone under this share of the fastest."""
BEGUN_POINTS: Final = 3.0


@dataclass(frozen=True, slots=True)
class Course:
    """Scalars of the course; hours are counted from the track's start; nan where it has not come to that."""

    start_points: float = math.nan
    """Level of the first readings."""
    first_hour: float = math.nan
    slowed_hour: float = math.nan
    """Last time it still fell at SLOWED of the fastest."""
    peak_per_day: float = math.nan
    """The fastest fall, points a day at the usual temperature."""
    active_scaled_hours: float = math.nan
    """Scaled hours from the beginning of the fall to slowing."""


def block_means(points: Floats, hours: int) -> tuple[Floats, NDArray[np.int64]]:
    """Means of blocks of so many hourly medians (0 where empty), and how many of them were there."""
    block = points.reshape(-1, hours)
    there = ~np.isnan(block)
    count = there.sum(axis=1)
    return np.where(there, block, 0.0).sum(axis=1) / np.maximum(count, 1), count


def without_jumps(values: Floats) -> Floats:
    """Each value but the first and last replaced by the median of itself and its neighbours."""
    before, here, after = values[:-2], values[1:-1], values[2:]
    low, high = np.minimum(before, here), np.maximum(before, here)
    return np.concatenate([values[:1], np.maximum(low, np.minimum(high, after)), values[-1:]])


def coarse(points: Floats, pace: Floats) -> tuple[Floats, Floats]:
    """Means of six hours (nan where empty), each replaced by the median of itself and its neighbours; and
    scaled lengths of the bins. The last, incomplete bin is left out."""
    n = points.size // COARSE_HOURS * COARSE_HOURS
    means, count = block_means(points[:n], COARSE_HOURS)
    known = np.flatnonzero(count)
    if known.size >= 3:
        # bridge gaps by straight lines, then take out lone jumps
        means = np.interp(np.arange(means.size), known, means[known])
        means = without_jumps(means)
    else:
        means = np.where(count > 0, means, np.nan)
    return means, pace[:n].reshape(-1, COARSE_HOURS).sum(axis=1)


def review(points: Floats, pace: Floats) -> Course:
    """The course from hourly medians (points; nan where empty) since pitching or the last sugar."""
    known = np.flatnonzero(~np.isnan(points))
    if not known.size:
        return Course()
    first = int(known[0])
    start = median(points[known[known < first + 12]].tolist())
    means, lengths = coarse(points, pace)
    if means.size < 4 or np.isnan(means).any():
        return Course(start_points=start, first_hour=float(first))
    start = max(start, median(means[:4].tolist()))
    fallen = np.flatnonzero(start - means >= BEGUN_POINTS)
    if not fallen.size:
        return Course(start_points=start, first_hour=float(first))
    begun = int(fallen[0])
    scaled = (means[:-2] - means[2:]) / (lengths[1:-1] + (lengths[:-2] + lengths[2:]) / 2.0) * 24.0
    if scaled.size >= 3:
        scaled = without_jumps(scaled)
    peak = float(scaled.max())
    if peak <= 0.0:
        # a lone jump made it three points lower; nothing fell for longer than that
        return Course(start_points=start, first_hour=float(first))
    last_fast = int(np.flatnonzero(scaled >= SLOWED * peak)[-1]) + 1
    active = float(lengths[begun : last_fast + 1].sum()) if last_fast > begun else float(lengths[begun])
    return Course(
        start_points=start,
        first_hour=float(first),
        slowed_hour=(last_fast + 0.5) * COARSE_HOURS,
        peak_per_day=peak,
        active_scaled_hours=active,
    )
