"""What the chart shows: thinned, robust, corrected, as far as the expected end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.ferment.emission import Phase, PhaseChange
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.evidence import Evidence
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity, datetime_from_ms, ms_from_datetime
from monitor.web.course import MOST_DAYS, ChartView, chart, days, small_curve, whole_range

from .rooms import PITCHED_MS, Cellar, a_sheet, readings_of

SHEET = a_sheet()
FLOAT = "float-hedgerow-session"
NOW_MS = PITCHED_MS + 10 * MS_PER_DAY
FROM_PITCHING = timezone(-timedelta(milliseconds=PITCHED_MS % MS_PER_DAY))
"""Where it was midnight at pitching."""


def a_chart(store: SqlStore, evidence: Evidence | None = None, **options: object) -> ChartView:
    given: dict[str, object] = {"phases": (), "journal": (), "now_ms": NOW_MS, "width_px": 800}
    return chart(store, SHEET, evidence=evidence, **{**given, **options})  # type: ignore[arg-type]


def evidence_of(**values: float) -> Evidence:
    given = {"level_points": 10.0, "level_se": 0.2, "final_p05": -4.0, "final_p50": -2.0, "final_p95": 1.0}
    hours = {"end_hours_p05": 48.0, "end_hours_p50": 96.0, "end_hours_p95": 168.0}
    return Evidence(at_ms=NOW_MS, **{**given, **hours, **values})


@pytest.fixture
def store(cellar: Cellar) -> SqlStore:
    """Ten days of a reading every five minutes."""
    cellar.store.batches.start(SHEET, at_ms=PITCHED_MS)
    cellar.store.readings.commit(readings_of(SHEET, 10.0, every_min=5.0))
    return cellar.store


def test_readings_are_thinned_to_the_pixels(store: SqlStore) -> None:
    """No more strokes than half the pixels, and each holds the readings' lowest and highest."""
    view = a_chart(store, width_px=600)
    assert 200 < len(view.raw.time_ms) <= 301
    readings = [one for one in readings_of(SHEET, 10.0, every_min=5.0) if one.quantity is Quantity.GRAVITY]
    assert min(view.raw.low_sg) == pytest.approx(min(one.value for one in readings), abs=2e-4)
    assert max(view.raw.high_sg) == pytest.approx(max(one.value for one in readings), abs=2e-4)


def test_the_level_is_not_moved_by_knocks(store: SqlStore) -> None:
    """A knock of 30 points for an hour moves the level by less than a point (median of nine hours)."""
    at_ms = PITCHED_MS + 8 * MS_PER_DAY + 1
    before = a_chart(store).level
    store.readings.commit(
        [Reading(FLOAT, Quantity.GRAVITY, at_ms + n * 60_000, 1.030, at_ms) for n in range(60)]
    )
    after = a_chart(store).level
    assert max(abs((a or 0) - (b or 0)) for a, b in zip(before.sg, after.sg, strict=True)) < 0.001


def test_the_level_follows_the_hand_sample(store: SqlStore) -> None:
    """An offset of 2.5 points is added to the level, and the readings stay as they came."""
    plain, corrected = a_chart(store), a_chart(store, evidence_of(offset_points=2.5))
    assert corrected.raw == plain.raw
    differences = [(b or 0) - (a or 0) for a, b in zip(plain.level.sg, corrected.level.sg, strict=True)]
    assert differences == pytest.approx([0.0025] * len(differences), abs=1.1e-5)


def test_a_silence_breaks_the_line(cellar: Cellar) -> None:
    """A day without readings is a gap, not a straight line."""
    silent = (PITCHED_MS + 4 * MS_PER_DAY, PITCHED_MS + 5 * MS_PER_DAY)
    cellar.store.batches.start(SHEET, at_ms=PITCHED_MS)
    cellar.store.readings.commit(
        [one for one in readings_of(SHEET, 10.0) if not silent[0] < one.time_ms < silent[1]]
    )
    level = a_chart(cellar.store).level
    gaps = [at_ms for at_ms, value in zip(level.time_ms, level.sg, strict=True) if value is None]
    assert len(gaps) == 1
    assert silent[0] < gaps[0] < silent[1]


