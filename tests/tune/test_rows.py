"""Rows are counted as they are played."""

from __future__ import annotations

from pathlib import Path

from monitor.replay.recording import read
from monitor.tune.rows import Counted, Rows

from .conftest import PLOTS, T0


def test_rows_are_counted_while_they_pass(tmp_path: Path) -> None:
    """Those used, those left out with the first complaint, those out of order, and who sent gravity."""
    folder = PLOTS[0].write(tmp_path)
    lines = PLOTS[0].lines()[:21]
    lines[3], lines[7] = lines[7], lines[3]
    lines.insert(5, "2026-01-03T19:05:00Z,float-a,gravity,murky,sg\n")
    (folder / "readings.csv").write_text("".join(lines))
    counted = Counted(read(folder))
    list(counted.events())
    rows = counted.rows
    assert (rows.used, rows.left_out) == (20, 1)
    assert rows.complaint == "line 6: 'murky' is no measured value"
    assert rows.backward == 2  # the row moved up makes the next one old, and the row moved down is
    assert rows.sensors == ("float-a",)
    assert (rows.first_ms, rows.last_ms) == (T0 + 300_000, T0 + 300_000 + 9 * 3_600_000)
    assert Rows.from_json(rows.as_json()) == rows


def test_no_rows_are_no_rows(tmp_path: Path) -> None:
    """An empty recording has counted nothing."""
    folder = PLOTS[0].write(tmp_path)
    (folder / "readings.csv").write_text("")
    (folder / "readings.csv").write_text(PLOTS[0].lines()[0])
    counted = Counted(read(folder))
    assert list(counted.events()) == []
    assert counted.rows == Rows()
