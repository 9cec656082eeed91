"""Which column of a foreign table is what: guessed from headings and values, or said by the maker."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.errors import InputError, QuantityError
from monitor.replay.grid import Cell, Table
from monitor.replay.moments import Style, guessed, is_time_of_day
from monitor.sensors.intake import POSSIBLE, intake, units_of
from monitor.units import Quantity

SAMPLED: Final = 200
"""Rows looked at for a guess."""
THOUSANDTHS: Final = "sg*1000"
"""Specific gravity written as 1043 for 1.043."""
NO_VALUE: Final = {"", "-", "--", "n/a", "na", "nan", "none", "null", "unknown", "unavailable", "#n/a"}
"""Texts that stand for nothing measured: left out without a complaint."""

_WORDS: Final[tuple[tuple[Quantity, tuple[str, ...]], ...]] = (
    (Quantity.SAMPLE_GRAVITY, ("sample", "by hand", "hand ")),
    (Quantity.AMBIENT_TEMPERATURE, ("ambient", "room", "air temp", "outside", "raum")),
    (Quantity.GRAVITY, ("gravity", "density", "plato", "brix", "oechsle", "extract", "dichte", "sg")),
    (Quantity.ANGLE, ("angle", "inclination", "winkel")),
    (Quantity.BATTERY, ("battery", "batterie", "volt")),
    (Quantity.SIGNAL, ("signal", "rssi", "dbm")),
    (Quantity.PRESSURE, ("pressure", "druck", "kpa", "psi")),
    (Quantity.TEMPERATURE, ("temp", "degc", "degf", "°c", "°f", "celsius", "fahrenheit", "kelvin")),
)
"""Words in a heading; the first row that fits counts."""
_TIME_WORDS: Final = ("time", "date", "when", "zeit", "datum", "measured", "created", "_at")
_ELAPSED_WORDS: Final = (
    ("minutes", ("minute", "_min")),
    ("hours", ("hour", "_h", "h")),
    ("days", ("day", "d")),
)
_ARRIVAL_WORDS: Final = ("received", "arrived", "arrival")
_SENSOR_WORDS: Final = ("sensor", "device", "float", "probe", "entity", "source")
_UNIT_WORDS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("degF", ("degf", "°f", "fahrenheit", "(f)", "[f]")),
    ("degC", ("degc", "°c", "celsius", "(c)", "[c]")),
    ("K", ("kelvin", "(k)", "[k]")),
    ("plato", ("plato", "°p", "degp")),
    ("brix", ("brix",)),
    ("oechsle", ("oechsle", "°oe")),
    ("kg/m3", ("kg/m3", "kg/m³", "g/l")),
    ("g/cm3", ("g/cm3", "g/cm³", "g/ml")),
    ("mV", ("mv",)),
    ("psi", ("psi",)),
    ("mbar", ("mbar",)),
    ("hPa", ("hpa",)),
    ("kPa", ("kpa",)),
    ("bar", ("bar",)),
)


@dataclass(frozen=True, slots=True)
class Measured:
    """A column of measured values."""

    place: int
    """Of the column, from 0."""
    quantity: Quantity
    unit: str
    sensor: str | None = None
    """None: as the sensor column or the table's own name says."""


@dataclass(frozen=True, slots=True)
class Tall:
    """A table with one value a row: columns for what was measured, its value and, if any, its unit."""

    quantity: int
    value: int
    unit: int | None = None
    units: tuple[tuple[Quantity, str], ...] = ()
    """What the quantities are in where no column says so."""


@dataclass(frozen=True, slots=True)
class Columns:
    """What every column is."""

    time: int
    style: Style
    clock: int | None = None
    """Column of the time of day where the day stands apart."""
    measured: tuple[Measured, ...] = ()
    tall: Tall | None = None
    sensor: int | None = None
    received: int | None = None
    decimal_comma: bool = False

    @property
    def used(self) -> frozenset[int]:
        """Places of all columns that are read."""
        places = [self.time, self.clock, self.sensor, self.received, *(each.place for each in self.measured)]
        if self.tall is not None:
            places += [self.tall.quantity, self.tall.value, self.tall.unit]
        return frozenset(place for place in places if place is not None)


def convert_of(quantity: Quantity, unit: str) -> tuple[Quantity, Callable[[float], float]]:
    """What is kept of a quantity in a unit, and the conversion; it gives nan where nothing sensible follows.

    InputError where the quantity does not come in that unit.
    """
    if unit == THOUSANDTHS and quantity in (Quantity.GRAVITY, Quantity.SAMPLE_GRAVITY):
        return quantity, lambda value: value / 1_000.0
    try:
        way = intake(quantity, unit)
    except QuantityError as fault:
        raise InputError(str(fault), hint=fault.hint) from fault
    return way.quantity, way.convert


