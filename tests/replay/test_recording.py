"""Recordings are read as their format says, and faulty rows cost only themselves."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import nullcontext
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import RecordingError
from monitor.ferment.event import Reading
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.recording import (
    MAX_FAULTS_KEPT,
    Recording,
    RowFaults,
    parsed,
    read,
    rows_of,
    write,
)
from monitor.units import Quantity, ms_from_rfc3339

HEADING = "time,sensor,quantity,value,unit\n"
T0 = ms_from_rfc3339("2026-01-03T18:00:00Z")
MINUTE = 60_000


def readings_of(lines: Iterable[str], faults: RowFaults | None = None) -> list[Reading]:
    """All readings in these lines."""
    return list(parsed(lines, "test", faults or RowFaults()))


class TestRows:
    """Each row becomes a reading in the unit that is kept."""

    def test_the_sample_of_the_format(self) -> None:
        """The three rows that the format's description shows."""
        found = readings_of(
            [
                HEADING,
                "2026-01-03T18:00:00Z,float-a,gravity,1.0431,sg\n",
                "2026-01-03T18:00:00Z,float-a,temperature,18.4,degC\n",
                "2026-01-03T18:05:00Z,probe-1,temperature,18.2,degC\n",
            ]
        )
        assert found == [
            Reading("float-a", Quantity.GRAVITY, T0, 1.0431, T0),
            Reading("float-a", Quantity.TEMPERATURE, T0, 18.4, T0),
            Reading("probe-1", Quantity.TEMPERATURE, T0 + 5 * MINUTE, 18.2, T0 + 5 * MINUTE),
        ]

    @pytest.mark.parametrize(
        ("quantity", "value", "unit", "kept", "expected"),
        [
            ("gravity", "10", "plato", Quantity.GRAVITY, 1.03998),  # sucrose table: 10 % w/w is 1.0400
            ("gravity", "0", "plato", Quantity.GRAVITY, 1.0),  # water, by definition
            ("gravity", "998.203", "kg/m3", Quantity.GRAVITY, 1.0),  # water at 20 degC
            ("sample_gravity", "1.012", "sg", Quantity.SAMPLE_GRAVITY, 1.012),
            ("temperature", "0", "degC", Quantity.TEMPERATURE, 0.0),
            ("temperature", "32", "degF", Quantity.TEMPERATURE, 0.0),  # by definition
            ("temperature", "293.15", "K", Quantity.TEMPERATURE, 20.0),  # by definition
            ("ambient_temperature", "68", "degF", Quantity.AMBIENT_TEMPERATURE, 20.0),  # by definition
            ("angle", "0", "deg", Quantity.ANGLE, 0.0),
            ("battery", "3.71", "V", Quantity.BATTERY_VOLTAGE, 3.71),
            ("battery", "0", "%", Quantity.BATTERY, 0.0),
            ("signal", "-71", "dBm", Quantity.SIGNAL, -71.0),
            ("pressure", "12.5", "kPa", Quantity.PRESSURE, 12.5),
        ],
    )
    def test_units_are_converted_once(
        self, quantity: str, value: str, unit: str, kept: Quantity, expected: float
    ) -> None:
        """Every quantity and unit of the format; zero is a value like any other."""
        (found,) = readings_of([HEADING, f"2026-01-03T18:00:00Z,s,{quantity},{value},{unit}\n"])
        assert found.quantity is kept
        assert found.value == pytest.approx(expected, abs=3e-5)

    @pytest.mark.parametrize(
        "row",
        [
            "2026-01-03T18:00:00Z,s,gravity,,sg",
            "2026-01-03T18:00:00Z,s,gravity,nan,sg",
            "2026-01-03T18:00:00Z,s,gravity,inf,sg",
            "2026-01-03T18:00:00Z,s,gravity,1e999,sg",
            "2026-01-03T18:00:00Z,s,gravity,1_0,sg",
            "2026-01-03T18:00:00Z,s,gravity,1.04,brix",
            "2026-01-03T18:00:00Z,s,temperature,20,c",
            "2026-01-03T18:00:00Z,s,mood,3,sg",
            "2026-01-03T18:00:00Z,,gravity,1.04,sg",
            "2026-01-03T18:00:00Z,s,gravity,1.04",
            "2026-01-03T18:00:00Z,s,gravity,1,04,sg",
            "2026-01-03T18:00:00,s,gravity,1.04,sg",
            "yesterday,s,gravity,1.04,sg",
            "2026-02-30T18:00:00Z,s,gravity,1.04,sg",
            "#######",
            'torn"\n"apart',
            "\x00",
            "1e308,s,gravity,1e308,plato",
            "2026-01-03T18:00:00Z,s,gravity,1e308,plato",
        ],
    )
    def test_a_row_that_cannot_be_understood_is_left_out(self, row: str) -> None:
        """It is noted by its line number; the rows about it are used."""
        good = "2026-01-03T18:00:00Z,s,gravity,1.04,sg\n"
        faults = RowFaults()
        assert len(readings_of([HEADING, good, row + "\n", good], faults)) == 2
        assert faults.count == 1
        assert faults.described[0][0] == 3

    def test_empty_lines_are_no_faults(self) -> None:
        """Spreadsheets leave empty lines, and lines of commas, at the end."""
        faults = RowFaults()
        good = "2026-01-03T18:00:00Z,s,gravity,1.04,sg\n"
        assert len(readings_of([HEADING, good, "\n", ",,,,\n"], faults)) == 1
        assert faults.count == 0

    def test_faults_are_counted_but_not_all_kept(self) -> None:
        """A file of rubbish costs no memory."""
        faults = RowFaults()
        readings_of([HEADING, *["rubbish\n"] * 1000], faults)
        assert faults.count == 1000
        assert len(faults.described) == MAX_FAULTS_KEPT

    def test_a_spreadsheet_may_have_written_it(self) -> None:
        """Byte order mark, carriage returns, quotes, spaces and offsets are read."""
        (found,) = readings_of(
            [
                '\ufeff"time",sensor,Quantity,value,unit\r\n',
                '"2026-01-03T19:00:00+01:00","float a", gravity ,"1.0431",sg\r\n',
            ]
        )
        assert found == Reading("float a", Quantity.GRAVITY, T0, 1.0431, T0)

    def test_columns_may_stand_in_another_order(self) -> None:
        """The heading says where; a row that is too short for it is left out, padding is not minded."""
        faults = RowFaults()
        found = readings_of(
            [
                "received,unit,value,quantity,sensor,time\n",
                ",sg,1.0431,gravity,a,2026-01-03T18:00:00Z,,\n",
                ",sg,1.0431,gravity,a\n",
            ],
            faults,
        )
        assert found == [Reading("a", Quantity.GRAVITY, T0, 1.0431, T0)]
        assert faults.described[0][0] == 3

    @given(st.lists(st.text(max_size=60), max_size=20))
    def test_no_text_breaks_the_reader(self, rows: list[str]) -> None:
        """Any lines at all give readings and faults, never an exception of their own."""
        faults = RowFaults()
        found = readings_of([HEADING, *rows], faults)
        assert len(found) + faults.count <= len(rows)


