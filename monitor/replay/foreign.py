"""A foreign table's rows to readings, with the columns known; what cannot be used is noted by row."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from monitor.errors import InputError
from monitor.ferment.event import Reading
from monitor.replay.columns import (
    NO_VALUE,
    Columns,
    Measured,
    convert_of,
    number_of,
    quantity_named,
    share_possible,
    units_for,
)
from monitor.replay.gathering import LeftOut
from monitor.replay.grid import Cell, Table
from monitor.replay.moments import Clock
from monitor.sensors.intake import POSSIBLE
from monitor.sensors.topics import is_sensor_name
from monitor.units import KEPT_UNIT, Quantity

TRIED_VALUES: Final = 200
HALF: Final = 0.5


@dataclass(frozen=True, slots=True)
class _Way:
    """How the values of one column come in."""

    what: str
    quantity: Quantity
    unit: str
    convert: Callable[[float], float]
    low: float
    high: float


def _way(what: str, quantity: Quantity, unit: str) -> _Way:
    kept, convert = convert_of(quantity, unit)
    return _Way(what, kept, unit, convert, *POSSIBLE[kept])


def readings_of(
    table: Table,
    columns: Columns,
    zone: ZoneInfo,
    sensor: str,
    left_out: LeftOut,
    pitched_ms: int | None = None,
) -> Iterator[Reading]:
    """The readings in the rows, in their order; `sensor` is the name of what no column names.

    A reading arrives when it was measured, unless a column says otherwise. InputError for units that do not
    belong to their quantity, and for times that count from the pitch where `pitched_ms` is not known.
    """
    ways = [(each, _way(table.headings[each.place], each.quantity, each.unit)) for each in columns.measured]
    clock, arrivals = Clock(columns.style, zone, pitched_ms), Clock(columns.style, zone, pitched_ms)
    tall_ways: dict[tuple[str, str], _Way | None] = {}
    for row, cells in table.rows():
        try:
            time_ms = clock.read(
                _at(cells, columns.time), None if columns.clock is None else _at(cells, columns.clock)
            )
            received_ms = time_ms
            if columns.received is not None and _at(cells, columns.received) != "":
                received_ms = max(arrivals.read(_at(cells, columns.received)), time_ms)
        except ValueError as fault:
            left_out.note(row, table.headings[columns.time], "no time that can be read", str(fault))
            continue
        name = sensor if columns.sensor is None else str(_at(cells, columns.sensor)).strip() or sensor
        if columns.tall is None:
            taken: Sequence[tuple[Measured, _Way]] = ways
        else:
            tall = columns.tall
            unit = "" if tall.unit is None else str(_at(cells, tall.unit)).strip()
            said = str(_at(cells, tall.quantity)).strip()
            if (said, unit) not in tall_ways and len(tall_ways) < TRIED_VALUES:
                tall_ways[said, unit] = _tall_way(said, unit, dict(tall.units))
            tall_way = tall_ways.get((said, unit))
            if tall_way is None:
                left_out.note(row, said[:40], "nothing that is kept, or not in that unit", unit)
                continue
            taken = ((Measured(tall.value, tall_way.quantity, unit), tall_way),)
        for each, way in taken:
            own = each.sensor or name
            if not is_sensor_name(own):
                left_out.note(row, "sensor", "a name that no sensor can have", own[:40])
                continue
            value = _value(_at(cells, each.place), way, columns.decimal_comma, row, left_out)
            if value is not None:
                yield Reading(own, way.quantity, time_ms, value, received_ms)


def _at(cells: Sequence[Cell], place: int) -> Cell:
    return cells[place] if place < len(cells) else ""


def _tall_way(said: str, unit: str, units: dict[Quantity, str]) -> _Way | None:
    quantity = quantity_named(said)
    if quantity is None:
        return None
    try:
        return _way(said, quantity, unit or units.get(quantity, KEPT_UNIT[quantity]))
    except InputError:
        return None


def _value(cell: Cell, way: _Way, decimal_comma: bool, row: int, left_out: LeftOut) -> float | None:
    if isinstance(cell, str) and cell.lower() in NO_VALUE:
        if cell:
            left_out.note(row, way.what, "says that there is no value", cell)
        return None
    try:
        number = number_of(cell, decimal_comma=decimal_comma)
    except ValueError as fault:
        left_out.note(row, way.what, "not a number", str(fault))
        return None
    try:
        kept = way.convert(number)
    except (OverflowError, ValueError, ZeroDivisionError):
        kept = float("nan")
    if not way.low <= kept <= way.high:  # not a number fails too
        why = f"not possible in {way.unit}: {way.low:g} to {way.high:g} {KEPT_UNIT[way.quantity]} is"
        left_out.note(row, way.what, why, f"{number:g}")
        return None
    return kept


def require_units(table: Table, columns: Columns) -> None:
    """InputError, with the unit that would fit, for a column most of whose values cannot be in its unit."""
    sample = table.sample(TRIED_VALUES)
    for each in columns.measured:
        values = []
        for cells in sample:
            try:
                values.append(number_of(_at(cells, each.place), decimal_comma=columns.decimal_comma))
            except ValueError:
                continue
        if not values or share_possible(values, each.quantity, each.unit) >= HALF:
            continue
        fitting = [
            unit for unit in units_for(each.quantity) if share_possible(values, each.quantity, unit) >= HALF
        ]
        heading = table.headings[each.place]
        raise InputError(
            f"{table.name}: {heading!r} cannot be {each.quantity.value.replace('_', ' ')} in {each.unit}: "
            f"it holds values such as {values[0]:g}",
            hint=f"In {' or '.join(fitting)} they would be possible."
            if fitting
            else "Is it another quantity?",
        )
