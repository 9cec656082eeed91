"""Times as people write them become Unix milliseconds."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.replay.moments import FORMATS, Clock, Style, guessed, is_time_of_day, zone_of

DUBLIN = ZoneInfo("Europe/Dublin")
UTC = ZoneInfo("UTC")
NOON_MS = 1_772_366_400_000
"""2026-03-01T12:00:00Z; `date -u -d 2026-03-01T12:00:00Z +%s` says 1772366400."""


@pytest.mark.parametrize(
    ("cells", "style"),
    [
        (["2026-03-01T12:00:00Z"], "iso"),
        (["2026-03-01 12:00"], "iso"),
        (["1772366400"], "unix"),
        ([1_772_366_400.0], "unix"),
        (["1772366400000"], "unix-ms"),
        (["1772366400000000"], "unix-us"),
        (["1772366400000000000"], "unix-ns"),
        (
            ["46082,5"],
            "serial",
        ),  # day 46082 of the 1900 system is 2026-03-01: LibreOffice, cell format number
        (["01.03.2026 12:00"], "%d.%m.%Y %H:%M"),
        (["01/03/2026 12:00", "02/03/2026 12:00"], "%d/%m/%Y %H:%M"),
        (["03/01/2026 12:00", "03/02/2026 12:00"], "%m/%d/%Y %H:%M"),
        (["3/1/2026 12:00:00 PM"], "%m/%d/%Y %I:%M:%S %p"),
        (["1 Mar 2026 12:00"], "%d %b %Y %H:%M"),
        (["March 1, 2026, 12:00"], "%B %d %Y %H:%M"),
    ],
)
def test_a_style_is_guessed_and_gives_the_moment(cells: list, style: str) -> None:
    """Noon of the first of March 2026, written in many ways."""
    if style == "%m/%d/%Y %I:%M:%S %p":
        cells = [*cells, "3/2/2026 12:00:00 PM"]
    found = guessed(cells)
    assert found is not None
    assert found.name == style
    assert Clock(found, UTC).read(cells[0]) == NOON_MS


def test_day_and_month_are_told_by_the_shorter_course() -> None:
    """An hourly column through the fourth of March does not jump from April to May."""
    hours = [f"{day:02d}/03/2026 {hour:02d}:00" for day in (4, 5) for hour in range(24)]
    assert guessed(hours) == Style("%d/%m/%Y %H:%M")
    american = [f"03/{day:02d}/2026 {hour:02d}:00" for day in (4, 5) for hour in range(24)]
    assert guessed(american) == Style("%m/%d/%Y %H:%M")


def test_a_few_foul_cells_do_not_hide_the_style() -> None:
    """Seven in ten are enough."""
    assert guessed(["2026-03-01", "2026-03-02", "2026-03-03", "2026-03-04", "later"]) == Style("iso")
    assert guessed(["1.043", "1.042"]) is None
    assert guessed(["", ""]) is None


def test_a_spreadsheet_s_own_dates_need_no_style() -> None:
    """They come as dates, without a zone."""
    assert Clock(Style("iso"), DUBLIN).read(dt.datetime(2026, 7, 1, 13, 0)) == 1_782_907_200_000  # noqa: DTZ001
    assert Clock(Style("iso"), UTC).read(dt.date(2026, 3, 1)) == NOON_MS - 43_200_000


def test_a_day_and_a_time_of_day_are_joined() -> None:
    """As text or as a spreadsheet's own values."""
    assert guessed(["01.03.2026"], ["12:00"]) == Style("%d.%m.%Y %H:%M")
    assert Clock(Style("%d.%m.%Y %H:%M"), UTC).read("01.03.2026", "12:00") == NOON_MS
    assert Clock(Style("iso"), UTC).read(dt.date(2026, 3, 1), dt.time(12, 0)) == NOON_MS
    assert Clock(Style("iso"), UTC).read(dt.date(2026, 3, 1), dt.timedelta(hours=12)) == NOON_MS
    assert is_time_of_day(["12:00", "9:05:30", "9:05 pm"])
    assert not is_time_of_day(["12:00", "noon"])


def test_a_time_without_an_offset_is_of_the_zone() -> None:
    """Dublin is an hour ahead of UTC in July and with it in January (IANA time zone database)."""
    clock = Clock(Style("iso"), DUBLIN)
    assert clock.read("2026-01-15 12:00") == clock.read("2026-01-15T12:00:00Z")
    assert clock.read("2026-07-15 13:00") == clock.read("2026-07-15T12:00:00Z")


def test_the_hour_that_comes_twice_goes_on_in_order() -> None:
    """On 25 October 2026 Dublin's clocks go back from 02:00 to 01:00: half past one comes twice."""
    clock = Clock(Style("iso"), DUBLIN)
    times = [
        clock.read(f"2026-10-25 {text}") for text in ("00:30", "01:00", "01:30", "01:00", "01:30", "02:00")
    ]
    assert times == sorted(times)
    assert [b - a for a, b in pairwise(times)] == [1_800_000] * 5


def test_the_hour_that_does_not_exist_is_a_fault() -> None:
    """On 29 March 2026 Dublin's clocks go from 01:00 to 02:00."""
    with pytest.raises(ValueError, match="does not exist"):
        Clock(Style("iso"), DUBLIN).read("2026-03-29 01:30")


@pytest.mark.parametrize("cell", ["", "soon", "2026-13-01", "1.043", True, 7.0, "0001-01-01"])
def test_what_is_no_time_is_a_fault(cell: object) -> None:
    """In words, whatever the cell holds."""
    with pytest.raises(ValueError, match=r"no time|outside"):
        Clock(Style("iso"), UTC).read(cell)


def test_time_gone_counts_from_the_pitch() -> None:
    """Which must be known."""
    assert Clock(Style("hours"), UTC, NOON_MS).read("1.5") == NOON_MS + 5_400_000
    assert Clock(Style("days"), UTC, NOON_MS).read(0) == NOON_MS
    with pytest.raises(InputError, match="since the pitch") as caught:
        Clock(Style("hours"), UTC)
    assert "--pitched" in caught.value.hint


def test_a_style_that_is_none_is_refused() -> None:
    """The hint names those there are."""
    with pytest.raises(InputError) as caught:
        Clock(Style("whenever"), UTC)
    assert "unix-ms" in caught.value.hint
    with pytest.raises(InputError):
        zone_of("Nowhere/At_All")


@given(
    st.sampled_from([name for name in FORMATS if "%H:%M:%S" in name and "%y" not in name]),
    st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2150, 1, 1)),  # noqa: DTZ001
)
def test_every_pattern_reads_what_it_writes(pattern: str, moment: dt.datetime) -> None:
    """To the second, in UTC."""
    moment = moment.replace(microsecond=0)
    at_ms = Clock(Style(pattern), UTC).read(moment.strftime(pattern))
    assert at_ms == round(moment.replace(tzinfo=dt.UTC).timestamp()) * 1_000