class TestArrival:
    """Rows are in the order in which they arrived."""

    def test_a_late_row_arrives_with_the_row_before(self) -> None:
        """Without the column a row arrives at its time, or with the row before it if that is later."""
        found = readings_of(
            [
                HEADING,
                "2026-01-03T19:00:00Z,s,gravity,1.04,sg\n",
                "2026-01-03T18:00:00Z,s,gravity,1.05,sg\n",
            ]
        )
        assert [(r.time_ms, r.received_ms) for r in found] == [
            (T0 + 60 * MINUTE, T0 + 60 * MINUTE),
            (T0, T0 + 60 * MINUTE),
        ]

    def test_received_says_when_it_arrived(self) -> None:
        """Where the column is empty the row arrives at its time."""
        found = readings_of(
            [
                "time,sensor,quantity,value,unit,received\n",
                "2036-01-03T18:00:00Z,s,gravity,1.04,sg,2026-01-03T18:00:00Z\n",
                "2026-01-03T18:05:00Z,s,gravity,1.04,sg,\n",
                "2026-01-03T18:10:00Z,s,gravity,1.04,sg\n",
            ]
        )
        assert [r.received_ms for r in found] == [T0, T0 + 5 * MINUTE, T0 + 10 * MINUTE]

    def test_arrival_never_steps_back(self) -> None:
        """A column that contradicts the order of the rows gives way to it."""
        found = readings_of(
            [
                "time,sensor,quantity,value,unit,received\n",
                "2026-01-03T18:00:00Z,s,gravity,1.04,sg,2026-01-03T19:00:00Z\n",
                "2026-01-03T18:05:00Z,s,gravity,1.04,sg,2026-01-03T18:05:00Z\n",
            ]
        )
        assert [r.received_ms for r in found] == [T0 + 60 * MINUTE, T0 + 60 * MINUTE]


