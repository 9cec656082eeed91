"""How much sugar went in, on falls whose additions are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.addition import LEAST_POINTS, added
from monitor.ferment.series import Floats


def fall(hours: int = 300) -> Floats:
    """From 45 points at 6 a day, slowing to nothing; hourly."""
    return 45.0 * np.exp(-np.arange(hours) / 130.0)


def fed(at: int, by: float) -> Floats:
    """The same with sugar at an hour, which then ferments too."""
    points = fall()
    points[at:] += by * np.exp(-np.arange(points.size - at) / 130.0)
    return points


@pytest.mark.parametrize("written", [[80], []])
def test_an_addition_is_found_with_and_without_an_entry(written: list[int]) -> None:
    """Twelve points in at hour 80 are 12 points added (to 1: it goes on falling meanwhile)."""
    assert added(fed(80, 12.0), written).points == pytest.approx(12.0, abs=1.0)


def test_a_small_addition_needs_its_entry() -> None:
    """Two points are less than what a float does by itself."""
    points = fed(80, 2.0)
    assert LEAST_POINTS > 2.0
    assert added(points, []).points == 0.0
    assert added(points, [80]).points == pytest.approx(2.0, abs=0.5)


def test_additions_add_up_and_one_in_two_steps_counts_once() -> None:
    """Ten and eight points days apart are 18; two entries within the hour are one addition."""
    points = fed(60, 10.0)
    points[140:] += 8.0 * np.exp(-np.arange(160) / 130.0)
    assert added(points, [60, 140]).points == pytest.approx(18.0, abs=1.5)
    assert added(points, [60, 61, 140]).points == pytest.approx(18.0, abs=1.5)


@pytest.mark.parametrize("by", [8.0, -8.0])
@pytest.mark.parametrize("hours", [4, 14, 34])
def test_foam_and_knocks_are_no_sugar(by: float, hours: int) -> None:
    """Eight points up or down for hours, and back, were never added."""
    points = fall()
    points[80 : 80 + hours] += by
    assert added(points, []).points == 0.0


def test_a_rise_of_today_is_not_sugar_yet() -> None:
    """Until a rise has stayed as long as a knock lasts only the journal can say that it is sugar."""
    points = fed(80, 12.0)[:100]
    assert added(points, []).points == 0.0
    assert added(points, [80]).points == pytest.approx(12.0, abs=1.0)


def test_a_float_put_in_late_adds_nothing() -> None:
    """A day on the shelf at the gravity of water, then in the must at 45 points."""
    points = np.concatenate([np.zeros(30), fall()])
    assert added(points, []).points == 0.0


def test_a_gap_over_the_addition_hides_it() -> None:
    """Where nothing was measured just before, nothing is told rather than something wrong."""
    points = fed(80, 12.0)
    points[60:90] = np.nan
    assert added(points, [80]).points == 0.0


def test_a_plain_fall_had_no_sugar_added() -> None:
    """Nor does an entry at an hour without a rise make any."""
    assert added(fall(), []).points == 0.0
    assert added(fall(), [100]).points == pytest.approx(0.0, abs=0.6)


@given(
    st.lists(st.one_of(st.just(float("nan")), st.floats(-20.0, 130.0)), max_size=80),
    st.integers(1, 12),
    st.lists(st.integers(-10, 900), max_size=4),
)
def test_any_readings_at_all_give_a_finite_sum(
    values: list[float], hours_each: int, written: list[int]
) -> None:
    """Jumps, gaps, entries before and after the readings: never less than nothing, never nan."""
    found = added(np.repeat(np.array(values), hours_each), written)
    assert 0.0 <= found.points < 1e5
