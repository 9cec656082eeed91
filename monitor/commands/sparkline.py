"""A curve in one line of text, for terminals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

BARS: Final = "▁▂▃▄▅▆▇█"


def sparkline(values: Sequence[float]) -> str:
    """A bar for each value, the lowest and the highest of the row at the ends; empty below two values."""
    if len(values) < 2:
        return ""
    low, high = min(values), max(values)
    scale = (len(BARS) - 1) / (high - low) if high > low else 0.0
    return "".join(BARS[round((value - low) * scale)] for value in values)