class TestFolders:
    """A recording is a folder with two files."""

    def test_what_is_written_is_read(self, tmp_path: Path) -> None:
        """Readings survive to the last bit, arrival included."""
        readings = [
            Reading("a", Quantity.GRAVITY, T0, 1.0430999999999999, T0),
            Reading("b", Quantity.BATTERY_VOLTAGE, T0 - 5000, 3.7, T0 + 1),
            Reading("a", Quantity.TEMPERATURE, T0 + MINUTE, 0.0, T0 + MINUTE),
        ]
        folder = tmp_path / "one"
        write(folder, title="One", premise=Premise(T0), journal=(), truth=Truth(), lines=rows_of(readings))
        recording = read(folder)
        assert (recording.name, recording.title) == ("one", "One")
        assert list(recording.readings()) == readings
        assert list(recording.readings()) == readings, "rows can be read again"

    @pytest.mark.parametrize("missing", ["readings.csv", "batch.toml"])
    def test_a_missing_file_is_named(self, tmp_path: Path, missing: str) -> None:
        """The complaint names the file and says what a recording is."""
        write(tmp_path, title="x", premise=Premise(T0), journal=(), truth=Truth(), lines=[HEADING])
        (tmp_path / missing).unlink()
        with pytest.raises(RecordingError, match=missing) as caught:
            read(tmp_path)
        assert caught.value.hint

    def test_a_heading_that_lacks_a_column_is_named(self, tmp_path: Path) -> None:
        """The rows cannot be guessed at without it."""
        write(tmp_path, title="x", premise=Premise(T0), journal=(), truth=Truth(), lines=["time,value\n"])
        with pytest.raises(RecordingError, match="lacks sensor, quantity, unit"):
            list(read(tmp_path).readings())

    def test_bytes_that_are_no_text_cost_their_row_only(self, tmp_path: Path) -> None:
        """A torn write in the middle of a file leaves the rows about it."""
        write(tmp_path, title="x", premise=Premise(T0), journal=(), truth=Truth(), lines=[HEADING])
        good = b"2026-01-03T18:00:00Z,s,gravity,1.04,sg\n"
        torn = b"2026-01-03T18:00:00Z,s\xff,gravity,1.04,sg\n"
        (tmp_path / "readings.csv").write_bytes(HEADING.encode() + good + torn + b"\xfe\x00\n" + good)
        faults = RowFaults()
        assert len(list(read(tmp_path).readings(faults))) == 2
        assert [line for line, _ in faults.described] == [3, 4]

    def test_a_file_that_is_no_text_at_all_is_refused(self, tmp_path: Path) -> None:
        """It has no heading that could be read."""
        write(tmp_path, title="x", premise=Premise(T0), journal=(), truth=Truth(), lines=[HEADING])
        (tmp_path / "readings.csv").write_bytes(bytes(range(256)) * 8)
        with pytest.raises(RecordingError, match="heading"):
            list(read(tmp_path).readings())

    def test_no_recording_can_be_written_into_a_file(self, tmp_path: Path) -> None:
        """The complaint has a hint."""
        (tmp_path / "taken").write_text("")
        with pytest.raises(RecordingError) as caught:
            write(
                tmp_path / "taken", title="x", premise=Premise(T0), journal=(), truth=Truth(), lines=[HEADING]
            )
        assert caught.value.hint


def test_a_recording_can_be_of_lines_in_memory() -> None:
    """What a simulation makes need not touch a disk."""
    lines = [HEADING, "2026-01-03T18:00:00Z,s,gravity,1.04,sg\n"]
    recording = Recording("m", "m", Premise(T0), (), Truth(), lambda: nullcontext(lines))
    assert len(list(recording.readings())) == 1
