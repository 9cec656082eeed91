"""What values are possible at all, and the error that says so."""

from __future__ import annotations

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
    raise QuantityError(f"{name} {shown}{tail} is outside {low:g} to {high:g}{tail}", hint=hint)


def _ends(low: float, high: float) -> tuple[str, str]:
    """Both ends as degrees: what is rounded to one of them would seem to lie within."""
    return degrees(low), degrees(high)
