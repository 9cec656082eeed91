"""The view ahead."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.outlook import Outlook, Standing, foresee

HALFWAY = Standing(
    level=25.0,
    start=50.0,
    expected=0.0,
    expected_sd=2.0,
    left_p05=10.0,
    left_p50=20.0,
    left_p95=30.0,
    rate=8.0,
    fastest=9.0,
    falling_hours=80.0,
)


def test_before_the_fall_nothing_is_foretold() -> None:
    """Unknown level or end gives no numbers at all."""
    unknown = foresee(dataclasses.replace(HALFWAY, level=math.nan))
    assert all(math.isnan(value) for value in dataclasses.astuple(unknown))


def test_halfway_the_must_speaks() -> None:
    """At half of the fall the middle is where the must should end."""
    assert foresee(HALFWAY).final_p50 == pytest.approx(0.0)


def test_at_the_end_the_tail_speaks() -> None:
    """Past the expected end the middle is the level less what the tail has left."""
    near = dataclasses.replace(HALFWAY, level=-1.0, left_p05=0.1, left_p50=0.4, left_p95=1.5, rate=0.2)
    assert foresee(near).final_p50 == pytest.approx(-1.4)


@given(
    st.floats(-10.0, 120.0),
    st.floats(0.0, 12.0),
    st.floats(0.0, 5.0),
    st.floats(0.0, 15.0),
    st.floats(0.5, 6.0),
)
def test_percentiles_are_in_order_and_nothing_rises(
    level: float, rate: float, left: float, more: float, spread: float
) -> None:
    """No final gravity stands above the level now, and percentiles of gravity and time rise."""
    s = dataclasses.replace(
        HALFWAY,
        level=level,
        start=120.0,
        expected_sd=spread,
        left_p05=left / 2.0,
        left_p50=left,
        left_p95=left + more,
        rate=rate,
    )
    o: Outlook = foresee(s)
    assert o.final_p05 <= o.final_p50 <= o.final_p95 <= level
    assert 0.0 < o.hours_p05 < o.hours_p50 < o.hours_p95


def test_a_slower_fall_ends_later() -> None:
    """With as much left, half the pace takes longer."""
    slow = dataclasses.replace(HALFWAY, rate=4.0, fastest=4.5)
    assert foresee(slow).hours_p50 > foresee(HALFWAY).hours_p50
