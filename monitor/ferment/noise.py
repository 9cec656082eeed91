"""What kind of noise a float has, learnt from the float itself.

Three parts: white noise of each reading (from second differences of neighbours, which cancel level and
slope), the step it is rounded to, and a wander correlated over hours (foam, bubbles, stirring) whose size is
chosen by the likelihood of the window it is learnt on. All in gravity points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.ferment.series import Floats
from monitor.units import POINTS_PER_SG

LEAST_WHITE: Final = 0.12
WANDER_HOURS: Final = 7.0
"""Time over which the wander forgets itself; the exact figure matters little beside its size."""
WANDER_SIZES: Final = (0.08, 0.16, 0.3, 0.5, 0.8, 1.2)
_STEPS_POINTS: Final = (1.0, 0.5, 0.25, 0.2, 0.1)


@dataclass(frozen=True, slots=True)
class Noise:
    """Sizes in gravity points."""

    white_points: float = 0.7
    """Standard deviation of one reading about the level of its hour."""
    wander_points: float = 0.3
    """Standard deviation of the slow wander."""
    step_points: float = 0.1
    """What readings are rounded to."""


def rounding_step(values_sg: Floats) -> float:
    """The coarsest of the usual steps (in points) on which almost all values lie; 0 where none."""
    points = (values_sg - 1.0) * POINTS_PER_SG
    for step in _STEPS_POINTS:
        off = np.abs(points / step - np.round(points / step)) * step
        if np.mean(off < 0.011) > 0.97:
            return step
    return 0.0


def white_sd(values_sg: Floats) -> float:
    """White noise of one reading in points, from second differences; robust to a fifth of faulty readings."""
    if values_sg.size < 6:
        return Noise().white_points
    second = np.abs(np.diff(values_sg, 2)) * POINTS_PER_SG
    # for normal noise |d2| has median 0.6745 * sqrt(6) * sd; the trimmed mean serves where rounding makes
    # it zero
    typical = float(np.median(second)) / (0.6745 * math.sqrt(6.0))
    kept = np.sort(second)[: max(int(0.9 * second.size), 1)]
    trimmed = float(np.sqrt(np.mean(kept**2) / 6.0)) * 1.25
    return max(typical, 0.7 * trimmed, LEAST_WHITE)
