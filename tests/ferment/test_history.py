"""The course so far, on falls whose answers are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.history import SLOWED, coarse, review
from monitor.ferment.series import Floats


def fall(lag: int, fast: int, slow: int, per_day: float) -> Floats:
    """A level stretch, a straight fall, then a fall at a quarter of the pace; hourly, from 80 points."""
    rate = np.r_[np.zeros(lag), np.full(fast, per_day / 24.0), np.full(slow, per_day / 96.0)]
    return 80.0 - np.cumsum(rate)


def test_a_straight_fall_has_its_own_pace() -> None:
    """The fastest fall of a line of 9 points a day is 9 points a day."""
    course = review(fall(24, 120, 96, 9.0), np.ones(240))
    assert course.peak_per_day == pytest.approx(9.0)
    assert course.start_points == pytest.approx(80.0)


def test_slowing_is_found_to_the_bin() -> None:
    """Slowing is where the pace breaks (to 9 h)."""
    course = review(fall(24, 120, 96, 9.0), np.ones(240))
    assert course.slowed_hour == pytest.approx(24 + 120, abs=9.0)


def test_a_cold_night_is_not_slowing() -> None:
    """At half the scaled time per hour, half the fall per hour is the same pace."""
    pace = np.r_[np.ones(144), np.full(96, 0.5)]
    points = 80.0 - np.cumsum(pace) * 9.0 / 24.0
    course = review(points, pace)
    assert course.slowed_hour > 240 - 18
    assert 0.0 < SLOWED < 1.0


def test_before_three_points_have_fallen_nothing_has_begun() -> None:
    """A fall of two points leaves pace and slowing unknown."""
    course = review(np.linspace(80.0, 78.0, 96), np.ones(96))
    assert np.isnan([course.peak_per_day, course.slowed_hour]).all()


def test_a_lone_jump_and_a_gap_change_no_coarse_mean_by_much() -> None:
    """Six hours of foam 8 points high, and a day without readings, leave the means on the line."""
    line = fall(0, 240, 0, 2.0)
    bad = line.copy()
    bad[60:66] += 8.0
    bad[120:144] = np.nan
    clean, _ = coarse(line, np.ones(240))
    found, lengths = coarse(bad, np.ones(240))
    assert np.abs(found - clean).max() < 1.0
    assert lengths.tolist() == [6.0] * 40


def test_an_empty_record_has_no_course() -> None:
    """With nothing measured every scalar is nan."""
    assert np.isnan(review(np.full(48, np.nan), np.ones(48)).start_points)


@given(
    st.lists(st.one_of(st.just(float("nan")), st.floats(-20.0, 130.0)), min_size=1, max_size=90),
    st.integers(1, 12),
)
def test_any_readings_at_all_have_a_course(values: list[float], hours_each: int) -> None:
    """Jumps, gaps and rises give a course whose fastest fall, where there is one, is a fall."""
    points = np.repeat(np.array(values), hours_each)
    course = review(points, np.ones(points.size))
    assert not course.peak_per_day <= 0.0
