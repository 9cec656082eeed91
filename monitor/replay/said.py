"""Columns as the maker names them, over what was guessed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor.errors import InputError
from monitor.replay.columns import (
    SAMPLED,
    Columns,
    Measured,
    convert_of,
    guess,
    guessed_unit,
    number_of,
    units_for,
)
from monitor.replay.grid import Cell, Table
from monitor.replay.moments import Style, guessed
from monitor.units import Quantity

FORM: Final = (
    "'HEADING=QUANTITY UNIT' or 'HEADING=QUANTITY UNIT SENSOR', such as 'Loft SG=gravity sg float-a'"
)


@dataclass(frozen=True, slots=True)
class Said:
    """What the maker said of the columns, by their headings; None or empty where nothing was said."""

    time: str | None = None
    time_of_day: str | None = None
    time_format: str | None = None
    received: str | None = None
    sensor: str | None = None
    measured: tuple[str, ...] = ()
    """Each as `FORM`; where there are any, no other column is read for values."""
    decimal_comma: bool | None = None


def columns_of(table: Table, said: Said, *, complete: bool = True) -> Columns:
    """What every column is; InputError for a heading that is not there or a value that cannot be.

    What the maker did not say is guessed. Unless `complete` is wanted, nothing measured may be known yet.
    """
    sample = table.sample(SAMPLED)
    if said.time is None:
        columns = guess(table)
        if said.time_format is not None:
            columns = replace(columns, style=Style(said.time_format))
    else:
        columns = _timed(table, said, said.time, sample)
    if said.received is not None:
        columns = replace(columns, received=place_of(table, said.received))
    if said.sensor is not None:
        columns = replace(columns, sensor=place_of(table, said.sensor))
    if said.decimal_comma is not None:
        columns = replace(columns, decimal_comma=said.decimal_comma)
    if said.measured:
        measured = tuple(measured_said(table, text, sample, columns.decimal_comma) for text in said.measured)
        columns = replace(columns, measured=measured, tall=None)
    if complete:
        require_measured(table, columns)
    return columns


def require_measured(table: Table, columns: Columns) -> None:
    """InputError where no column holds anything measured."""
    if not columns.measured and columns.tall is None:
        raise InputError(
            f"{table.name}: no column is known to hold anything measured",
            hint=f"Say so with --column {FORM}. Columns: {', '.join(table.headings)}.",
        )


def _timed(table: Table, said: Said, heading: str, sample: Sequence[Sequence[Cell]]) -> Columns:
    place = place_of(table, heading)
    clock = None if said.time_of_day is None else place_of(table, said.time_of_day)
    if said.time_format is not None:
        style: Style | None = Style(said.time_format)
    else:
        style = guessed(column(sample, place), None if clock is None else column(sample, clock))
    if style is None:
        cells = [str(cell) for cell in column(sample, place) if cell != ""]
        raise InputError(
            f"{table.name}: {heading!r} does not read as a time: {', '.join(cells[:3])}",
            hint="Say how it is written: --time-format '%d.%m.%Y %H:%M', unix, unix-ms or iso.",
        )
    return guess(table, (place, style, clock))


def place_of(table: Table, heading: str) -> int:
    """The place of a column; InputError names those there are."""
    if heading in table.headings:
        return table.headings.index(heading)
    alike = [place for place, name in enumerate(table.headings) if name.casefold() == heading.casefold()]
    if len(alike) != 1:
        raise InputError(
            f"{table.name} has no column {heading!r}", hint=f"Columns: {', '.join(table.headings)}."
        )
    return alike[0]


def column(sample: Sequence[Sequence[Cell]], place: int) -> list[Cell]:
    """The cells of one column."""
    return [row[place] if place < len(row) else "" for row in sample]


def measured_said(table: Table, text: str, sample: Sequence[Sequence[Cell]], decimal_comma: bool) -> Measured:
    """A measured column as the maker wrote it; without a unit the heading and the values decide."""
    heading, equals, meaning = text.rpartition("=")
    if not equals or not meaning.split():
        raise InputError(f"{text!r} does not say what a column is", hint=f"Write {FORM}.")
    place = place_of(table, heading.strip())
    return meant(table, place, meaning, column(sample, place), decimal_comma)


def meant(table: Table, place: int, meaning: str, cells: Sequence[Cell], decimal_comma: bool) -> Measured:
    """A measured column from `QUANTITY [UNIT [SENSOR]]`; InputError names what is allowed."""
    word, *rest = meaning.split(None, 2)
    try:
        quantity = Quantity(word.lower().replace("-", "_"))
    except ValueError:
        raise InputError(f"no quantity is called {word!r}", hint=f"One of {', '.join(Quantity)}.") from None
    if rest:
        unit = next((known for known in units_for(quantity) if known.lower() == rest[0].lower()), rest[0])
    else:
        values = []
        for cell in cells:
            try:
                values.append(number_of(cell, decimal_comma=decimal_comma))
            except ValueError:
                continue
        if not values:
            raise InputError(f"{table.name}: {table.headings[place]!r} holds no number")
        unit = guessed_unit(table.headings[place], quantity, values)
    convert_of(quantity, unit)
    return Measured(place, quantity, unit, rest[1].strip() if len(rest) > 1 else None)
