"""Rows of a foreign table become readings; what cannot be used is noted by row."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import InputError, RecordingError
from monitor.ferment.event import Reading
from monitor.must.density import sg_from_plato
from monitor.replay.foreign import readings_of, require_units
from monitor.replay.gathering import MOST_REASONS, ROWS_NAMED, LeftOut, gather
from monitor.replay.grid import grid_of
from monitor.replay.said import Said, columns_of
from monitor.units import MS_PER_HOUR, Quantity, ms_from_rfc3339

UTC = ZoneInfo("UTC")
SIX_MS = ms_from_rfc3339("2026-03-01T06:00:00Z")
Take = Callable[..., tuple[list[Reading], LeftOut]]


@pytest.fixture
def take(tmp_path: Path) -> Take:
    """Readings of a text with commas, and what was left out."""

    def taken(text: str, said: Said | None = None) -> tuple[list[Reading], LeftOut]:
        path = tmp_path / "log.csv"
        path.write_text(text)
        grid, left_out = grid_of(path), LeftOut()
        columns = columns_of(grid, said or Said())
        return list(readings_of(grid, columns, UTC, "loft", left_out)), left_out

    return taken


def test_values_come_in_kept_units(take: Take) -> None:
    """Plato to specific gravity by the project's own table, Fahrenheit to Celsius: 64.4 degF is 18 degC."""
    readings, left_out = take("time,plato,temp °F\n2026-03-01 06:00,10.0,64.4\n")
    assert readings == [
        Reading("loft", Quantity.GRAVITY, SIX_MS, sg_from_plato(10.0), SIX_MS),
        Reading("loft", Quantity.TEMPERATURE, SIX_MS, pytest.approx(18.0), SIX_MS),
    ]
    assert left_out.count == 0


def test_a_good_cell_beside_a_bad_one_is_taken(take: Take) -> None:
    """Only the value that is wrong is left out, with its row."""
    readings, left_out = take("time,sg,temp\n2026-03-01 06:00,what,18.2\n2026-03-01 07:00,1.04,-300\n")
    assert [(each.quantity, each.value) for each in readings] == [
        (Quantity.TEMPERATURE, 18.2),
        (Quantity.GRAVITY, 1.04),
    ]
    assert [(reason.what, reason.rows) for reason in left_out.listed()] == [("sg", [2]), ("temp", [3])]
    assert "possible" in left_out.listed()[1].why


def test_an_empty_cell_is_no_fault_and_a_word_for_none_is_told(take: Take) -> None:
    """Sparse tables are usual; `unavailable` is worth a word."""
    readings, left_out = take(
        "time,sg,temp\n2026-03-01 06:00,,18.2\n2026-03-01 07:00,unavailable,\n2026-03-01 08:00,1.04,\n"
    )
    assert len(readings) == 2
    assert [(reason.what, reason.count) for reason in left_out.listed()] == [("sg", 1)]


def test_zero_is_a_reading(take: Take) -> None:
    """0 degC and 0 degP are real."""
    readings, _ = take(
        "time,plato,temp\n2026-03-01 06:00,0,0\n",
        Said(measured=("plato=gravity plato", "temp=temperature degC")),
    )
    assert [each.value for each in readings] == [pytest.approx(1.0, abs=1e-5), 0.0]


def test_a_row_without_a_time_is_left_out_whole(take: Take) -> None:
    """Two reasons of one kind are one line of the account."""
    rows = "".join(f"2026-03-0{day} 06:00,1.04\n" for day in range(1, 8))
    readings, left_out = take(f"time,sg\n{rows}soon,1.03\nlater,1.03\n")
    assert len(readings) == 7
    (reason,) = left_out.listed()
    assert (reason.why, reason.count, reason.rows) == ("no time that can be read", 2, [9, 10])


def test_a_tall_table_with_units_in_its_rows(take: Take) -> None:
    """Each row by its own unit; what is not kept is noted."""
    readings, left_out = take(
        "time,sensor,quantity,value,unit\n"
        "2026-03-01T06:00:00Z,float-a,gravity,10.0,plato\n"
        "2026-03-01T06:00:00Z,float-b,gravity,1.041,sg\n"
        "2026-03-01T06:00:00Z,float-b,humidity,55,%\n"
        "2026-03-01T06:00:00Z,,temperature,18.0,degC\n"
    )
    assert [(each.sensor, each.value) for each in readings] == [
        ("float-a", sg_from_plato(10.0)),
        ("float-b", 1.041),
        ("loft", 18.0),
    ]
    assert [reason.what for reason in left_out.listed()] == ["humidity"]


