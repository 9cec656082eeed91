"""Traits of the course so far, for the forecast of its end: how far, how old, how fast lately, bent how.

They are read off a course that only ever falls: three-hour means, lone jumps taken out, joined by the falling
steps nearest to them. So foam and knocks shift no trait by much, and no share of the fall is done twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import isotonic_regression

from monitor.ferment.evidence import Evidence
from monitor.ferment.history import block_means
from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats

BIN_HOURS: Final = 3
LEAST_BINS: Final = 4
MEDIAN_BINS: Final = 5
BACK_HOURS: Final = np.array([6.0, 12.0, 24.0, 36.0, 48.0, 72.0, 96.0, 144.0])
SHARES: Final = np.array([0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.85])
LEAST_FALLEN: Final = 2.0
"""Points; before that there is no fall whose shape could be told."""


@dataclass(frozen=True, slots=True)
class Falling:
    """A course that only ever falls; hours on the scale of its hourly medians."""

    hours: Floats
    """Middles of the bins that hold readings."""
    points: Floats


def falling(points: Floats) -> Falling | None:
    """The falling course nearest to hourly medians (points; nan where empty); None of too few."""
    n = points.size // BIN_HOURS * BIN_HOURS
    skipped = points.size - n
    means, count = block_means(points[skipped:], BIN_HOURS)
    known = np.flatnonzero(count)
    if known.size < LEAST_BINS:
        return None
    padded = np.pad(means[known], MEDIAN_BINS // 2, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, MEDIAN_BINS)
    calm = np.sort(near, axis=1)[:, MEDIAN_BINS // 2]  # of an odd number, a median is the one amid
    nearest = isotonic_regression(calm, weights=count[known].astype(np.float64), increasing=False)
    hours = np.asarray((known + 0.5) * BIN_HOURS + skipped, dtype=np.float64)
    return Falling(hours, np.asarray(nearest.x))


KINDS: Final = (None, MustKind.HONEY, MustKind.MALT, MustKind.FRUIT, MustKind.SUGAR)
TRAITS: Final = (
    "kind",
    "start",
    "fallen",
    "age",
    "expected",
    "expected_sd",
    "above_expected",
    "share_of_expected",
    *(f"fell_in_{hours:.0f}h" for hours in BACK_HOURS),
    *(f"since_{share:g}" for share in SHARES),
    "six_hours_c",
    "day_c",
    "four_days_c",
    "warmest_c",
    "drop_c",
    "alcohol_room_abv",
    "slope_day",
    "slope_two",
    "slope_four",
    "peak_per_day",
    "slowed_hours",
)
"""In this order. `fell_in_*` are points; `since_*` hours since that share of the fall so far was done."""


def traits(points: Floats, celsius: Floats, kind: MustKind | None, e: Evidence) -> Floats | None:
    """The traits at the end of hourly medians since pitching or the last sugar; None before the fall.

    `points` has nan where nothing was measured; `celsius` is filled, or nan throughout; of the evidence the
    figures that need no look ahead are read.
    """
    course = falling(points)
    if course is None or math.isnan(e.level_points):
        return None
    start = float(np.mean(course.points[:LEAST_BINS]))
    fallen = start - e.level_points
    if fallen < LEAST_FALLEN:
        return None
    now = float(points.size)
    then = now - BACK_HOURS
    before = np.where(then < course.hours[0] - BIN_HOURS, start, np.interp(then, course.hours, course.points))
    # a rise too small to matter makes the shares strictly rising, so that each has one hour
    done = (start - course.points) / fallen + 1e-9 * np.arange(course.points.size)
    since = now - np.interp(SHARES, done, course.hours)
    return np.array(
        [
            KINDS.index(kind),
            start,
            fallen,
            now,
            e.expected_points,
            e.expected_sd,
            e.level_points - e.expected_points,
            fallen / max(start - e.expected_points, 1.0),
            *(before - e.level_points),
            *since,
            *(float(np.mean(celsius[-hours:])) for hours in (6, 24, 96)),
            float(np.max(celsius)),
            e.temperature_drop_c,
            e.alcohol_room_abv,
            e.slope_day,
            e.slope_two,
            e.slope_four,
            e.peak_per_day,
            e.slowed_hours,
        ],
        dtype=np.float64,
    )
