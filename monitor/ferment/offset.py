"""How far a float reads off, from hand samples: the sample is the reference from then on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.ferment.series import Floats

SAMPLE_SD: Final = 0.7
"""Reading error of a hand hydrometer in points (common practice: half a division to one)."""
FORGET_DAYS: Final = 10.0
"""A float drifts: an older sample counts for less, by half in about a week."""
UNKNOWN_SD: Final = 1.7
"""Spread of the offset of floats nobody has checked, points."""
ORIGINAL_SD: Final = 1.1
"""Error of a maker's original gravity and of the float's first hours together, points."""
NEAR_HOURS: Final = 4


@dataclass(frozen=True, slots=True)
class Offset:
    """What to add to the float, in points, and how sure that is."""

    points: float = 0.0
    sd: float = UNKNOWN_SD
    samples: int = 0


def from_samples(samples: list[tuple[int, float]], points: Floats, now_hour: int) -> Offset:
    """Offset from samples (hour index, points) and the float's hourly medians (points; index as the
    samples').

    A sample with no reading of the float within four hours cannot be compared and is left out.
    """
    total = weights = 0.0
    used = 0
    for hour, value in samples:
        near = points[max(hour - NEAR_HOURS, 0) : hour + NEAR_HOURS + 1]
        near = near[~np.isnan(near)]
        if not near.size:
            continue
        weight = math.exp(-(now_hour - hour) / 24.0 / FORGET_DAYS)
        total += weight * (value - float(np.median(near)))
        weights += weight
        used += 1
    if not used:
        return Offset()
    # one fresh sample gives SAMPLE_SD and the wander of the float; the prior spread holds old ones in check
    precision = weights / (SAMPLE_SD**2 + 0.2)
    return Offset(total / weights, max(precision, 1.0 / UNKNOWN_SD**2) ** -0.5, used)


def from_original(start_points: float, original_points: float) -> tuple[float, float]:
    """By how much a float reads above the maker's own sample at pitching, and the spread about that.

    The sample and the float's first readings (`start_points`) are of one liquid, each with its own error.
    """
    trust = UNKNOWN_SD**2 / (UNKNOWN_SD**2 + ORIGINAL_SD**2)
    return trust * (start_points - original_points), float(UNKNOWN_SD * (1.0 - trust) ** 0.5)
