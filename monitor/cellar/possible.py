"""What values are possible at all, and the error that says so."""

from __future__ import annotations

import math
from collections.abc import Callable

from monitor.errors import QuantityError
from monitor.units import degrees


def within(name: str, value: float, low: float, high: float, unit: str = "", *, hint: str = "") -> float:
    """The value itself where it lies in low..high, both ends included.

    Raises QuantityError that names the value, the range and the unit; not-a-number is never within.
    """
    if low <= value <= high:
        return value
    tail = f" {unit}" if unit else ""
    shown = degrees(value) if unit == "degC" and degrees(value) not in _ends(low, high) else f"{value:g}"
    least, most = _shown(low, math.ceil), _shown(high, math.floor)
    raise QuantityError(f"{name} {shown}{tail} is outside {least} to {most}{tail}", hint=hint)


def _shown(end: float, inward: Callable[[float], int]) -> str:
    """An end of a range; one that was worked out is shown to a thousandth, on the side that is within."""
    worked_out = math.isfinite(end) and round(end, 4) != end
    return f"{inward(round(end * 1000.0, 3)) / 1000.0 if worked_out else end:g}"


def _ends(low: float, high: float) -> tuple[str, str]:
    """Both ends as degrees: what is rounded to one of them would seem to lie within."""
    return degrees(low), degrees(high)