def units_for(quantity: Quantity) -> tuple[str, ...]:
    """Units a column of this quantity may be in."""
    units = units_of(quantity)
    return (*units, THOUSANDTHS) if quantity in (Quantity.GRAVITY, Quantity.SAMPLE_GRAVITY) else units


def share_possible(values: Sequence[float], quantity: Quantity, unit: str) -> float:
    """The share of the values that could have been measured at all, if they are in this unit."""
    kept, convert = convert_of(quantity, unit)
    low, high = POSSIBLE[kept]
    return sum(low <= convert(value) <= high for value in values) / len(values) if values else 0.0


def number_of(cell: Cell, *, decimal_comma: bool) -> float:
    """The number in a cell; ValueError for anything else, digits in groups among it.

    A unit after the number is not looked at: the column's counts.
    """
    if isinstance(cell, bool) or not isinstance(cell, str | float | int):
        raise ValueError(f"{str(cell)[:30]!r} is no number")
    if not isinstance(cell, str):
        value = float(cell)
    else:
        text = cell.replace(",", ".") if decimal_comma and "." not in cell else cell
        match = _LEADING_NUMBER.fullmatch(text)
        if match is None:
            raise ValueError(f"{cell[:30]!r} is no number")
        value = float(match[1])
    if not math.isfinite(value):
        raise ValueError(f"{str(cell)[:30]!r} is no finite number")
    return value


_LEADING_NUMBER: Final = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*[^\d.,\s]{0,8}\s*")


def guess(table: Table, timed: tuple[int, Style, int | None] | None = None) -> Columns:
    """What the columns seem to be; InputError where no column can be the time.

    `timed` is what is known of the time: its column, how it is written, and the column of the time of day.
    """
    sample = table.sample(SAMPLED)
    if not sample:
        raise InputError(f"{table.name} has a heading and no row", hint="There is nothing to import.")
    columns = [
        [row[place] if place < len(row) else "" for row in sample] for place in range(len(table.headings))
    ]
    comma = _decimal_comma(columns)
    time, style, clock = _time_column(table, columns) if timed is None else timed
    taken = {time, clock}

    def named(words: tuple[str, ...]) -> int | None:
        free = [place for place in range(len(columns)) if place not in taken]
        return next((place for place in free if _mentions(table.headings[place], words)), None)

    received = named(_ARRIVAL_WORDS)
    taken.add(received)
    tall = _tall(table, columns, comma)
    if tall is not None:
        taken |= {tall.quantity, tall.value, tall.unit}
        return Columns(time, style, clock, (), tall, named(_SENSOR_WORDS), received, comma)
    sensor = next(
        (
            place
            for place, heading in enumerate(table.headings)
            if place not in taken
            and _mentions(heading, _SENSOR_WORDS)
            and not _numbers(columns[place], comma)
        ),
        None,
    )
    taken.add(sensor)
    measured: list[Measured] = []
    for place, heading in enumerate(table.headings):
        values = _numbers(columns[place], comma)
        quantity = _quantity(heading)
        if place in taken or quantity is None or not values:
            continue
        again = any(each.quantity is quantity for each in measured)
        own = _sensor_named(heading) if again or quantity is Quantity.SAMPLE_GRAVITY else None
        measured.append(Measured(place, quantity, guessed_unit(heading, quantity, values), own))
    return Columns(time, style, clock, tuple(measured), None, sensor, received, comma)


