"""What a ferment has still to fall, as a distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Left:
    """What is still to fall, in points; nan where there is nothing to go by."""

    p05: float = math.nan
    p50: float = math.nan
    p95: float = math.nan
    over_one: float = math.nan
    """Probability that more than a point is left."""
    over_two: float = math.nan