def test_the_expected_course_runs_from_the_level_to_the_end(store: SqlStore) -> None:
    """It starts at the level with the level's own error and ends inside the interval of the final gravity."""
    fit = a_chart(store, evidence_of()).fit
    assert fit.time_ms[0] == NOW_MS
    assert fit.sg[0] == pytest.approx(1.010)
    assert (fit.high_sg[0] or 0) - (fit.low_sg[0] or 0) == pytest.approx(2 * 1.645 * 0.0002, abs=2e-5)
    assert all(
        (a or 0) <= (b or 0) <= (c or 0) for a, b, c in zip(fit.low_sg, fit.sg, fit.high_sg, strict=True)
    )
    assert 0.996 <= (fit.low_sg[-1] or 0) <= 0.9985
    at_end = np.interp(NOW_MS + 96 * MS_PER_HOUR, fit.time_ms, [v or 0 for v in fit.sg])
    assert at_end == pytest.approx(0.998 + 0.001, abs=1e-4)  # one point is left at the forecast end


def test_without_a_forecast_there_is_no_expected_course(store: SqlStore) -> None:
    """Nothing is drawn ahead where nothing can be said."""
    assert a_chart(store, evidence_of(level_points=math.nan)).fit.time_ms == ()
    assert a_chart(store, evidence_of(end_hours_p50=math.inf)).fit.time_ms == ()
    assert a_chart(store).fit.time_ms == ()


def test_the_range_reaches_the_expected_end() -> None:
    """The whole is from pitching to the latest expected end, but never mostly future."""
    assert whole_range(SHEET, evidence_of(), NOW_MS)[0] == PITCHED_MS
    assert whole_range(SHEET, evidence_of(), NOW_MS)[1] >= NOW_MS + 168 * MS_PER_HOUR
    far = whole_range(SHEET, evidence_of(end_hours_p95=2_000.0), NOW_MS)[1]
    assert far - NOW_MS < NOW_MS - PITCHED_MS
    done = whole_range(SHEET, evidence_of(left_p50=0.4), NOW_MS)[1]
    assert done - NOW_MS <= MS_PER_DAY
    ended = replace(SHEET, ended_ms=NOW_MS - MS_PER_DAY)
    assert whole_range(ended, None, NOW_MS) == (PITCHED_MS, NOW_MS - MS_PER_DAY)


def test_phases_and_deeds_are_marked(store: SqlStore) -> None:
    """A phase lasts until the next; notes are not marked, deeds are."""
    at = PITCHED_MS + MS_PER_DAY
    view = a_chart(
        store,
        phases=(
            PhaseChange(PITCHED_MS, Phase.UNKNOWN, ""),
            PhaseChange(at, Phase.LAG, ""),
            PhaseChange(at + 5, Phase.ACTIVE, ""),
        ),
        journal=(
            JournalEntry(JournalKind.NUTRIENT, at, at),
            JournalEntry(JournalKind.NOTE, at, at, "smells fine"),
        ),
    )
    assert [(one.from_ms, one.to_ms, one.word) for one in view.phases] == [
        (at, at + 5, "Starting"),
        (at + 5, NOW_MS, "Fermenting"),
    ]
    assert [(one.time_ms, one.title) for one in view.marks] == [(at, "Fed")]


def test_a_part_is_finer_than_the_whole(store: SqlStore) -> None:
    """Zooming in gives the readings of that part alone, as they came."""
    part = (PITCHED_MS + 5 * MS_PER_DAY, PITCHED_MS + 5 * MS_PER_DAY + 6 * MS_PER_HOUR)
    view = a_chart(store, between_ms=part)
    assert all(part[0] <= at_ms <= part[1] for at_ms in view.raw.time_ms)
    assert len(view.raw.time_ms) == 72  # one each five minutes


def test_an_empty_batch_has_an_empty_chart(cellar: Cellar) -> None:
    """A batch without a sensor shows nothing and breaks nothing."""
    bare = a_sheet(gravity_sensor=None, temperature_sensor=None)
    cellar.store.batches.start(bare, at_ms=PITCHED_MS)
    view = chart(cellar.store, bare, evidence=None, phases=(), journal=(), now_ms=PITCHED_MS, width_px=500)
    assert view.raw.time_ms == view.level.time_ms == view.temperature.time_ms == ()
    assert small_curve(cellar.store, None, 0, 1) == ()


def test_days_of_the_table_say_the_same(store: SqlStore) -> None:
    """One row a day, newest first, with the day's median and what it fell by since the day before."""
    rows = days(store, SHEET, evidence=None, zone=FROM_PITCHING, now_ms=NOW_MS - 1)
    assert len(rows) == 10
    assert rows[-1].fell_points is None
    assert rows[0].count == 288
    total = sum(row.fell_points or 0.0 for row in rows)
    assert total == pytest.approx(((rows[-1].gravity_sg or 0) - (rows[0].gravity_sg or 0)) * 1000)


