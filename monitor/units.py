"""What is measured and in which unit it is kept.

Inside carboyd every quantity has one unit; conversion happens once, at the rim. Times are integer
milliseconds of Unix time (UTC), named `*_ms`; durations are hours or days, named so.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import Final

MS_PER_SECOND: Final = 1_000
MS_PER_MINUTE: Final = 60 * MS_PER_SECOND
MS_PER_HOUR: Final = 60 * MS_PER_MINUTE
MS_PER_DAY: Final = 24 * MS_PER_HOUR

POINTS_PER_SG: Final = 1_000.0
"""A gravity point is a thousandth of specific gravity: 1.040 is 40 points."""

ZERO_CELSIUS_K: Final = 273.15
LB_KG: Final = 0.45359237
US_GAL_L: Final = 3.785411784
OZ_G: Final = 28.349523125
PSI_KPA: Final = 6.894757293168361


class Quantity(StrEnum):
    """What a reading is of; the comment gives the unit it is kept in."""

    GRAVITY = "gravity"  # specific gravity 20/20 degC
    ANGLE = "angle"  # degrees of the float to the vertical
    TEMPERATURE = "temperature"  # degC, of the liquid
    AMBIENT_TEMPERATURE = "ambient_temperature"  # degC, of the room
    BATTERY = "battery"  # per cent left
    BATTERY_VOLTAGE = "battery_voltage"  # V
    SIGNAL = "signal"  # dBm, received power
    SAMPLE_GRAVITY = "sample_gravity"  # specific gravity 20/20 degC of a hand sample: the reference
    PRESSURE = "pressure"  # kPa


KEPT_UNIT: Final[dict[Quantity, str]] = {
    Quantity.GRAVITY: "sg",
    Quantity.ANGLE: "deg",
    Quantity.TEMPERATURE: "degC",
    Quantity.AMBIENT_TEMPERATURE: "degC",
    Quantity.BATTERY: "%",
    Quantity.BATTERY_VOLTAGE: "V",
    Quantity.SIGNAL: "dBm",
    Quantity.SAMPLE_GRAVITY: "sg",
    Quantity.PRESSURE: "kPa",
}
"""The unit each quantity is kept in, by the spelling that recordings use."""


def celsius_from_fahrenheit(temperature_f: float) -> float:
    """Degrees Celsius of degrees Fahrenheit (exact, by definition)."""
    return (temperature_f - 32.0) / 1.8


def fahrenheit_from_celsius(temperature_c: float) -> float:
    """Degrees Fahrenheit of degrees Celsius (exact, by definition)."""
    return temperature_c * 1.8 + 32.0


def decimal(value: float, places: int) -> str:
    """The number with so many decimals, half away from zero as people round: 1.0385 is 1.039.

    What a float's binary fraction adds behind the tenth decimal is nobody's measurement.
    """
    if not math.isfinite(value):
        return f"{value:.{places}f}"
    exact = Decimal(repr(round(float(value), 10))).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    return f"{exact if exact else abs(exact):f}"  # nought has no sign


def degrees(value: float) -> str:
    """Degrees to a tenth, and without it where it is nought: `19.5`, `65`."""
    return decimal(value, 1).removesuffix(".0")


def ms_from_datetime(moment: datetime) -> int:
    """Unix milliseconds of an aware datetime.

    Raises ValueError for a naive one, because a time without an offset is not a time, and for one that is
    before the year 1 or after 9999 in UTC.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no UTC offset")
    try:
        utc = moment.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{moment.isoformat()} is beyond the calendar in UTC") from None
    # integer arithmetic: a float of seconds would lose the last millisecond
    delta = utc - datetime(1970, 1, 1, tzinfo=UTC)
    return delta.days * MS_PER_DAY + delta.seconds * MS_PER_SECOND + delta.microseconds // 1_000


def datetime_from_ms(time_ms: int) -> datetime:
    """The aware UTC datetime of Unix milliseconds."""
    whole, rest = divmod(time_ms, MS_PER_SECOND)
    return datetime.fromtimestamp(whole, tz=UTC).replace(microsecond=rest * 1_000)


def rfc3339_from_ms(time_ms: int) -> str:
    """RFC 3339 text in UTC, `2026-01-03T18:00:00Z`, with milliseconds only where there are any."""
    moment = datetime_from_ms(time_ms)
    timespec = "milliseconds" if moment.microsecond else "seconds"
    return moment.isoformat(timespec=timespec).replace("+00:00", "Z")


def ms_from_rfc3339(text: str) -> int:
    """Unix milliseconds of an RFC 3339 time; ValueError without an offset, if unreadable or out of range."""
    return ms_from_datetime(datetime.fromisoformat(text.strip()))
