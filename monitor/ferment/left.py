"""What a ferment has still to fall, as a distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

UNFINISHED_POINTS: Final = 1.75
"""A finish told with more than two points left is too early, and at one it is due: between the two, nearer to
the harm."""


@dataclass(frozen=True, slots=True)
class Left:
    """What is still to fall, in points; nan where there is nothing to go by."""

    p05: float = math.nan
    p50: float = math.nan
    p95: float = math.nan
    unfinished: float = math.nan
    """Probability that more than `UNFINISHED_POINTS` are left."""
