"""Recordings: one ferment as it was measured, in a folder of two plain files.

`readings.csv` holds the rows in the order in which they arrived, `batch.toml` what the maker knew and did.
A row that cannot be understood is noted by its line number and left out; the rest is used.
"""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

from monitor.errors import RecordingError
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.must.density import sg_from_density, sg_from_plato
from monitor.replay.sheet import sheet_from, sheet_text
from monitor.units import (
    KEPT_UNIT,
    ZERO_CELSIUS_K,
    Quantity,
    celsius_from_fahrenheit,
    ms_from_rfc3339,
    rfc3339_from_ms,
)

READINGS_FILE: Final = "readings.csv"
BATCH_FILE: Final = "batch.toml"
COLUMNS: Final = ("time", "sensor", "quantity", "value", "unit")
RECEIVED: Final = "received"
MAX_FAULTS_KEPT: Final = 20
"""Faulty rows are all counted, but only so many are described."""
MAX_COMPLAINT_CHARS: Final = 120
NOT_TEXT: Final = "\ufffd"
"""Stands where bytes were no UTF-8."""

Convert = Callable[[float], float]
Lines = Callable[[], AbstractContextManager[Iterable[str]]]


def _as_is(value: float) -> float:
    return value


UNITS: Final[dict[tuple[str, str], tuple[Quantity, Convert]]] = {
    ("gravity", "sg"): (Quantity.GRAVITY, _as_is),
    ("gravity", "plato"): (Quantity.GRAVITY, sg_from_plato),
    ("gravity", "kg/m3"): (Quantity.GRAVITY, sg_from_density),
    ("sample_gravity", "sg"): (Quantity.SAMPLE_GRAVITY, _as_is),
    ("sample_gravity", "plato"): (Quantity.SAMPLE_GRAVITY, sg_from_plato),
    ("sample_gravity", "kg/m3"): (Quantity.SAMPLE_GRAVITY, sg_from_density),
    ("angle", "deg"): (Quantity.ANGLE, _as_is),
    ("temperature", "degC"): (Quantity.TEMPERATURE, _as_is),
    ("temperature", "degF"): (Quantity.TEMPERATURE, celsius_from_fahrenheit),
    ("temperature", "K"): (Quantity.TEMPERATURE, lambda kelvin: kelvin - ZERO_CELSIUS_K),
    ("ambient_temperature", "degC"): (Quantity.AMBIENT_TEMPERATURE, _as_is),
    ("ambient_temperature", "degF"): (Quantity.AMBIENT_TEMPERATURE, celsius_from_fahrenheit),
    ("ambient_temperature", "K"): (Quantity.AMBIENT_TEMPERATURE, lambda kelvin: kelvin - ZERO_CELSIUS_K),
    ("battery", "V"): (Quantity.BATTERY_VOLTAGE, _as_is),
    ("battery", "%"): (Quantity.BATTERY, _as_is),
    ("signal", "dBm"): (Quantity.SIGNAL, _as_is),
    ("pressure", "kPa"): (Quantity.PRESSURE, _as_is),
}
"""What a quantity and unit in a recording mean, and how the value becomes the unit that is kept."""


@dataclass(slots=True)
class RowFaults:
    """Rows that could not be understood: all counted, the first `MAX_FAULTS_KEPT` described."""

    count: int = 0
    described: list[tuple[int, str]] = field(default_factory=list)
    """(line number, what is wrong), in order."""

    def note(self, line: int, complaint: str) -> None:
        """Count one faulty row."""
        self.count += 1
        if len(self.described) < MAX_FAULTS_KEPT:
            self.described.append((line, complaint[:MAX_COMPLAINT_CHARS]))


@dataclass(frozen=True, slots=True)
class Recording:
    """One recorded ferment; its rows are read again from the start each time `readings` is called."""

    name: str
    title: str
    premise: Premise
    journal: tuple[JournalEntry, ...]
    truth: Truth
    lines: Lines
    """Opens the text of `readings.csv`."""

    def readings(self, faults: RowFaults | None = None) -> Iterator[Reading]:
        """The readings in order of arrival; rows that cannot be understood are noted in `faults`.

        Raises RecordingError where the file cannot be read or its heading lacks a column.
        """
        with self.lines() as lines:
            yield from parsed(lines, self.name, RowFaults() if faults is None else faults)


