"""The sheet of a batch: what the maker wrote down about it.

A sheet is checked when it is made, so one that exists can be used; a fault is an InputError that
names the value and what is allowed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from monitor.errors import InputError
from monitor.ferment.premise import Must, Premise, Yeast
from monitor.units import MS_PER_DAY, rfc3339_from_ms

HAND_PREFIX: Final = "hand."
"""Readings that a person took by hand belong to the sensor `hand.<slug>`."""

LONGEST_SLUG: Final = 40
LONGEST_NAME: Final = 120
LONGEST_SENSOR: Final = 200
LONGEST_RECIPE: Final = 20_000
MOST_OTHER_SENSORS: Final = 32

_SLUG = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*\Z")

# What a must, a yeast and a vessel can be at all; wider than any maker's habit, narrow enough for a
# slipped decimal point.
_ORIGINAL_GRAVITY_SG = (0.985, 1.250)
_VOLUME_L = (0.1, 10_000.0)
ATTENUATION = (0.2, 1.5)
_YEAST_TEMPERATURE_C = (-5.0, 45.0)
_TOLERANCE_ABV = (1.0, 25.0)
_PH = (2.0, 6.0)
_SWEETENED_SG = (0.985, 1.150)
_CARBONATION_VOLUMES = (0.0, 6.0)
_SHOWN = 60
"""So much of a wrong text is repeated to whoever gave it."""
_EPOCH_MS = (0, 253_402_300_799_999)  # to the end of the year 9999


@dataclass(frozen=True, slots=True)
class Vessel:
    """What the batch stands in."""

    capacity_l: float | None = None
    """To the brim."""
    name: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One batch, from its pitching until it is ended.

    Raises InputError when a value is impossible or two of them contradict each other.
    """

    slug: str
    """Short name for commands and addresses: lower-case letters, digits and single hyphens."""
    name: str
    pitched_ms: int
    must: Must = field(default_factory=Must)
    yeast: Yeast = field(default_factory=Yeast)
    vessel: Vessel = field(default_factory=Vessel)
    gravity_sensor: str | None = None
    """The sensor that is believed for gravity."""
    temperature_sensor: str | None = None
    """The sensor that is believed for the temperature of the liquid."""
    other_sensors: tuple[str, ...] = ()
    """Further sensors whose readings belong to the batch, the room's for one; batches may share them."""
    ended_ms: int | None = None
    recipe: str = ""
    """Free text."""
    sample_ph: float | None = None
    """Measured on a hand sample; None where nobody measured."""
    sweeten_to_sg: float | None = None
    """The gravity it is meant to be sweetened to; None where it stays as it ferments out."""
    carbonation_volumes: float | None = None
    """Volumes of carbon dioxide it is meant to be served with; None or 0 for a still one."""

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for fault in _faults(self):
            raise InputError(fault, hint="correct it, or leave out what is not known")

    @property
    def open(self) -> bool:
        """Whether the batch still goes on."""
        return self.ended_ms is None

    @property
    def hand_sensor(self) -> str:
        """The sensor name that hand samples of this batch are kept under."""
        return HAND_PREFIX + self.slug

    @property
    def sensors(self) -> tuple[str, ...]:
        """Every sensor whose readings belong to the batch, each once, hand samples last."""
        named = (self.gravity_sensor, self.temperature_sensor, *self.other_sensors, self.hand_sensor)
        return tuple(dict.fromkeys(sensor for sensor in named if sensor is not None))

    def premise(self) -> Premise:
        """What the analysis may know of the batch besides its events."""
        return Premise(
            pitched_ms=self.pitched_ms,
            must=self.must,
            yeast=self.yeast,
            gravity_sensor=self.gravity_sensor,
            temperature_sensor=self.temperature_sensor,
        )


def require_pitched(sheet: Sheet, at_ms: int) -> None:
    """Raise InputError where the pitching lies more than a day ahead: nothing would be judged until then."""
    if sheet.pitched_ms > at_ms + MS_PER_DAY:
        raise InputError(
            f"pitched {_moment(sheet.pitched_ms)} lies in the future",
            hint="begin the batch when the yeast goes in; the date may be changed later",
        )


def slug_of(name: str) -> str:
    """A slug made from a name: `Orchard session, 2nd` gives `orchard-session-2nd`.

    Raises InputError where no letter or digit is left.
    """
    folded = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", folded).strip("-")[:LONGEST_SLUG].strip("-")
    if not slug:
        raise InputError(
            f"no short name can be made from {_cut(name)}",
            hint="put a letter from a to z or a digit into it; on the command line --id gives one apart",
        )
    return slug


