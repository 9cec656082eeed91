"""Hourly medians of readings that come in any order."""

from __future__ import annotations

import math
import random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.event import Reading
from monitor.ferment.series import MAX_PER_HOUR, Track
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, Quantity

START_MS = 1_767_463_200_000


def gravity(minute: int, value: float) -> Reading:
    """A gravity reading so many minutes after the start, received at once."""
    at_ms = START_MS + minute * MS_PER_MINUTE
    return Reading("float-a", Quantity.GRAVITY, at_ms, value, at_ms)


def tracked(readings: list[Reading]) -> Track:
    """A settled track of the readings, admitted in the order given."""
    track = Track(START_MS)
    for reading in readings:
        track.admit(reading)
    track.settle()
    return track


values = st.dictionaries(st.integers(0, 599), st.floats(0.99, 1.12), min_size=1, max_size=60)


@given(values, st.randoms(use_true_random=False))
def test_medians_are_those_of_numpy_in_any_order(drawn: dict[int, float], chance: random.Random) -> None:
    """Whatever the order of arrival, an hour holds numpy.median of its readings, nan where none came."""
    readings = [gravity(minute, value) for minute, value in drawn.items()]
    chance.shuffle(readings)
    medians, counts = tracked(readings).hourly(0, 10)
    for hour in range(10):
        inside = [value for minute, value in drawn.items() if minute // 60 == hour]
        assert counts[hour] == len(inside)
        assert math.isnan(medians[hour]) if not inside else medians[hour] == np.median(inside)


def test_a_reading_of_one_time_counts_once() -> None:
    """The same time again is the same reading, and the first one stands."""
    track = Track(START_MS)
    assert track.admit(gravity(5, 1.040))
    assert not track.admit(gravity(5, 1.050))
    track.settle()
    assert track.hourly(0, 1)[0][0] == 1.040


def test_zero_degrees_is_a_reading() -> None:
    """0 degC is admitted like any other temperature."""
    track = Track(START_MS)
    assert track.admit(Reading("float-a", Quantity.TEMPERATURE, START_MS, 0.0, START_MS))
    track.settle()
    assert track.hourly(0, 1)[0][0] == 0.0


def test_what_no_must_reads_is_set_aside_but_is_a_sign_of_life() -> None:
    """A float in the air is counted and kept out of the medians, yet it is not silent."""
    track = Track(START_MS)
    assert not track.admit(gravity(10, 0.5))
    assert not track.admit(gravity(20, math.nan))
    assert track.set_aside == 2
    assert track.is_empty
    assert track.last_received_ms == START_MS + 20 * MS_PER_MINUTE


def test_memory_of_an_hour_is_bounded() -> None:
    """An hour takes no more than its share of readings."""
    track = Track(START_MS)
    taken = [
        track.admit(Reading("float-a", Quantity.GRAVITY, START_MS + k, 1.05, START_MS + k))
        for k in range(MAX_PER_HOUR + 5)
    ]
    assert sum(taken) == MAX_PER_HOUR


def test_the_interval_is_the_usual_one() -> None:
    """One long gap does not change the usual time between readings."""
    track = tracked([gravity(15 * k if k < 20 else 15 * k + 600, 1.05) for k in range(30)])
    assert track.interval_hours == 0.25


def test_hours_outside_the_record_are_empty() -> None:
    """Hours before the first and after the last reading are nan with a count of zero."""
    medians, counts = tracked([gravity(61, 1.05)]).hourly(-2, 5)
    assert np.flatnonzero(counts).tolist() == [3]
    assert np.isnan(np.delete(medians, 3)).all()


def test_raw_readings_come_in_order_of_time_and_the_latest_are_kept() -> None:
    """Of more readings than asked for, the latest are given, oldest first."""
    track = tracked([gravity(minute, 1.0 + minute / 1e4) for minute in (90, 10, 50, 130, 70)])
    assert [(t - START_MS) // MS_PER_MINUTE for t, _ in track.raw(0, 3, 3)] == [70, 90, 130]
    assert track.start_ms // MS_PER_HOUR == track.first_hour


@given(values, st.randoms(use_true_random=False), st.integers(-1, 10), st.integers(0, 11), st.integers(1, 70))
def test_raw_readings_are_those_of_their_hours_in_any_order(
    drawn: dict[int, float], chance: random.Random, begin: int, end: int, limit: int
) -> None:
    """Whatever the order of arrival: the latest of the hours asked for, oldest first, each with its value."""
    readings = [gravity(minute, value) for minute, value in drawn.items()]
    chance.shuffle(readings)
    inside = sorted(one for one in drawn.items() if begin <= one[0] // 60 < end)
    expected = [(START_MS + minute * MS_PER_MINUTE, value) for minute, value in inside[-limit:]]
    assert tracked(readings).raw(begin, end, limit) == expected


def test_a_full_hour_refuses_whatever_its_place_and_the_next_one_does_not() -> None:
    """What comes late between readings of a full hour is too much; the hour beside it has room."""
    track = Track(START_MS)
    for k in range(MAX_PER_HOUR):
        at_ms = START_MS + 2 * k
        assert track.admit(Reading("float-a", Quantity.GRAVITY, at_ms, 1.05, at_ms))
    late_ms = START_MS + 7
    assert not track.admit(Reading("float-a", Quantity.GRAVITY, late_ms, 1.06, late_ms))
    assert track.admit(gravity(60, 1.05))
    assert not track.admit(gravity(60, 1.06))
