"""Temperature of the ferment."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.ferment import warmth


def test_gaps_take_the_value_before() -> None:
    """A gap is closed by what was last measured, the opening by what came first."""
    filled = warmth.filled(np.array([math.nan, 18.0, math.nan, math.nan, 0.0, math.nan]))
    assert filled.tolist() == [18.0, 18.0, 18.0, 18.0, 0.0, 0.0]


def test_nothing_measured_stays_unknown() -> None:
    """Where no temperature is known the pace is that of the usual one."""
    assert warmth.scaled_hours(warmth.filled(np.full(4, math.nan))).tolist() == [1.0] * 4


def test_ten_degrees_warmer_runs_two_to_three_times_as_fast() -> None:
    """The pace at 30 degC over that at 20 degC is between two and three (common practice)."""
    cool, warm = warmth.scaled_hours(np.array([20.0, 30.0]))
    assert cool == 1.0
    assert 2.0 <= warm / cool <= 3.0


def test_hours_under_the_range_are_counted_over_three_days() -> None:
    """Ten cold hours in the last three days count, those before do not; zero degrees is cold."""
    celsius = np.full(200, 18.0)
    celsius[20:60] = 5.0
    celsius[150:160] = 0.0
    felt = warmth.read(celsius, (14.0, 24.0))
    assert felt.cold_hours == 10.0
    assert felt.below_c == pytest.approx(-4.0)
    assert felt.above_c == pytest.approx(-6.0)


def test_a_drop_is_seen_against_the_warmest_two_days() -> None:
    """Six degrees less over the last day is a drop of six degrees."""
    assert warmth.read(np.r_[np.full(96, 21.0), np.full(24, 15.0)], None).drop_c == pytest.approx(6.0)


def test_silence_of_the_thermometer_says_nothing() -> None:
    """With no reading in the last hours no scalar is made up."""
    felt = warmth.read(np.r_[np.full(96, 21.0), np.full(4, math.nan)], (14.0, 24.0))
    assert math.isnan(felt.now_c)
    assert math.isnan(felt.below_c)
