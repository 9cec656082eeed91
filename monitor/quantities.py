"""Quantities as makers write them, to the units kept inside and back: `5.5lb`, `4.8 gal`, `65F`, `10 degP`.

Each reader takes text and gives a float in one kept unit, or raises QuantityError that names the value,
what was expected and the range. A gallon, pint or fluid ounce is the US one; `imp gal` is the other. `F` is
Fahrenheit here and not a farad, `C` Celsius and not a coulomb: temperatures and gravities are read by this
module, everything else by pint, whose registry is built at the first use because that takes a while.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from monitor.cellar.shown import (
    UnitSystem,
    show_gravity,
    show_mass,
    show_mass_per_volume,
    show_pressure,
    show_temperature,
    show_volume,
)
from monitor.errors import QuantityError
from monitor.must.density import sg_from_density, sg_from_oechsle, sg_from_plato
from monitor.units import POINTS_PER_SG, ZERO_CELSIUS_K, celsius_from_fahrenheit

if TYPE_CHECKING:
    import pint

__all__ = [
    "UnitSystem",
    "attenuation",
    "concentration_mg_l",
    "duration_hours",
    "gravity_sg",
    "mass_g",
    "ph",
    "pressure_kpa",
    "share",
    "show_gravity",
    "show_mass",
    "show_mass_per_volume",
    "show_pressure",
    "show_temperature",
    "show_volume",
    "strength_abv",
    "temperature_c",
    "volume_l",
]

_LONGEST_TEXT: Final = 60
_NUMBER: Final = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_LETTER: Final = "A-Za-zµμ"
_UNIT: Final = (
    rf"[{_LETTER}°º#%][{_LETTER}. _°]*"  # a word or two
    rf"(?:/[{_LETTER}][{_LETTER} _]*)?"  # per another
    rf"(?:(?<=[{_LETTER}])(?:\^?3|³))?"  # cubed, but never the 3 of `5 lb 3 oz`
)
_PART: Final = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})?\s*")

_SPELLINGS: Final = {
    "#": "lb",
    "gals": "gal",
    "ozs": "oz",
    "fl oz": "fluid_ounce",
    "fl. oz": "fluid_ounce",
    "floz": "fluid_ounce",
    "us gal": "gal",
    "us fl oz": "fluid_ounce",
    "imp gal": "imperial_gallon",
    "imperial gal": "imperial_gallon",
    "imperial gallons": "imperial_gallon",
    "imperial gallon": "imperial_gallon",
    "litre": "L",
    "litres": "L",
    "psig": "psi",
    "mg/litre": "mg/L",
    "g/litre": "g/L",
    "ppm": "mg/L",
    "mnd": "month",
    "wk": "week",
    "wks": "week",
}
"""Spellings that pint does not know, or knows as something else, by the one it does. A part per million in a
drink is taken as a milligram per litre, as the trade does."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What is read: its name, the unit it is kept in as pint spells it, what is possible, an example."""

    name: str
    unit: str
    low: float
    high: float
    example: str
    shown_unit: str
    shown_factor: float = 1.0
    """Shown units in one kept unit."""


MASS: Final = Kind("mass", "g", 0.0, 1e7, "500 g, 2.5 kg, 5.5lb or 5 lb 8 oz", "kg", 1e-3)
VOLUME: Final = Kind("volume", "L", 0.0, 10_000.0, "500 mL, 18 L or 4.8gal", "L")
PRESSURE: Final = Kind("pressure", "kPa", 0.0, 1_000.0, "1.1 bar, 110 kPa or 16 psi", "kPa")
CONCENTRATION: Final = Kind("concentration", "mg/L", 0.0, 1e6, "40 mg/L, 40 ppm or 0.5 g/L", "g/L", 1e-3)
DURATION: Final = Kind("duration", "hour", 0.0, 24.0 * 3660.0, "36 h, 14 days or 2 weeks", "h")
TEMPERATURE: Final = Kind("temperature", "degC", -10.0, 110.0, "18 degC, 18C or 65F", "degC")
GRAVITY: Final = Kind("gravity", "sg", 0.95, 1.5, "1.040, 10 degP, 40 points, 40 Oe or 1038 kg/m3", "sg")
STRENGTH: Final = Kind("alcohol", "%", 0.0, 25.0, "5.5%", "% vol")
PH: Final = Kind("pH", "", 2.0, 6.0, "3.6", "")
SHARE: Final = Kind("share", "", 0.0, 1.0, "17.2% or 0.172", "")
ATTENUATION: Final = Kind("attenuation", "", 0.2, 1.5, "103% or 1.03", "")