def guessed_unit(heading: str, quantity: Quantity, values: Sequence[float]) -> str:
    """The unit that the heading names if the values can be in it, or else the one that they fit."""
    lowered = heading.lower()
    allowed = units_for(quantity)
    for unit, words in _UNIT_WORDS:
        if unit in allowed and any(word in lowered for word in words):
            return unit
    middle = sorted(values)[len(values) // 2]
    if quantity in (Quantity.GRAVITY, Quantity.SAMPLE_GRAVITY):
        if 0.9 <= middle <= 1.3:
            return "sg"
        if 900.0 <= middle <= 1_300.0:
            return "kg/m3" if "dens" in lowered or "dicht" in lowered else THOUSANDTHS
        return "plato"
    if quantity in (Quantity.TEMPERATURE, Quantity.AMBIENT_TEMPERATURE):
        return "K" if middle > 200.0 else "degF" if middle > 45.0 else "degC"
    if quantity is Quantity.BATTERY:
        return "V" if middle < 20.0 else "%" if middle <= 100.0 else "mV"
    return allowed[0]


def _sensor_named(heading: str) -> str:
    """A sensor's name made of a heading, for a second column of one quantity."""
    return (
        re.sub(r"[,\s]+", "-", "".join(c for c in heading if c.isprintable())).strip("-").lower()[:60]
        or "second"
    )


def _mentions(heading: str, words: tuple[str, ...]) -> bool:
    lowered = heading.lower()
    # a word of two letters must stand alone: 'sg' is not in 'message'
    return any(
        re.search(rf"(?<![a-z]){re.escape(word)}(?![a-z])", lowered) if len(word) < 3 else word in lowered
        for word in words
    )


def _quantity(heading: str) -> Quantity | None:
    return next((quantity for quantity, words in _WORDS if _mentions(heading, words)), None)


def _numbers(cells: Sequence[Cell], comma: bool) -> list[float]:
    found = []
    for cell in cells:
        try:
            found.append(number_of(cell, decimal_comma=comma))
        except ValueError:
            continue
    return found


def _decimal_comma(columns: Sequence[Sequence[Cell]]) -> bool:
    texts = [cell for cells in columns for cell in cells if isinstance(cell, str)]
    commas = sum(re.fullmatch(r"[+-]?\d+,\d+", text) is not None for text in texts)
    points = sum(re.fullmatch(r"[+-]?\d+\.\d+", text) is not None for text in texts)
    return commas > points


def _time_column(table: Table, columns: Sequence[Sequence[Cell]]) -> tuple[int, Style, int | None]:
    """The column of the time, how it is written, and the column of the time of day if that stands apart."""
    found: list[tuple[bool, bool, int, Style]] = []
    for place, cells in enumerate(columns):
        if is_time_of_day(cells):
            continue
        style = guessed(cells)
        named = _mentions(table.headings[place], _TIME_WORDS)
        arrival = _mentions(table.headings[place], _ARRIVAL_WORDS)
        if style is not None and (named or style.name not in ("serial",)):
            found.append((not named, arrival, place, style))
    elapsed = _elapsed_column(table, columns)
    if not found and elapsed is not None:
        return (*elapsed, None)
    if not found:
        raise InputError(
            f"{table.name}: no column reads as a time",
            hint=f"Name it: --time HEADING, --time-format STYLE. Columns: {', '.join(table.headings)}.",
        )
    _, _, place, style = min(found, key=lambda each: each[:3])
    clocks = [at for at, cells in enumerate(columns) if at != place and is_time_of_day(cells)]
    if clocks:
        joined = guessed(columns[place], columns[clocks[0]])
        if joined is not None and _day_only(columns[place]):
            return place, joined, clocks[0]
    return place, style, None


def _elapsed_column(table: Table, columns: Sequence[Sequence[Cell]]) -> tuple[int, Style] | None:
    """A column of rising numbers whose heading says that they are minutes, hours or days."""
    for place, heading in enumerate(table.headings):
        unit = next((unit for unit, words in _ELAPSED_WORDS if _mentions(heading, words)), None)
        numbers = _numbers(columns[place], comma=True)
        if unit is not None and numbers and numbers == sorted(numbers):
            return place, Style(unit)
    return None


def _day_only(cells: Sequence[Cell]) -> bool:
    return not any(":" in str(cell) and not str(cell).endswith("00:00:00") for cell in cells)


def _tall(table: Table, columns: Sequence[Sequence[Cell]], comma: bool) -> Tall | None:
    lowered = [heading.lower() for heading in table.headings]

    def first(words: Sequence[str]) -> int | None:
        return next((lowered.index(word) for word in words if word in lowered), None)

    quantity, value = (
        first(("quantity", "measure", "measurement", "field")),
        first(("value", "_value", "reading")),
    )
    if quantity is None or value is None:
        return None
    if "unit" in lowered:
        return Tall(quantity, value, lowered.index("unit"))
    seen: dict[Quantity, list[Cell]] = {}
    for name, cell in zip(columns[quantity], columns[value], strict=True):
        meant = quantity_named(str(name))
        if meant is not None:
            seen.setdefault(meant, []).append(cell)
    numbers = {meant: _numbers(cells, comma) for meant, cells in seen.items()}
    return Tall(
        quantity,
        value,
        units=tuple((meant, guessed_unit("", meant, values)) for meant, values in numbers.items() if values),
    )


def quantity_named(text: str) -> Quantity | None:
    """The quantity that a cell of a tall table names; None where it names none."""
    lowered = text.strip().lower().replace(" ", "_")
    return Quantity(lowered) if lowered in {each.value for each in Quantity} else _quantity(text)
