"""The course so far as it looks from now: the near past finely, the far past coarsely.

These are the figures that `monitor.ferment.network` reads. They hold no threshold and no shape of a curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats

EDGES: Final = np.concatenate([np.arange(0, 96, 3), np.arange(96, 240, 6), np.arange(240, 721, 24)])
"""Hours before now at which one bin ends and the next begins."""
BINS: Final = EDGES.size - 1
FINE: Final = 32
"""Bins of three hours, the nearest ones: small differences in them are shown larger once more."""
LEVEL_HOURS: Final = 12
"""The level now is the median of so many hours that hold a reading,"""
HEARD_HOURS: Final = 48
"""of so many last ones."""
LEAST_HOURS: Final = 4
LEAST_FALLEN: Final = 0.5
DAY_HALVES: Final = 12
USUAL_C: Final = 20.0
KINDS: Final = (MustKind.HONEY, MustKind.MALT, MustKind.FRUIT)
"""Musts told apart; of another, or of one that nobody named, all three figures are zero."""
COUNT: Final = 3 * BINS + FINE + 15 + len(KINDS)


@dataclass(frozen=True, slots=True)
class Known:
    """What is known beside the course itself."""

    white_points: float
    """White noise of one reading."""
    expected_points: float
    """Where the must should end, as this float reads, and how sure that is."""
    expected_sd: float
    alcohol_room_abv: float
    """Yeast's tolerance less the alcohol made so far; nan where not known."""
    hours_before: int = 0
    """From pitching to where the course begins, with the last sugar."""
    kind: MustKind | None = None
    """What the sheet names."""


def figures(points: Floats, celsius: Floats, known: Known) -> Floats | None:
    """What the network reads, (`COUNT`,); None where nothing was heard lately.

    `points` are hourly medians since pitching or the last sugar that end now (nan where nothing was
    measured), `celsius` the hourly temperatures beside them (nan where not known).
    """
    hours = points.size
    last = points[-HEARD_HOURS:]
    last = last[~np.isnan(last)]
    if last.size < LEAST_HOURS:
        return None
    level = float(np.median(last[-LEVEL_HOURS:]))
    lag = np.arange(min(hours, int(EDGES[-1])))
    place = np.searchsorted(EDGES, lag, side="right") - 1
    values = points[hours - 1 - lag] - level
    heard = ~np.isnan(values)
    count = np.bincount(place[heard], minlength=BINS)
    above = np.bincount(place[heard], values[heard], minlength=BINS) / np.maximum(count, 1)
    known_c = np.nan_to_num(celsius[hours - 1 - lag], nan=USUAL_C)
    of_bin = np.bincount(place, minlength=BINS)
    warmth = np.bincount(place, known_c, minlength=BINS) / np.maximum(of_bin, 1)
    now_c = float(warmth[0])
    warmer = np.where(of_bin > 0, warmth - now_c, 0.0)

    first = points[~np.isnan(points)][:LEVEL_HOURS]
    fallen = max(float(np.median(first)) - level, LEAST_FALLEN)
    peak = _fastest_day(points)
    steps = np.diff(above[:FINE][count[:FINE] > 0])
    rough = float(np.median(np.abs(steps))) if steps.size else 1.0
    gap = level - known.expected_points
    room = known.alcohol_room_abv
    return np.concatenate(
        [
            np.arcsinh(above),
            np.arcsinh(4.0 * above[:FINE]),
            count > 0,
            np.clip(warmer / 4.0, -3.0, 3.0),
            [
                math.log(max(known.white_points, 0.01)),
                math.log(rough + 0.05),
                gap / 5.0,
                gap / known.expected_sd,
                math.log(known.expected_sd),
                math.log(fallen),
                math.log(hours),
                math.log(hours + known.hours_before),
                now_c / 10.0 - 2.0,
                float(known.hours_before > 0),
                math.log(peak),
                math.log(peak / fallen * hours / 24.0),
                0.0 if math.isnan(room) else room / 3.0,
                float(math.isnan(room)),
                count[:8].sum() / 24.0,
                *(float(known.kind is kind) for kind in KINDS),
            ],
        ]
    )


def _fastest_day(points: Floats) -> float:
    """The largest fall from one half of a day to the one a day later, points."""
    halves = points[: points.size // DAY_HALVES * DAY_HALVES].reshape(-1, DAY_HALVES)
    there = ~np.isnan(halves)
    count = there.sum(axis=1)
    means = np.where(there, halves, 0.0).sum(axis=1) / np.where(count > 0, count, np.nan)
    falls = means[:-2] - means[2:]
    falls = falls[~np.isnan(falls)]
    return max(float(falls.max()), 0.1) if falls.size else 0.1
