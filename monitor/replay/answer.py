"""The answer of an InfluxDB as a table: a row for each point, its series and tags in columns of their own."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from typing import Final

from monitor.errors import RecordingError
from monitor.replay.grid import Cell, Row
from monitor.store.influx_read import Block, InfluxPlace, blocks

SERIES: Final = "measurement"
"""Heading of the column with the series' name."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a query gives; it is asked again for each reading of the rows."""

    place: InfluxPlace
    query: str
    headings: tuple[str, ...]

    @property
    def name(self) -> str:
        """The address asked."""
        return self.place.url

    def rows(self) -> Generator[Row, None, None]:
        """Rows numbered from 1; what a later series has beyond the first one's columns is not looked at."""
        asked = blocks(self.place, self.query)
        number = 0
        with closing(asked):
            for block in asked:
                fixed, spots = _layout(block, self.headings)
                for values in block.rows:
                    number += 1
                    cells: list[Cell] = list(fixed)
                    for spot, place in spots:
                        value = values[place]
                        cells[spot] = "" if value is None else value
                    yield number, cells

    def sample(self, most: int) -> list[Sequence[Cell]]:
        """The first rows' cells."""
        rows = self.rows()
        with closing(rows):
            return [cells for _, cells in islice(rows, most)]


def _layout(block: Block, headings: tuple[str, ...]) -> tuple[list[Cell], list[tuple[int, int]]]:
    """Cells that are the same in all rows of a block, and which column goes where."""
    fixed: list[Cell] = [""] * len(headings)
    for name, text in ((SERIES, block.name), *block.tags):
        if name in headings:
            fixed[headings.index(name)] = text
    spots = [(headings.index(name), place) for place, name in enumerate(block.columns) if name in headings]
    return fixed, spots


def answer_of(place: InfluxPlace, query: str) -> Answer:
    """Ask once for the columns; RecordingError where the answer is empty, else errors as `blocks`."""
    asked = blocks(place, query)
    with closing(asked):
        first = next(asked, None)
    if first is None:
        raise RecordingError(f"{place.url}: the query gives no row", hint="Is the measurement's name right?")
    own = (*first.columns, *(name for name, _ in first.tags))
    return Answer(place, query, (*own, SERIES) if SERIES not in own else own)
