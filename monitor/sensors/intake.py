"""Units that readings may come in, and what is physically possible.

A value is converted once, here, and refused where no working sensor could have measured it: a thermometer
that answers -127 or a float that answers 0 has failed, and its number must not reach the store.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from monitor.errors import PayloadError, QuantityError
from monitor.must.density import WATER_20C_KG_M3, sg_from_oechsle, sg_from_plato
from monitor.units import KEPT_UNIT, PSI_KPA, ZERO_CELSIUS_K, Quantity, celsius_from_fahrenheit

POSSIBLE: Final[dict[Quantity, tuple[float, float]]] = {
    Quantity.GRAVITY: (0.9, 1.3),
    Quantity.SAMPLE_GRAVITY: (0.9, 1.3),
    Quantity.ANGLE: (0.0, 180.0),
    Quantity.TEMPERATURE: (-30.0, 110.0),
    Quantity.AMBIENT_TEMPERATURE: (-60.0, 80.0),
    Quantity.BATTERY: (0.0, 100.0),
    Quantity.BATTERY_VOLTAGE: (0.0, 60.0),
    Quantity.SIGNAL: (-200.0, 50.0),
    Quantity.PRESSURE: (0.0, 2_000.0),
}
"""Lowest and highest value of each quantity in its kept unit; both are still possible."""

_PLATO_LIMIT: Final = 100.0


def _sg_of_plato(plato: float) -> float:
    # beyond a solution of nothing but sugar the polynomial means nothing
    return sg_from_plato(plato) if abs(plato) <= _PLATO_LIMIT else math.nan


def _sg_of_density(density_kg_m3: float) -> float:
    return density_kg_m3 / WATER_20C_KG_M3


Convert = Callable[[float], float]

_GRAVITY: Final[dict[str, Convert]] = {
    "sg": float,
    "plato": _sg_of_plato,
    "brix": _sg_of_plato,
    "oechsle": sg_from_oechsle,
    "kg/m3": _sg_of_density,
    "g/cm3": lambda value: _sg_of_density(value * 1_000.0),
}
_TEMPERATURE: Final[dict[str, Convert]] = {
    "degC": float,
    "degF": celsius_from_fahrenheit,
    "K": lambda value: value - ZERO_CELSIUS_K,
}
_VOLTAGE: Final[dict[str, Convert]] = {"V": float, "mV": lambda value: value / 1_000.0}
_CONVERT: Final[dict[Quantity, dict[str, Convert]]] = {
    Quantity.GRAVITY: _GRAVITY,
    Quantity.SAMPLE_GRAVITY: _GRAVITY,
    Quantity.ANGLE: {"deg": float, "rad": math.degrees},
    Quantity.TEMPERATURE: _TEMPERATURE,
    Quantity.AMBIENT_TEMPERATURE: _TEMPERATURE,
    Quantity.BATTERY: {"%": float, "ratio": lambda value: value * 100.0},
    Quantity.BATTERY_VOLTAGE: _VOLTAGE,
    Quantity.SIGNAL: {"dBm": float, "dBW": lambda value: value + 30.0},
    Quantity.PRESSURE: {
        "kPa": float,
        "Pa": lambda value: value / 1_000.0,
        "hPa": lambda value: value / 10.0,
        "mbar": lambda value: value / 10.0,
        "bar": lambda value: value * 100.0,
        "psi": lambda value: value * PSI_KPA,
    },
}


@dataclass(frozen=True, slots=True)
class Intake:
    """One way for a quantity to come in."""

    quantity: Quantity
    """What it is kept as."""
    unit: str
    """The unit it comes in."""
    convert: Convert
    low: float
    high: float

    def take(self, value: float, field: str) -> float:
        """The value in the unit it is kept in.

        Raises PayloadError naming `field` where the value is outside what is possible, or not a number.
        """
        kept = self.convert(value)  # NaN fails the comparison
        if self.low <= kept <= self.high:
            return kept
        unit = KEPT_UNIT[self.quantity]
        raise PayloadError(
            f"{self.quantity} {value:g} {self.unit}: possible is {self.low:g} to {self.high:g} {unit}",
            kind="range",
            field=field,
            hint="a value like this usually comes from a failed or unplugged sensor",
        )


def units_of(quantity: Quantity) -> tuple[str, ...]:
    """Units that this quantity may come in.

    A battery may be told in volts: it is then kept as `battery_voltage`.
    """
    units = tuple(_CONVERT[quantity])
    return (*units, *_VOLTAGE) if quantity is Quantity.BATTERY else units


def intake(quantity: Quantity, unit: str) -> Intake:
    """How `quantity` in `unit` comes in.

    A density in kg/m3 is that of the liquid as it is; its gravity is the density over that of water at
    20 degC, without a correction to 20 degC: a float's own temperature error is for its calibration.
    Raises QuantityError with the units that are allowed.
    """
    if quantity is Quantity.BATTERY and unit in _VOLTAGE:
        quantity = Quantity.BATTERY_VOLTAGE
    convert = _CONVERT[quantity].get(unit)
    if convert is None:
        allowed = ", ".join(units_of(quantity))
        raise QuantityError(f"{quantity} in {unit!r}", hint=f"allowed units: {allowed}")
    low, high = POSSIBLE[quantity]
    return Intake(quantity, unit, convert, low, high)
