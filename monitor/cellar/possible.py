"""What values are possible at all, and the error that says so."""

from __future__ import annotations

from monitor.errors import QuantityError


def within(name: str, value: float, low: float, high: float, unit: str = "", *, hint: str = "") -> float:
    """The value itself where it lies in low..high, both ends included.

    Raises QuantityError that names the value, the range and the unit; not-a-number is never within.
    """
    if low <= value <= high:
        return value
    tail = f" {unit}" if unit else ""
    raise QuantityError(f"{name} {value:g}{tail} is outside {low:g} to {high:g}{tail}", hint=hint)
