"""The view ahead."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment import foretelling
from monitor.ferment.evidence import Evidence
from monitor.ferment.left import Left
from monitor.ferment.network import SHARE, Answers
from monitor.ferment.outlook import Outlook, foresee
from monitor.ferment.shape import TRAITS

HALFWAY = Evidence(
    at_ms=0,
    level_points=25.0,
    start_points=50.0,
    expected_points=0.0,
    expected_sd=2.0,
    apart_sd=0.0,
)
REST = Left(10.0, 20.0, 30.0, 1.0)


def test_before_the_fall_nothing_is_foretold() -> None:
    """Unknown level or end gives no numbers at all."""
    unknown = foresee(dataclasses.replace(HALFWAY, level_points=math.nan), REST, None)
    assert all(math.isnan(value) for value in dataclasses.astuple(unknown))


def test_without_traits_no_time_is_foretold() -> None:
    """Where the course has no shape yet there is a final gravity, and no hour."""
    found = foresee(HALFWAY, REST, None)
    assert math.isfinite(found.final_p50)
    assert math.isnan(found.hours_p50)


def test_the_time_is_the_tables() -> None:
    """The hours are what the kept tables say of the traits."""
    traits = np.full(len(TRAITS), 10.0)
    found = foresee(HALFWAY, REST, traits)
    assert (found.hours_p05, found.hours_p50, found.hours_p95) == foretelling.hours_left(traits)


def test_the_networks_hours_count_for_their_share() -> None:
    """With the network's word beside them the logarithms of the hours are weighed as its word on the rest."""
    traits = np.full(len(TRAITS), 10.0)
    tables = foretelling.hours_left(traits)
    said = Answers(0.0, 4.0 * tables[0], tables[1] / 9.0, tables[2])
    found = foresee(HALFWAY, REST, traits, said)
    assert found.hours_p05 == pytest.approx(4.0**SHARE * tables[0])
    assert found.hours_p50 == pytest.approx(tables[1] / 9.0**SHARE)
    assert found.hours_p95 == pytest.approx(tables[2])


def test_halfway_the_must_speaks() -> None:
    """At half of the fall the middle is where the must should end."""
    assert foresee(HALFWAY, REST, None).final_p50 == pytest.approx(0.0)


def test_what_hardly_falls_ends_near_where_it_is() -> None:
    """Ten points above where its must should end, at a hundredth of its fastest fall: the tail speaks; at a
    fifth of it, the must does."""
    high = dataclasses.replace(HALFWAY, level_points=10.0, peak_per_day=10.0)
    slow = foresee(dataclasses.replace(high, slope_two=-0.1), Left(0.1, 0.4, 1.5), None)
    assert slow.final_p50 == pytest.approx(9.6)
    brisk = foresee(dataclasses.replace(high, slope_two=-2.0), Left(0.1, 0.4, 1.5), None)
    assert brisk.final_p50 == pytest.approx(0.0)


def test_at_the_end_the_tail_speaks() -> None:
    """Past the expected end the middle is the level less what the tail has left."""
    near = dataclasses.replace(HALFWAY, level_points=-1.0)
    assert foresee(near, Left(0.1, 0.4, 1.5), None).final_p50 == pytest.approx(-1.4)


def test_what_the_float_may_read_off_is_in_the_interval() -> None:
    """At rest, with nothing left for sure, nine tenths of the float's own error are what is not known
    (1.645 sd of a normal distribution on either side)."""
    rests = dataclasses.replace(HALFWAY, level_points=-1.0, apart_sd=1.7)
    found = foresee(rests, Left(0.0, 0.0, 0.0), None)
    assert found.final_p50 == pytest.approx(-1.0)
    assert found.final_p95 - found.final_p50 == pytest.approx(1.645 * 1.7)
    assert found.final_p50 - found.final_p05 == pytest.approx(1.645 * 1.7)
    less_sure = foresee(rests, Left(0.0, 0.0, 1.0), None)
    assert less_sure.final_p05 == pytest.approx(-1.0 - math.hypot(1.0, 1.645 * 1.7))


@given(
    st.floats(-10.0, 120.0),
    st.floats(0.0, 5.0),
    st.floats(0.0, 15.0),
    st.floats(0.5, 6.0),
    st.floats(0.0, 2.0),
)
def test_percentiles_are_in_order_and_nothing_rises(
    level: float, left: float, more: float, spread: float, off: float
) -> None:
    """No final gravity stands above the level now by more than the float's error; percentiles rise."""
    s = dataclasses.replace(
        HALFWAY,
        level_points=level,
        start_points=120.0,
        expected_sd=spread,
        apart_sd=off,
    )
    o: Outlook = foresee(s, Left(left / 2.0, left, left + more), None)
    assert o.final_p05 <= o.final_p50 <= o.final_p95 <= level + 1.645 * off
    assert o.final_p50 <= level


def test_with_nothing_new_the_end_comes_nearer_by_the_hours_that_pass() -> None:
    """Two hours later each time is two hours less, never less than none; the end itself stays."""
    seen = Outlook(-1.0, 0.0, 1.0, 1.5, 20.0, 50.0)
    assert seen.after(2.0) == Outlook(-1.0, 0.0, 1.0, 0.0, 18.0, 48.0)
    assert seen.after(0.0) == seen