def parsed(lines: Iterable[str], name: str, faults: RowFaults) -> Iterator[Reading]:
    """The readings in the lines of a `readings.csv`; `name` is for complaints."""
    source = iter(lines)
    try:
        layout = _layout(next(source, ""), name)
        arrived_ms: int | None = None
        last_text, last_ms = "", 0
        for line_number, line in enumerate(source, start=2):
            try:
                cells = layout.cells(line)
                if not cells:
                    continue
                text, sensor, quantity_text, value_text, unit = (
                    cells[place].strip() for place in layout.wanted
                )
                if text != last_text:  # several sensors often share a time
                    last_ms = _moment(text)
                    last_text = text
                quantity, value = _measured(quantity_text, value_text, unit)
                if not sensor:
                    raise ValueError("no sensor")
                known_ms = last_ms
                if layout.received is not None and len(cells) > layout.received:
                    received_text = cells[layout.received].strip()
                    known_ms = _moment(received_text) if received_text else last_ms
            except (ValueError, csv.Error) as fault:
                faults.note(line_number, str(fault))
                continue
            if arrived_ms is None or known_ms > arrived_ms:
                arrived_ms = known_ms
            yield Reading(sensor, quantity, last_ms, value, arrived_ms)
    except (OSError, csv.Error) as fault:
        raise RecordingError(
            f"{name}: {READINGS_FILE} cannot be read: {fault}", hint="It must be UTF-8 text with commas."
        ) from fault


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where each column stands."""

    width: int
    wanted: tuple[int, ...]
    received: int | None

    def cells(self, line: str) -> list[str]:
        """The cells of a row, none of an empty one; ValueError where their number is wrong."""
        if NOT_TEXT in line:
            raise ValueError("bytes that are no UTF-8 text")
        cells = _cells(line)
        while len(cells) > self.width and not cells[-1].strip():
            cells.pop()  # spreadsheets pad rows with commas
        if cells and not max(self.wanted) < len(cells) <= self.width:
            raise ValueError(f"{len(cells)} cells instead of {self.width}")
        return cells


def _layout(heading: str, name: str) -> _Layout:
    columns = [cell.strip().lower() for cell in _cells(heading.removeprefix("\ufeff"))]
    missing = [column for column in COLUMNS if column not in columns]
    if missing:
        raise RecordingError(
            f"{name}: the heading of {READINGS_FILE} lacks {', '.join(missing)}",
            hint=f"The first line must read {','.join(COLUMNS)}, with {RECEIVED} after it if wanted.",
        )
    received = columns.index(RECEIVED) if RECEIVED in columns else None
    return _Layout(len(columns), tuple(columns.index(column) for column in COLUMNS), received)


def _cells(line: str) -> list[str]:
    line = line.rstrip("\r\n")
    if not line.strip(" ,"):
        return []
    if '"' in line:  # spreadsheets quote at will; nothing else needs the slower reader
        return next(csv.reader([line]))
    return line.split(",")


def _moment(text: str) -> int:
    try:
        return ms_from_rfc3339(text)
    except ValueError:
        raise ValueError(f"{text!r} is no time with an offset") from None


def _measured(quantity_text: str, value_text: str, unit: str) -> tuple[Quantity, float]:
    try:
        quantity, convert = UNITS[quantity_text, unit]
    except KeyError:
        known = [u for q, u in UNITS if q == quantity_text]
        if not known:
            raise ValueError(f"no quantity is called {quantity_text!r}") from None
        raise ValueError(f"{quantity_text} in {unit!r}; it may be in {' or '.join(known)}") from None
    try:
        given = math.nan if "_" in value_text else float(value_text)
    except ValueError:
        given = math.nan
    if not math.isfinite(given):
        raise ValueError(f"{value_text!r} is no measured value")
    try:
        value = convert(given)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise ValueError(f"{value_text} {unit} is out of any range")
    return quantity, value


def read(folder: Path, *, with_truth: bool = True) -> Recording:
    """Open the recording in a folder; its rows are not read yet.

    A replay leaves the truth out, so that nothing in it, not even a fault, can change what is said.
    Raises RecordingError, with a hint, where the folder is no recording.
    """
    batch, rows = folder / BATCH_FILE, folder / READINGS_FILE
    for path in (batch, rows):
        if not path.is_file():
            raise RecordingError(
                f"{folder} has no {path.name}",
                hint=f"A recording is a folder that holds {READINGS_FILE} and {BATCH_FILE}.",
            )
    try:
        table = tomllib.loads(batch.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise RecordingError(
            f"{batch} cannot be read: {fault}", hint="Mend the TOML; only name and pitched_at are required."
        ) from fault
    sheet = sheet_from(table, str(batch), with_truth=with_truth)
    name = folder.resolve().name

    def lines() -> AbstractContextManager[IO[str]]:
        return rows.open(encoding="utf-8", errors="replace", newline="")

    return Recording(name, sheet.title, sheet.premise, sheet.journal, sheet.truth, lines)


def write(
    folder: Path,
    *,
    title: str,
    premise: Premise,
    journal: Iterable[JournalEntry],
    truth: Truth,
    lines: Iterable[str],
) -> None:
    """Write a recording; `lines` are those of `readings.csv` with its heading (see `rows_of`).

    Raises RecordingError where the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / BATCH_FILE).write_text(sheet_text(title, premise, journal, truth), encoding="utf-8")
        with (folder / READINGS_FILE).open("w", encoding="utf-8", newline="") as out:
            out.writelines(lines)
    except OSError as fault:
        raise RecordingError(f"{folder} cannot be written: {fault}", hint="Choose another folder.") from fault


def rows_of(readings: Iterable[Reading]) -> Iterator[str]:
    """The lines of a `readings.csv`, heading first, for readings in order of arrival, in the kept units."""
    yield ",".join((*COLUMNS, RECEIVED)) + "\n"
    for reading in readings:
        quantity = reading.quantity
        named = Quantity.BATTERY if quantity is Quantity.BATTERY_VOLTAGE else quantity
        received = "" if reading.received_ms == reading.time_ms else rfc3339_from_ms(reading.received_ms)
        cells = (
            rfc3339_from_ms(reading.time_ms), reading.sensor, named.value, repr(reading.value),
            KEPT_UNIT[quantity], received,
        )  # fmt: skip
        yield ",".join(cells) + "\n"