def _faults(sheet: Sheet) -> Iterator[str]:
    yield from _naming_faults(sheet)
    yield from _time_faults(sheet)
    yield from _sensor_faults(sheet)
    yield from _range_faults(sheet)
    volume, capacity = sheet.must.volume_l, sheet.vessel.capacity_l
    if volume is not None and capacity is not None and volume > capacity:
        yield f"volume {volume:g} L does not fit the vessel: it holds {capacity:g} L"


def _naming_faults(sheet: Sheet) -> Iterator[str]:
    if not _SLUG.match(sheet.slug) or len(sheet.slug) > LONGEST_SLUG:
        yield (
            f"short name {_cut(sheet.slug)}: lower-case letters, digits and single hyphens, "
            f"at most {LONGEST_SLUG} of them"
        )
    if not sheet.name.strip() or len(sheet.name) > LONGEST_NAME or not sheet.name.isprintable():
        yield f"name {_cut(sheet.name)}: 1 to {LONGEST_NAME} printable characters"
    if len(sheet.recipe) > LONGEST_RECIPE:
        yield f"recipe of {len(sheet.recipe)} characters: at most {LONGEST_RECIPE}"


def _time_faults(sheet: Sheet) -> Iterator[str]:
    low, high = _EPOCH_MS
    if not low <= sheet.pitched_ms <= high:
        yield "pitched before 1970 or after the year 9999"
    if sheet.ended_ms is not None and not sheet.pitched_ms <= sheet.ended_ms <= high:
        yield f"ended {_moment(sheet.ended_ms)}: not before it was pitched, {_moment(sheet.pitched_ms)}"


def _moment(time_ms: int) -> str:
    low, high = _EPOCH_MS
    return rfc3339_from_ms(time_ms) if low <= time_ms <= high else "at a time that cannot be"


def _cut(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else f"{text[:_SHOWN]}...")


def _sensor_faults(sheet: Sheet) -> Iterator[str]:
    if len(sheet.other_sensors) > MOST_OTHER_SENSORS:
        yield f"{len(sheet.other_sensors)} other sensors: at most {MOST_OTHER_SENSORS}"
    for sensor in (sheet.gravity_sensor, sheet.temperature_sensor, *sheet.other_sensors):
        if sensor is None:
            continue
        if not sensor.strip() or len(sensor) > LONGEST_SENSOR or "," in sensor or not sensor.isprintable():
            yield f"sensor {_cut(sensor)}: 1 to {LONGEST_SENSOR} printable characters without a comma"
        if sensor.startswith(HAND_PREFIX):
            yield f"sensor {sensor!r}: names that begin with {HAND_PREFIX!r} are kept for hand samples"


def _range_faults(sheet: Sheet) -> Iterator[str]:
    must, yeast = sheet.must, sheet.yeast
    singles = (
        ("original gravity", must.original_gravity_sg, _ORIGINAL_GRAVITY_SG, "sg"),
        ("volume", must.volume_l, _VOLUME_L, "L"),
        ("vessel capacity", sheet.vessel.capacity_l, _VOLUME_L, "L"),
        ("alcohol tolerance", yeast.alcohol_tolerance_abv, _TOLERANCE_ABV, "% by volume"),
        ("pH", sheet.sample_ph, _PH, ""),
        ("gravity to sweeten to", sheet.sweeten_to_sg, _SWEETENED_SG, "sg"),
        ("carbonation", sheet.carbonation_volumes, _CARBONATION_VOLUMES, "volumes"),
    )
    for what, value, (low, high), unit in singles:
        # written so that NaN is a fault too
        if value is not None and not low <= value <= high:
            yield f"{what} {value:g} {unit}: {low:g} to {high:g}".replace(" :", ":")
    pairs = (
        ("expected apparent attenuation", must.expected_apparent_attenuation, ATTENUATION),
        ("yeast temperature", yeast.temperature_c, _YEAST_TEMPERATURE_C),
    )
    for what, pair, (low, high) in pairs:
        if pair is not None and not low <= pair[0] <= pair[1] <= high:
            yield f"{what} {pair[0]:g} to {pair[1]:g}: low before high, within {low:g} to {high:g}"