def _shown(kind: Kind, value: float) -> str:
    return f"{value * kind.shown_factor:g} {kind.shown_unit}".strip()


def _fault(kind: Kind, text: str, reason: str) -> QuantityError:
    shown = text if len(text) <= _LONGEST_TEXT else text[:_LONGEST_TEXT] + "..."
    return QuantityError(
        f"{kind.name} {shown!r}: {reason}; {_shown(kind, kind.low)} to {_shown(kind, kind.high)} is possible",
        hint=f"write {kind.example}",
    )


def _in_range(kind: Kind, text: str, value: float) -> float:
    if math.isfinite(value) and kind.low <= value <= kind.high:
        return value
    raise _fault(kind, text, f"{_shown(kind, value)} is out of range")


def _parts(kind: Kind, text: str) -> list[tuple[float, str]]:
    """The numbers of a text with their units: one pair, or several as in `5 lb 8 oz`."""
    if len(text) > _LONGEST_TEXT:
        raise _fault(kind, text, "too long to be a quantity")
    found, position = [], 0
    while position < len(text):
        match = _PART.match(text, position)
        if match is None or match.end() == position:
            reason = "write a decimal point, not a comma" if "," in text else "not a number with a unit"
            raise _fault(kind, text, reason)
        found.append((float(match[1]), (match[2] or "").strip()))
        position = match.end()
    if not found:
        raise _fault(kind, text, "empty")
    return found


def _single(kind: Kind, text: str) -> tuple[float, str]:
    parts = _parts(kind, text)
    if len(parts) > 1:
        raise _fault(kind, text, "more than one number")
    return parts[0]


@cache
def _registry() -> pint.UnitRegistry[Any]:
    # imported here: pint takes a good part of a command's start
    import pint

    return pint.UnitRegistry()


def _converted(kind: Kind, text: str, number: float, unit: str) -> float:
    """`number` of `unit` in the kind's own unit, by pint."""
    import pint

    registry = _registry()
    spelling = re.sub(r"(?:\^?3|³)$", "**3", _SPELLINGS.get(unit.casefold(), unit))
    # `GAL` and `LB` are meant as they sound; where capitals have a meaning (`ML` is a million litres) it
    # stands
    other_kind: Exception | None = None
    for candidate in (spelling, spelling.casefold()):
        try:
            parsed = registry.Quantity(1.0, registry.parse_units(candidate))
            return number * float(parsed.to(kind.unit).magnitude)
        except pint.DimensionalityError as error:
            other_kind = other_kind or error  # `Gal` is an acceleration, but no maker means that
        except (pint.PintError, ValueError, TypeError, ArithmeticError, AssertionError):
            continue  # pint's parser asserts on text that is no unit at all
    if other_kind is not None:
        raise _fault(kind, text, f"{unit} is no unit of {kind.name}") from other_kind
    raise _fault(kind, text, f"{unit!r} is not a unit that is known")


def _read(kind: Kind, text: str) -> float:
    total = 0.0
    for number, unit in _parts(kind, text):
        if not unit:
            raise _fault(kind, text, "the unit is missing")
        total += _converted(kind, text, number, unit)
    return _in_range(kind, text, total)


def mass_g(text: str) -> float:
    """Grams of `500 g`, `5.5lb`, `5 lb 8 oz`; 0 to 10 tonnes."""
    return _read(MASS, text)


def volume_l(text: str) -> float:
    """Litres of `500 mL`, `18 L`, `4.8gal` (US); 0 to 10000 L."""
    return _read(VOLUME, text)


def pressure_kpa(text: str) -> float:
    """Kilopascals, gauge as they are read, of `1.1 bar`, `16 psi`; 0 to 1000 kPa."""
    return _read(PRESSURE, text)


