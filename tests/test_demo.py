"""The demo's three carboys do what is promised of them, and their sensors are their own."""

from __future__ import annotations

import pytest

from monitor.demo import DAYS, PARTS, Carboy, carboys, speed
from monitor.ferment.emission import AlertChange, AlertKind, AlertState
from monitor.ferment.pipeline import Pipeline
from monitor.units import MS_PER_DAY, ms_from_rfc3339

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


def test_time_runs_as_fast_as_is_asked() -> None:
    """A fortnight in a hundred seconds is 12096 times as fast."""
    assert speed(14.0, 100.0) == pytest.approx(12_096.0)