@pytest.mark.parametrize(
    ("zone", "first", "hours"),
    [
        # clocks go back on 25 October 2026 in the one, at a midnight that is not there on 3 September 2023
        # in the other, and by half an hour on 4 April 2027 in the third
        ("Europe/Berlin", date(2026, 10, 22), [12, 24, 24, 25, 24, 24, 13]),
        ("America/Santiago", date(2023, 9, 1), [12, 24, 23, 13]),
        ("Australia/Lord_Howe", date(2027, 4, 2), [12, 24, 25, 24, 12]),
    ],
)
def test_days_are_those_of_the_calendar(cellar: Cellar, zone: str, first: date, hours: Sequence[int]) -> None:
    """Each date stands once, today the newest; the day the clocks change has more or fewer readings."""
    here = ZoneInfo(zone)
    last = first + timedelta(days=len(hours) - 1)
    pitched_ms, now_ms = (ms_from_datetime(datetime.combine(day, time(12), here)) for day in (first, last))
    sheet = a_sheet(pitched_ms=pitched_ms)
    cellar.store.batches.start(sheet, at_ms=pitched_ms)
    cellar.store.readings.commit(
        [
            Reading(FLOAT, Quantity.GRAVITY, at_ms, 1.04, at_ms)
            for at_ms in range(pitched_ms, now_ms + 1, MS_PER_HOUR)
        ]
    )
    rows = days(cellar.store, sheet, evidence=None, zone=here, now_ms=now_ms)[::-1]
    assert [row.day for row in rows] == [first + timedelta(days=n) for n in range(len(hours))]
    assert [row.count for row in rows] == hours


def test_the_last_days_of_a_very_long_batch_stand_in_the_table(store: SqlStore) -> None:
    """After more days than the table has rows, the oldest are left out and today is there."""
    later_ms = PITCHED_MS + (MOST_DAYS + 30) * MS_PER_DAY
    store.readings.commit([Reading(FLOAT, Quantity.GRAVITY, later_ms, 0.998, later_ms)])
    rows = days(store, SHEET, evidence=None, zone=UTC, now_ms=later_ms)
    assert len(rows) == MOST_DAYS
    assert (rows[0].day, rows[0].count) == (datetime_from_ms(later_ms).date(), 1)


def test_zero_degrees_is_a_temperature(cellar: Cellar) -> None:
    """A must at 0 °C is drawn at 0 °C."""
    cellar.store.batches.start(SHEET, at_ms=PITCHED_MS)
    cellar.store.readings.commit(
        [
            Reading(FLOAT, Quantity.TEMPERATURE, PITCHED_MS + n * MS_PER_HOUR, 0.0, PITCHED_MS)
            for n in range(9)
        ]
    )
    assert set(a_chart(cellar.store).temperature.mean_c) == {0.0}
    rows = days(cellar.store, SHEET, evidence=None, zone=UTC, now_ms=PITCHED_MS)
    assert rows[0].temperature_c == 0.0


def test_a_chart_of_many_months_shows_the_extremes_of_every_stroke(cellar: Cellar) -> None:
    """Strokes that are hours wide have the least and greatest of their own readings, as numpy finds them."""
    sheet = a_sheet()
    cellar.store.batches.start(sheet, at_ms=PITCHED_MS)
    step = np.arange(200 * 24 * 2)
    times = PITCHED_MS + step * MS_PER_HOUR // 2
    values = 1.02 + 0.01 * np.sin(step * 12.9898)
    cellar.store.readings.commit(
        [
            Reading(FLOAT, Quantity.GRAVITY, at_ms, value, at_ms)
            for at_ms, value in zip(times.tolist(), values.tolist(), strict=True)
        ]
    )
    now_ms = int(times[-1])
    view = chart(
        cellar.store,
        replace(sheet, ended_ms=now_ms),
        evidence=None,
        phases=(),
        journal=(),
        now_ms=now_ms,
        width_px=400,
    )
    starts = np.array(view.raw.time_ms)
    assert 150 < len(starts) <= 201
    bucket = np.searchsorted(starts, times, side="right") - 1
    # hours are not cut in two: the reading at an edge may stand in the stroke beside it
    inner = [np.flatnonzero(bucket == place)[2:-2] for place in range(len(starts))]
    outer = [np.arange(max(0, one[0] - 4), min(len(step), one[-1] + 5)) for one in inner]
    for place, (within, around) in enumerate(zip(inner, outer, strict=True)):
        assert values[around].min() - 1e-5 <= view.raw.low_sg[place] <= values[within].min() + 1e-5
        assert values[within].max() - 1e-5 <= view.raw.high_sg[place] <= values[around].max() + 1e-5