def test_a_sensor_that_nothing_may_be_called_is_noted(take: Take) -> None:
    """A comma would break every recording."""
    readings, left_out = take('time,sensor,sg\n2026-03-01 06:00,"a,b",1.04\n')
    assert not readings
    assert left_out.listed()[0].what == "sensor"


def test_the_time_of_arrival_is_kept(take: Take) -> None:
    """It never lies before the time of measuring."""
    readings, _ = take("time,received,sg\n2026-03-01 06:00,2026-03-01 09:00,1.04\n2026-03-01 07:00,,1.03\n")
    assert [each.received_ms - each.time_ms for each in readings] == [3 * MS_PER_HOUR, 0]


def test_a_column_in_the_wrong_unit_is_refused_with_the_right_one(tmp_path: Path) -> None:
    """1043 cannot be a specific gravity."""
    path = tmp_path / "log.csv"
    path.write_text("time,x\n" + "".join(f"2026-03-01 {hour:02d}:00,1043\n" for hour in range(9)))
    grid = grid_of(path)
    with pytest.raises(InputError, match="cannot be gravity in sg") as caught:
        require_units(grid, columns_of(grid, Said(measured=("x=gravity sg",))))
    assert "kg/m3" in caught.value.hint
    require_units(grid, columns_of(grid, Said(measured=("x=gravity kg/m3",))))


class TestGather:
    """Readings brought into order."""

    @staticmethod
    def reading(hour: int, value: float = 1.04, *, late_h: int = 0, sensor: str = "float-a") -> Reading:
        at_ms = SIX_MS + hour * MS_PER_HOUR
        return Reading(sensor, Quantity.GRAVITY, at_ms, value, at_ms + late_h * MS_PER_HOUR)

    def test_newest_on_top_is_turned_round(self) -> None:
        """As most exports have it."""
        found = gather(self.reading(hour) for hour in (3, 2, 1, 0))
        assert [each.time_ms for each in found.readings()] == [
            SIX_MS + hour * MS_PER_HOUR for hour in range(4)
        ]
        assert found.moved == 3

    def test_what_arrived_late_stays_late(self) -> None:
        """The order is that of arrival."""
        found = gather([self.reading(0), self.reading(1, late_h=5), self.reading(2)])
        assert [each.time_ms for each in found.readings()] == [
            SIX_MS,
            SIX_MS + 2 * MS_PER_HOUR,
            SIX_MS + MS_PER_HOUR,
        ]

    def test_the_first_of_a_key_stays(self) -> None:
        """Another sensor at the same time is another key."""
        found = gather(
            [self.reading(0, 1.04), self.reading(0, 1.05), self.reading(0, 1.03, sensor="float-b")]
        )
        assert [(each.sensor, each.value) for each in found.readings()] == [
            ("float-a", 1.04),
            ("float-b", 1.03),
        ]
        assert found.repeated == 1

    def test_nothing_is_nothing(self) -> None:
        """An empty table gives an empty gathering."""
        found = gather([])
        assert len(found) == 0
        assert list(found.readings()) == list(found.spans()) == []

    def test_spans_say_what_there_is(self) -> None:
        """Count, lowest, highest, first and last of each sensor and quantity."""
        found = gather([self.reading(0, 1.04), self.reading(5, 0.99)])
        assert list(found.spans()) == [
            ("float-a", Quantity.GRAVITY, 2, 0.99, 1.04, SIX_MS, SIX_MS + 5 * MS_PER_HOUR)
        ]

    def test_thousands_of_sensors_are_a_mistake(self) -> None:
        """A column of notes taken for the sensor's name."""
        with pytest.raises(RecordingError, match="sensors"):
            gather(self.reading(0, sensor=f"s{n}") for n in range(3_000))


def test_reasons_are_bounded_and_everything_can_be_had_one_by_one() -> None:
    """A file of nothing but different faults fills neither memory nor screen."""
    heard: list[tuple[int, str, str]] = []
    left_out = LeftOut(lambda row, what, why: heard.append((row, what, why)))
    for row in range(500):
        left_out.note(row, "message", f"fault {row}", "so it is")
        left_out.note(row, "sg", "not a number")
    assert left_out.count == len(heard) == 1_000
    assert len(left_out.reasons) <= MOST_REASONS + 1
    assert all(len(reason.rows) <= ROWS_NAMED for reason in left_out.listed())
    assert heard[0] == (0, "message", "fault 0: so it is")
