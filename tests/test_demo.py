"""The demo's three carboys do what is promised of them, and their sensors are their own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.demo import DAYS, PARTS, TOLERATED_HOURS, Carboy, Reach, carboys, reach, slow_words, speed
from monitor.ferment.emission import AlertChange, AlertKind, AlertState
from monitor.ferment.event import Reading
from monitor.ferment.pipeline import Pipeline
from monitor.units import MS_PER_DAY, MS_PER_HOUR, ms_from_rfc3339

START_MS = ms_from_rfc3339("2026-03-01T06:00:00Z")
END_MS = START_MS + int(DAYS * MS_PER_DAY)


@pytest.fixture(scope="module")
def scenario() -> list[Carboy]:
    """All three, pitched on one day."""
    return carboys(START_MS)


def told(carboy: Carboy) -> set[AlertKind]:
    """What is told of a carboy in the days that the demo shows."""
    pipeline = Pipeline(carboy.sheet.premise())
    emissions = [
        emission
        for reading in carboy.readings
        if reading.received_ms < END_MS
        for emission in pipeline.step(reading)
    ]
    return {
        emission.kind
        for emission in emissions
        if isinstance(emission, AlertChange) and emission.state is AlertState.FIRING
    }


def test_one_finishes_one_stalls_and_one_is_healthy(scenario: list[Carboy]) -> None:
    """So the README's first command shows the whole job, whatever the thresholds have become."""
    ends = [told(carboy) & {AlertKind.FINISHED, AlertKind.STALLED} for carboy in scenario]
    assert [carboy.sheet.slug for carboy in scenario] == [part.slug for part in PARTS]
    assert ends[0] == {AlertKind.FINISHED}
    assert AlertKind.STALLED in ends[1]
    assert ends[2] == set()


def test_no_two_carboys_share_a_sensor(scenario: list[Carboy]) -> None:
    """Every reading belongs to one carboy, by the name of its sensor, and to the days after pitching."""
    sensors = [{reading.sensor for reading in carboy.readings} for carboy in scenario]
    assert sum(map(len, sensors)) == len(set().union(*sensors))
    for carboy, own in zip(scenario, sensors, strict=True):
        assert own == set(carboy.sheet.other_sensors)
        assert min(reading.received_ms for reading in carboy.readings) >= START_MS - MS_PER_DAY


def heard(scenario: list[Carboy], late_ms: int = 0, until_ms: int = END_MS) -> list[Reading]:
    """What is in the store when all came so late, up to a moment."""
    return [
        replace(reading, received_ms=reading.received_ms + late_ms)
        for carboy in scenario
        for reading in carboy.readings
        if reading.received_ms <= until_ms
    ]


def test_how_far_the_readings_have_come_is_measured(scenario: list[Carboy]) -> None:
    """By the scenario's own times: all in time, all late by nine hours, half of them missing, none at all."""
    nine_ms = 9 * MS_PER_HOUR
    half_ms = (START_MS + END_MS) // 2
    assert reach(scenario, heard(scenario), START_MS, END_MS) == Reach(DAYS, 0.0)
    late = reach(scenario, heard(scenario, nine_ms), START_MS, END_MS)
    assert late == Reach(DAYS, 9.0)
    half = reach(scenario, heard(scenario, until_ms=half_ms), START_MS, END_MS)
    # the floats send several times an hour together, so the first that is missing was due within one
    assert half.days == pytest.approx(DAYS / 2.0, abs=1.0 / 24.0)
    assert half.late_hours == pytest.approx(DAYS / 2.0 * 24.0, abs=1.0)
    none = reach(scenario, [], START_MS, END_MS)
    assert none.days < 1.0 / 24.0
    assert [one.in_time for one in (late, half, none)] == [False] * 3
    assert Reach(DAYS, TOLERATED_HOURS).in_time


@pytest.mark.parametrize(
    ("found", "tells"),
    [
        # as many readings in the time: twice the time, and a quarter more
        (
            Reach(7.0, 168.0),
            "up to 168 h late by its clock, 50.0 s of real time, and have come as far as day 7.0",
        ),
        (Reach(7.0, 168.0), "carboyd demo --days 14 --seconds 250"),
        # a halt of 9 h at that speed is one of 6 h, which is borne, in half as much time again
        (Reach(14.0, 9.0), "carboyd demo --days 14 --seconds 150"),
        (Reach(0.2, 331.2), "more time alone would not be enough"),
        (Reach(0.0, 336.0), "more time alone would not be enough"),
    ],
)
def test_a_machine_that_is_too_slow_is_told_what_to_try(found: Reach, tells: str) -> None:
    """A fortnight in a hundred seconds was asked for; what would do follows from how far it came."""
    assert tells in slow_words(found, 14.0, 100.0)


def test_time_runs_as_fast_as_is_asked() -> None:
    """A fortnight in a hundred seconds is 12096 times as fast."""
    assert speed(14.0, 100.0) == pytest.approx(12_096.0)
