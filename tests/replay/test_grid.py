"""Tables as people keep them are read as headed rows."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from monitor.errors import RecordingError
from monitor.replay.grid import Grid, grid_of

HEADINGS = ("When", "SG", "Temp")
MORNING = dt.datetime(2026, 3, 1, 6, 0)  # noqa: DTZ001  a spreadsheet knows no zone


def text_file(folder: Path, text: str, name: str = "log.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def cells_of(grid: Grid) -> list[list[object]]:
    return [list(cells) for _, cells in grid.rows()]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_the_separator_is_found(tmp_path: Path, separator: str) -> None:
    """The one that cuts the lines into the same number of cells."""
    lines = [separator.join(HEADINGS), *(separator.join(("2026-03-01", "1.043", "18.2")) for _ in range(3))]
    grid = grid_of(text_file(tmp_path, "\n".join(lines)))
    assert grid.headings == HEADINGS
    assert cells_of(grid) == [["2026-03-01", "1.043", "18.2"]] * 3


def test_decimal_commas_do_not_pass_for_separators(tmp_path: Path) -> None:
    """Semicolons beside commas: the commas belong to the numbers."""
    grid = grid_of(text_file(tmp_path, "When;SG\n01.03.2026;1,043\n02.03.2026;1,041\n"))
    assert grid.separator == ";"
    assert cells_of(grid) == [["01.03.2026", "1,043"], ["02.03.2026", "1,041"]]


def test_quoted_cells_keep_their_commas(tmp_path: Path) -> None:
    """As RFC 4180 has it."""
    grid = grid_of(text_file(tmp_path, 'When,Note\n2026-03-01,"cloudy, still"\n2026-03-02,"a ""b"""\n'))
    assert cells_of(grid) == [["2026-03-01", "cloudy, still"], ["2026-03-02", 'a "b"']]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_any_usual_encoding_is_read(tmp_path: Path, encoding: str) -> None:
    """UTF-8 with and without its mark, UTF-16 with it, and Windows-1252."""
    grid = grid_of(text_file(tmp_path, "Zeit,Temperatur °C\n2026-03-01,18.2\n", encoding=encoding))
    assert grid.headings == ("Zeit", "Temperatur °C")


def test_what_stands_above_the_heading_is_skipped(tmp_path: Path) -> None:
    """A title, an empty line and a comment; rows keep the numbers a text editor shows."""
    grid = grid_of(text_file(tmp_path, "Our loft\n\n# exported,by,hand\nWhen,SG,Temp\n2026-03-01,1.04,18\n"))
    assert grid.headings == HEADINGS
    assert [number for number, _ in grid.rows()] == [5]


def test_a_table_without_a_heading_gets_one(tmp_path: Path) -> None:
    """Its first row is a row."""
    grid = grid_of(text_file(tmp_path, "2026-03-01 06:00,1.043\n2026-03-01 07:00,1.042\n"))
    assert grid.headings == ("column 1", "column 2")
    assert len(cells_of(grid)) == 2


def test_a_heading_that_comes_twice_stays_two_columns(tmp_path: Path) -> None:
    """The second carries its place."""
    grid = grid_of(text_file(tmp_path, "When,SG,SG\n2026-03-01,1.04,1.05\n"))
    assert grid.headings == ("When", "SG", "SG (3)")


def test_a_workbook_written_by_another_library_is_read(tmp_path: Path) -> None:
    """openpyxl writes .xlsx; dates come as dates, empty rows are left out, empty sheets passed over."""
    book = openpyxl.Workbook()
    book.active.title = "notes"
    sheet = book.create_sheet("readings")
    for row in (HEADINGS, (MORNING, 1.043, 18.2), (None, None, None), (MORNING, 0.998, None)):
        sheet.append(row)
    book.save(tmp_path / "log.xlsx")
    grid = grid_of(tmp_path / "log.xlsx")
    assert grid.sheet == "readings"
    assert grid.headings == HEADINGS
    assert [(number, list(cells)) for number, cells in grid.rows()] == [
        (2, [MORNING, 1.043, 18.2]),
        (4, [MORNING, 0.998, ""]),
    ]


def test_an_open_document_sheet_is_read(tmp_path: Path) -> None:
    """odfpy writes .ods."""
    document = OpenDocumentSpreadsheet()
    table = Table(name="loft")
    for row in (HEADINGS, ("2026-03-01T06:00:00", 1.043, 18.2)):
        line = TableRow()
        for value in row:
            cell = (
                TableCell(valuetype="string", stringvalue=value)
                if isinstance(value, str)
                else TableCell(valuetype="float", value=value)
            )
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        table.addElement(line)
    document.spreadsheet.addElement(table)
    document.save(tmp_path / "log.ods")
    grid = grid_of(tmp_path / "log.ods")
    assert grid.headings == HEADINGS
    assert cells_of(grid) == [["2026-03-01T06:00:00", 1.043, 18.2]]


def test_a_sheet_is_chosen_by_name(tmp_path: Path) -> None:
    """And one that is not there is refused with the names of those that are."""
    book = openpyxl.Workbook()
    book.active.append(HEADINGS)
    second = book.create_sheet("second")
    second.append(("Time", "Plato"))
    second.append(("2026-03-01", 10.0))
    book.save(tmp_path / "log.xlsx")
    assert grid_of(tmp_path / "log.xlsx", sheet="second").headings == ("Time", "Plato")
    with pytest.raises(RecordingError) as caught:
        grid_of(tmp_path / "log.xlsx", sheet="third")
    assert "second" in caught.value.hint


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("empty.csv", b"", "empty"),
        ("blank.csv", b"\n\n  \n", "empty"),
        ("torn.xlsx", b"this is no workbook", "workbook"),
        ("torn.ods", b"", "workbook"),
    ],
)
def test_a_file_that_holds_no_table_is_refused(tmp_path: Path, name: str, content: bytes, word: str) -> None:
    """With a word that says what is wrong with it."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(RecordingError, match=word):
        grid_of(tmp_path / name)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """By name."""
    with pytest.raises(RecordingError, match=r"none\.csv"):
        grid_of(tmp_path / "none.csv")


def test_bytes_that_are_no_text_do_not_stop_the_reading(tmp_path: Path) -> None:
    """Nulls are dropped, the row is a row."""
    (tmp_path / "log.csv").write_bytes(b"When,SG\n2026-03-01,1.0\x0043\n")
    assert cells_of(grid_of(tmp_path / "log.csv")) == [["2026-03-01", "1.043"]]


def test_a_sample_stops_early_and_rows_start_anew(tmp_path: Path) -> None:
    """Both may be asked for again."""
    grid = grid_of(text_file(tmp_path, "a,b\n" + "1,2\n" * 50))
    assert len(grid.sample(3)) == 3
    assert len(cells_of(grid)) == len(cells_of(grid)) == 50