def concentration_mg_l(text: str) -> float:
    """Milligrams per litre of `40 mg/L`, `40 ppm`, `0.5 g/L`, `1 oz/gal`."""
    return _read(CONCENTRATION, text)


def duration_hours(text: str) -> float:
    """Hours of `36 h`, `14 days`, `2 weeks`; up to ten years."""
    return _read(DURATION, text)


_DEGREE_SIGN: Final = re.compile(r"^(?:°|º|deg(?:rees?)?)\s*|_")
_TO_CELSIUS: Final[dict[str, Callable[[float], float]]] = {
    "c": float,
    "celsius": float,
    "f": celsius_from_fahrenheit,
    "fahrenheit": celsius_from_fahrenheit,
    "k": lambda kelvin: kelvin - ZERO_CELSIUS_K,
    "kelvin": lambda kelvin: kelvin - ZERO_CELSIUS_K,
}


def temperature_c(text: str) -> float:
    """Degrees Celsius of `18 degC`, `65F`, `291 K`; -10 to 110. A bare number is refused: it could be
    either."""
    number, unit = _single(TEMPERATURE, text)
    if not unit:
        raise _fault(TEMPERATURE, text, "the unit is missing")
    convert = _TO_CELSIUS.get(_DEGREE_SIGN.sub("", unit.casefold()))
    if convert is None:
        raise _fault(TEMPERATURE, text, f"{unit} is no unit of temperature")
    return _in_range(TEMPERATURE, text, convert(number))


_TO_SG: Final[dict[str, Callable[[float], float]]] = {
    "": float,
    "sg": float,
    "p": sg_from_plato,
    "plato": sg_from_plato,
    "bx": sg_from_plato,
    "brix": sg_from_plato,
    "oe": sg_from_oechsle,
    "oechsle": sg_from_oechsle,
    "points": lambda points: 1.0 + points / POINTS_PER_SG,
    "pt": lambda points: 1.0 + points / POINTS_PER_SG,
    "kg/m3": sg_from_density,
    "kg/m^3": sg_from_density,
    "kg/m³": sg_from_density,
    "g/ml": lambda density: sg_from_density(1e3 * density),
    "g/l": sg_from_density,
}


def gravity_sg(text: str) -> float:
    """SG 20/20 of `1.040`, `10 degP`, `10 Bx`, `40 Oe`, `40 points`, `1038 kg/m3` (at 20 degC); 0.95 to
    1.5."""
    number, unit = _single(GRAVITY, text)
    convert = _TO_SG.get(_DEGREE_SIGN.sub("", unit.casefold()))
    if convert is None:
        raise _fault(GRAVITY, text, f"{unit} is no unit of gravity")
    if unit and not -100.0 <= number <= 2_000.0:
        raise _fault(GRAVITY, text, "out of range")
    return _in_range(GRAVITY, text, convert(number))


def strength_abv(text: str) -> float:
    """Per cent by volume of `5.5%`, `5.5 % vol`, `5.5`; 0 to 25."""
    number, unit = _single(STRENGTH, text)
    if unit.casefold() not in {"", "%", "% vol", "%vol", "abv", "% abv", "%abv"}:
        raise _fault(STRENGTH, text, f"{unit} is no unit of strength by volume")
    return _in_range(STRENGTH, text, number)


def ph(text: str) -> float:
    """pH of `3.6`, `pH 3.6`; 2 to 6."""
    number, unit = _single(PH, re.sub(r"^\s*ph\s*", "", text, flags=re.IGNORECASE))
    if unit:
        raise _fault(PH, text, "pH has no unit")
    return _in_range(PH, text, number)


def share(text: str) -> float:
    """A fraction of `17.2%` or `0.172`; 0 to 1."""
    return _share(SHARE, text)


def attenuation(text: str) -> float:
    """Apparent attenuation of `96%`, `1.03`; 0.2 to 1.5."""
    return _share(ATTENUATION, text)


def _share(kind: Kind, text: str) -> float:
    number, unit = _single(kind, text)
    if unit not in {"", "%"}:
        raise _fault(kind, text, f"{unit} is no unit of {kind.name}")
    return _in_range(kind, text, number / 100.0 if unit else number)
