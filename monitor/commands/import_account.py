"""What an import says for itself: what the columns are taken for, what came in, and what was left out."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import click

from monitor.errors import RecordingError
from monitor.replay.columns import Columns
from monitor.replay.gathering import Gathered, LeftOut, NoteLeftOut, Reason
from monitor.replay.grid import Cell, Table
from monitor.units import KEPT_UNIT, datetime_from_ms, rfc3339_from_ms

SHOWN_CELLS: Final = 2
CELL_CHARS: Final = 24
WHAT_CHARS: Final = 24
WORDS: Final = ("note", "notiz", "comment", "remark", "bemerkung")
NOTES_LEFT_OUT: Final = "not used: words go into the journal with `carboyd batch event`"


def columns_lines(table: Table, columns: Columns, zone: str, sensor: str) -> list[str]:
    """A line for each column: its heading, its first cells, and what it is taken for."""
    sample = table.sample(SHOWN_CELLS)
    meanings = _meanings(columns, zone)
    wide = min(WHAT_CHARS, max(len(heading) for heading in table.headings))
    lines = []
    for place, heading in enumerate(table.headings):
        cells = ", ".join(_short(row[place]) for row in sample if place < len(row) and row[place] != "")
        words = any(word in heading.lower() for word in WORDS)
        meaning = meanings.get(place, NOTES_LEFT_OUT if words else "not used")
        lines.append(f"  {heading[:wide]:<{wide}}  {cells[:44]:<44}  {meaning}")
    if columns.sensor is None:
        lines.append(f"  no column names the sensor: it is called {sensor}")
    return lines


def _meanings(columns: Columns, zone: str) -> dict[int, str]:
    of_zone = f", {zone} where no offset stands" if columns.style.zoned else ""
    meanings = {columns.time: f"time, {columns.style.shown}{of_zone}"}
    if columns.clock is not None:
        meanings[columns.clock] = "time of day"
    if columns.received is not None:
        meanings[columns.received] = "time of arrival"
    if columns.sensor is not None:
        meanings[columns.sensor] = "sensor"
    for each in columns.measured:
        own = "" if each.sensor is None else f", of {each.sensor}"
        meanings[each.place] = f"{each.quantity.value.replace('_', ' ')} in {each.unit}{own}"
    if columns.tall is not None:
        meanings[columns.tall.quantity] = "what was measured"
        units = ", ".join(
            f"{quantity.value.replace('_', ' ')} in {unit}" for quantity, unit in columns.tall.units
        )
        meanings[columns.tall.value] = "its value" + (f" ({units})" if units else "")
        if columns.tall.unit is not None:
            meanings[columns.tall.unit] = "its unit"
    return meanings


def _short(cell: Cell) -> str:
    text = f"{cell:.6g}" if isinstance(cell, float) else str(cell)
    safe = "".join(char if char.isprintable() else "?" for char in text)
    return safe if len(safe) <= CELL_CHARS else safe[: CELL_CHARS - 1] + "…"


def taken_lines(gathered: Gathered, left_out: LeftOut) -> list[str]:
    """What came in, sensor by sensor, and what did not, reason by reason."""
    lines = []
    for sensor, quantity, count, low, high, first_ms, last_ms in gathered.spans():
        unit = KEPT_UNIT[quantity]
        digits = ".4f" if unit == "sg" else ".1f"
        values = f"{low:{digits}} to {high:{digits}} {unit}"
        lines.append(
            f"  {sensor[:20]:<20}  {quantity.value.replace('_', ' '):<19}  {count:>9}  "
            f"{values:<24}  {_day(first_ms)} to {_day(last_ms)} UTC"
        )
    if gathered.moved:
        lines.append(f"  {gathered.moved} stood before an earlier one and were put in order of time")
    if gathered.repeated:
        lines.append(f"  {gathered.repeated} had the sensor and time of one before and were not taken again")
    if left_out.count:
        lines.append(f"  left out: {left_out.count}")
        lines += [f"    {_reason(reason)}" for reason in left_out.listed()]
    return lines


def _reason(reason: Reason) -> str:
    rows = ", ".join(str(row) for row in reason.rows)
    more = reason.count - len(reason.rows)
    where = f"row {rows}" if reason.count == 1 else f"rows {rows}" + (f" and {more} more" if more else "")
    what = f"{reason.what}: " if reason.what else ""
    return f"{reason.count:>7}  {what}{reason.why} ({where})"


def _day(time_ms: int) -> str:
    return datetime_from_ms(time_ms).strftime("%Y-%m-%d %H:%M")


def taken_plain(gathered: Gathered, left_out: LeftOut) -> dict[str, Any]:
    """The same for programs."""
    return {
        "readings": len(gathered),
        "put_in_order": gathered.moved,
        "repeated": gathered.repeated,
        "series": [
            {
                "sensor": sensor,
                "quantity": quantity.value,
                "unit": KEPT_UNIT[quantity],
                "count": count,
                "lowest": low,
                "highest": high,
                "from": rfc3339_from_ms(first_ms),
                "until": rfc3339_from_ms(last_ms),
            }
            for sensor, quantity, count, low, high, first_ms, last_ms in gathered.spans()
        ],
        "left_out": [
            {"what": reason.what, "why": reason.why, "count": reason.count, "first_rows": reason.rows}
            for reason in left_out.listed()
        ],
    }


@contextmanager
def full_account(path: Path | None) -> Iterator[NoteLeftOut | None]:
    """Write everything that is left out into a CSV file, one line each, where the maker wants it."""
    if path is None:
        yield None
        return
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(("row", "what", "why"))
            yield lambda row, what, why: writer.writerow((row, what, why))
    except OSError as fault:
        raise RecordingError(f"{path} cannot be written: {fault}", hint="Choose another file.") from fault


def echo(lines: list[str], *, to_stderr: bool) -> None:
    """Print lines."""
    for line in lines:
        click.echo(line, err=to_stderr)
