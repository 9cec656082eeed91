"""Amounts in words, metric and US, to three digits: what a scale and a jug at home can follow."""

from __future__ import annotations

import math
import re
from enum import StrEnum
from typing import Final

from monitor.units import OZ_G, PSI_KPA, US_GAL_L, decimal, degrees, fahrenheit_from_celsius


class UnitSystem(StrEnum):
    """Which system comes first; the other follows in brackets where both are wanted."""

    METRIC = "metric"
    US = "us"


def _significant(value: float, digits: int = 3) -> str:
    """Plain decimals with so many significant digits, never an exponent."""
    if value == 0.0:
        return "0"
    value = float(f"{value:.{digits - 1}e}")  # first, or 0.9999 would be shown as 1.000
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}"


def _metric_mass(grams: float) -> str:
    if abs(grams) >= 1_000.0:
        return f"{_significant(grams / 1_000.0)} kg"
    if 0.0 < abs(grams) < 0.1:
        return f"{_significant(1_000.0 * grams)} mg"
    return f"{_significant(grams)} g"


def _us_mass(grams: float) -> str:
    # ounces are rounded to the tenth before pounds are split off, or 15.96 oz would print as 16.0
    tenths = round(10.0 * grams / OZ_G)
    if abs(tenths) < 160:
        return f"{_significant(grams / OZ_G)} oz"
    pounds, rest = divmod(tenths, 160)
    return f"{pounds} lb {rest / 10.0:.1f} oz"


def _metric_volume(litres: float) -> str:
    return f"{_significant(1_000.0 * litres)} mL" if abs(litres) < 1.0 else f"{_significant(litres)} L"


def _us_volume(litres: float) -> str:
    gallons = litres / US_GAL_L
    if abs(gallons) >= 0.5:
        return f"{_significant(gallons)} US gal"
    return f"{_significant(128.0 * gallons)} US fl oz"


def _ordered(metric: str, us: str, system: UnitSystem, both: bool) -> str:
    first, second = (metric, us) if system is UnitSystem.METRIC else (us, metric)
    return f"{first} ({second})" if both else first


def show_mass(grams: float, system: UnitSystem = UnitSystem.METRIC, *, both: bool = True) -> str:
    """`691 g (1 lb 8.4 oz)`, to three digits."""
    return _ordered(_metric_mass(grams), _us_mass(grams), system, both)


def show_volume(litres: float, system: UnitSystem = UnitSystem.METRIC, *, both: bool = True) -> str:
    """`18.5 L (4.88 US gal)`, to three digits."""
    return _ordered(_metric_volume(litres), _us_volume(litres), system, both)


def show_temperature(celsius: float, system: UnitSystem = UnitSystem.METRIC, *, both: bool = True) -> str:
    """`18.0 °C (64.4 °F)`."""
    return _ordered(
        f"{decimal(celsius, 1)} °C", f"{decimal(fahrenheit_from_celsius(celsius), 1)} °F", system, both
    )


def show_pressure(kpa: float, system: UnitSystem = UnitSystem.METRIC, *, both: bool = True) -> str:
    """`1.10 bar (16.0 psi)`, gauge."""
    return _ordered(f"{kpa / 100.0:.2f} bar", f"{kpa / PSI_KPA:.1f} psi", system, both)


def show_mass_per_volume(
    grams_per_l: float, system: UnitSystem = UnitSystem.METRIC, *, both: bool = True
) -> str:
    """`2.50 g/L (0.334 oz/US gal)`, to three digits."""
    us = grams_per_l * US_GAL_L / OZ_G
    return _ordered(f"{_significant(grams_per_l)} g/L", f"{_significant(us)} oz/US gal", system, both)


def show_gravity(sg: float) -> str:
    """`1.0400`, one digit finer than a hydrometer reads."""
    return decimal(sg, 4)


_IN_PROSE: Final = re.compile(
    r"(?<![\w.-])(?:(-?\d+(?:\.\d+)?) to )?(-?\d+(?:\.\d+)?) (degC|L|bar)(?![\w/])"
    r"( colder| warmer| between)?( \(\d+ psi\))?"
)
"""A number with a unit amid words; `12 degC colder` is a difference and not a temperature."""

_FINE_DEGREES: Final = re.compile(r"(?<![\w.-])-?\d+\.\d{2,}(?= degC)")
"""A temperature with more decimals than are of use to anyone: it was given in degF."""


def in_units(prose: str, system: UnitSystem) -> str:
    """Words written in metric units, told in the reader's: `20 degC` as `68 degF`, `18.00 L` as gallons.

    A number keeps as many decimals as it had, a temperature one at most, a volume two; doses in g/L and mg/L
    stay: US makers use them.
    """
    if system is UnitSystem.METRIC:
        return _FINE_DEGREES.sub(lambda found: degrees(float(found[0])), prose)
    return _IN_PROSE.sub(_us_words, prose)


def _us_number(number: str, unit: str, difference: str) -> str:
    """Degrees Celsius or litres as degrees Fahrenheit or US gallons, without their unit."""
    value = float(number)
    if unit == "L":
        return f"{value / US_GAL_L:.2f}"
    decimals = len(number.partition(".")[2])
    warmth = 1.8 * value if difference else fahrenheit_from_celsius(value)
    return degrees(warmth) if decimals > 1 else decimal(warmth, decimals)


def _us_words(found: re.Match[str]) -> str:
    low, number, unit, difference, psi = found[1], found[2], found[3], found[4] or "", found[5] or ""
    first = "" if low is None else f"{low} to "
    if unit == "bar":
        told = psi.strip(" ()") or f"{100.0 * float(number) / PSI_KPA:.0f} psi"
        if low is not None:
            told = f"{100.0 * float(low) / PSI_KPA:.0f} to {told}"
        return f"{told} ({first}{number} bar){difference}"
    if low is not None:
        first = f"{_us_number(low, unit, difference)} to "
    name = "degF" if unit == "degC" else "US gal"
    return f"{first}{_us_number(number, unit, difference)} {name}{difference}{psi}"
