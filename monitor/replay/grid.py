"""Tables as people keep them: text with any separator, or a sheet of a workbook, as headed rows.

Text is read as UTF-8, UTF-16 with its mark, or else Windows-1252, which any bytes are. Its separator is the
one that cuts the first lines into the same number of cells. Lines before the heading (a title, a comment) are
skipped. Rows of text are read one by one: a table may be larger than memory.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice
from pathlib import Path
from typing import Final, Protocol

from python_calamine import CalamineError, CalamineWorkbook

from monitor.errors import RecordingError

Cell = str | float | bool | datetime | date | time | timedelta
"""As a sheet has it; from text always `str`. An empty cell is an empty `str`."""
Row = tuple[int, Sequence[Cell]]
"""Line or row number as the maker's program shows it, and the cells."""

SEPARATORS: Final = (",", ";", "\t", "|")
WORKBOOKS: Final = (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods")
SNIFFED_LINES: Final = 60
SNIFFED_BYTES: Final = 65_536
MOST_COLUMNS: Final = 400


class Table(Protocol):
    """Headed rows, wherever they come from."""

    @property
    def name(self) -> str:
        """For complaints."""
        ...

    @property
    def headings(self) -> tuple[str, ...]:
        """One for each column, each once."""
        ...

    def rows(self) -> Generator[Row, None, None]:
        """All rows, from the start each time."""
        ...

    def sample(self, most: int) -> list[Sequence[Cell]]:
        """The cells of the first rows."""
        ...


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: its headings, and where its rows are read from each time."""

    name: str
    """For complaints: the file, and the sheet where there are several."""
    headings: tuple[str, ...]
    """`column 1` and so on where the table has none."""
    path: Path
    first_row: int
    """Number of the first row below the heading."""
    sheet: str | None = None
    separator: str = ","
    encoding: str = "utf-8-sig"

    def rows(self) -> Generator[Row, None, None]:
        """The rows below the heading, empty ones left out; RecordingError where the file cannot be read."""
        source = (
            _text_rows(self.path, self.encoding, self.separator)
            if self.sheet is None
            else _sheet_rows(self.path, self.sheet)
        )
        with closing(source):
            for number, cells in source:
                if number >= self.first_row and any(cell != "" for cell in cells):
                    yield number, cells

    def sample(self, most: int) -> list[Sequence[Cell]]:
        """The first rows' cells, for guessing what they are."""
        rows = self.rows()
        with closing(rows):
            return [cells for _, cells in islice(rows, most)]


def grid_of(path: Path, *, sheet: str | None = None) -> Grid:
    """The table in a file; `sheet` names one of a workbook's, the first that holds anything otherwise.

    Raises RecordingError for a file that cannot be read or holds no table.
    """
    if not path.is_file():
        raise RecordingError(f"there is no file {path}", hint="Give a .csv, .tsv, .txt, .xlsx or .ods file.")
    if path.suffix.lower() in WORKBOOKS:
        return _from_workbook(path, sheet)
    encoding = _encoding(path)
    separator = _separator(path, encoding)
    first = list(islice(_text_rows(path, encoding, separator), SNIFFED_LINES))
    headings, first_row = _headings(first, str(path))
    return Grid(str(path), headings, path, first_row, None, separator, encoding)


def _from_workbook(path: Path, sheet: str | None) -> Grid:
    try:
        workbook = CalamineWorkbook.from_path(str(path))
        names = workbook.sheet_names
    except (CalamineError, OSError) as fault:
        raise RecordingError(
            f"{path} cannot be read as a workbook: {fault}", hint="Save it again as .xlsx, .ods or .csv."
        ) from fault
    if sheet is not None and sheet not in names:
        raise RecordingError(f"{path} has no sheet {sheet!r}", hint=f"Its sheets are {', '.join(names)}.")
    for name in names if sheet is None else [sheet]:
        first = list(islice(_sheet_rows(path, name), SNIFFED_LINES))
        if any(cell != "" for _, cells in first for cell in cells):
            shown = f"{path}, sheet {name}" if len(names) > 1 else str(path)
            headings, first_row = _headings(first, shown)
            return Grid(shown, headings, path, first_row, name)
    raise RecordingError(f"{path} is empty", hint="It has no row at all.")


def _sheet_rows(path: Path, sheet: str) -> Generator[Row, None, None]:
    try:
        table = CalamineWorkbook.from_path(str(path)).get_sheet_by_name(sheet)
        yield from enumerate(table.iter_rows(), start=1)
    except (CalamineError, OSError) as fault:
        raise RecordingError(f"{path} cannot be read: {fault}", hint="Save it again.") from fault


def _text_rows(path: Path, encoding: str, separator: str) -> Generator[Row, None, None]:
    """Cells stripped; the number is that of the line a row ends on, as a text editor counts."""
    try:
        with path.open(encoding=encoding, errors="replace", newline="") as lines:
            reader = csv.reader((line.replace("\0", "") for line in lines), delimiter=separator)
            for cells in reader:
                yield reader.line_num, [cell.strip() for cell in cells]
    except (OSError, csv.Error) as fault:
        raise RecordingError(f"{path} cannot be read: {fault}", hint="It must be a text of rows.") from fault


def _encoding(path: Path) -> str:
    try:
        with path.open("rb") as file:
            start = file.read(SNIFFED_BYTES)
    except OSError as fault:
        raise RecordingError(f"{path} cannot be read: {fault}", hint="Is it yours to read?") from fault
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        start.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        if fault.start < len(start) - 4:  # a character cut in two by the end of the sample is no fault
            return "cp1252"
    return "utf-8-sig"


def _separator(path: Path, encoding: str) -> str:
    """The separator by which most of the first lines have the same number of cells, and more than one."""

    def agreement(separator: str) -> tuple[int, int]:
        rows = islice(_text_rows(path, encoding, separator), SNIFFED_LINES)
        widths = Counter(len(cells) for _, cells in rows if len(cells) > 1)
        width, count = max(widths.items(), key=lambda pair: (pair[1], pair[0]), default=(0, 0))
        return count, width

    # of two that cut as evenly, a decimal comma is told from a separator by the semicolons beside it
    scored = {separator: agreement(separator) for separator in SEPARATORS}
    best = max(count for count, _ in scored.values())
    even = [separator for separator in SEPARATORS if scored[separator][0] >= 0.9 * best]
    stronger = [separator for separator in even if separator != ","]
    return stronger[0] if stronger and best else ","


def _headings(first: Sequence[Row], name: str) -> tuple[tuple[str, ...], int]:
    """The headings, and the number of the first row below them."""
    widths = Counter(_width(cells) for _, cells in first if _width(cells))
    if not widths:
        raise RecordingError(f"{name} is empty", hint="It has no row at all.")
    width = max(widths.items(), key=lambda pair: (pair[1], pair[0]))[0]
    if width > MOST_COLUMNS:
        raise RecordingError(f"{name} has {width} columns", hint=f"At most {MOST_COLUMNS} can be read.")
    for number, cells in first:
        filled = [cell for cell in cells if cell != ""]
        if len(filled) < min(2, width) or str(filled[0]).startswith("#"):
            continue
        if all(isinstance(cell, str) and not _is_number(cell) for cell in filled) and _is_heading(filled):
            names = [str(cell).strip() or f"column {place}" for place, cell in enumerate(cells, start=1)]
            return tuple(_each_once(names)), number + 1
        return tuple(f"column {place}" for place in range(1, max(width, len(cells)) + 1)), number
    raise RecordingError(f"{name} has no row with two cells", hint="A reading needs a time and a value.")


def _width(cells: Sequence[Cell]) -> int:
    """Cells up to the last that is not empty."""
    return max((place for place, cell in enumerate(cells, start=1) if cell != ""), default=0)


def _each_once(names: Sequence[str]) -> Iterator[str]:
    """The names, a repeated one with its place."""
    seen: set[str] = set()
    for place, name in enumerate(names, start=1):
        unique = name if name not in seen else f"{name} ({place})"
        seen.add(unique)
        yield unique


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _is_heading(cells: Sequence[Cell]) -> bool:
    """Whether none of the cells begins like a date: a heading may hold a digit, but begins with none."""
    return not any(str(cell)[:1].isdigit() for cell in cells)
