"""Ferments of each scenario come about and are what they are called."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.replay.past import Past
from monitor.replay.starved_musts import (
    FINISHES_H,
    SHARES,
    STYLE_SHARES,
    Scenario,
    Style,
    must_of,
    past,
    past_in,
    yeast_of,
)

SEEDS = (910_000, 910_001)


@cache
def found(scenario: Scenario) -> tuple[Past, ...]:
    """What a few seeds give."""
    ferments = [past_in(scenario, seed) for seed in SEEDS]
    assert None not in ferments
    return tuple(ferment for ferment in ferments if ferment is not None)


def points(ferment: Past) -> np.ndarray:
    """The gravity at every hour, points."""
    return 1000.0 * (ferment.gravity_sg - 1.0)


def longest_still_h(ferment: Past) -> int:
    """The longest time without a third of a point a day, after five points have gone."""
    course = points(ferment)[: None if ferment.finished_h is None else int(ferment.finished_h)]
    still = (course[:-24] - course[24:] < 0.33) & (course[0] - course[:-24] > 3.0)
    longest = here = 0
    for standing in still:
        here = here + 1 if standing else 0
        longest = max(longest, here)
    return longest


def test_shares_are_of_a_whole() -> None:
    """Scenarios and kinds of must are shared out completely."""
    assert sum(SHARES.values()) == pytest.approx(1.0)
    assert sum(STYLE_SHARES.values()) == pytest.approx(1.0)
    assert set(SHARES) == set(Scenario)
    assert set(STYLE_SHARES) == set(Style)


@pytest.mark.parametrize("scenario", [s for s in Scenario if s is not Scenario.STUCK])
def test_what_finishes_has_a_point_left_then_and_its_end_after(scenario: Scenario) -> None:
    """At the marked hour a point is left; it ends near what the must could reach, and is held for a week."""
    for ferment in found(scenario):
        assert ferment.final_sg is not None
        assert ferment.finished_h is not None
        course, final = points(ferment), 1000.0 * (ferment.final_sg - 1.0)
        at = math.ceil(ferment.finished_h)
        assert FINISHES_H[0] <= ferment.finished_h <= FINISHES_H[1]
        assert course[at] - final <= 1.0 < course[at - 1] - final
        assert 0.0 <= ferment.final_sg - ferment.attainable_sg <= 0.005
        assert course.size > ferment.finished_h + 7 * 24
        assert course.size == ferment.temperature_c.size
        assert course.min() >= 1000.0 * (ferment.attainable_sg - 1.0)


@pytest.mark.parametrize("scenario", [Scenario.PLAIN, Scenario.LAG, Scenario.RACKED, Scenario.TAIL])
def test_nothing_rises_that_nobody_feeds(scenario: Scenario) -> None:
    """Without added sugar the gravity falls or stays."""
    for ferment in found(scenario):
        assert np.all(np.diff(points(ferment)) <= 1e-9)


def test_a_lag_is_long() -> None:
    """The first two points take a day and a half and more."""
    for ferment in found(Scenario.LAG):
        assert int(np.argmax(points(ferment)[0] - points(ferment) > 2.0)) > 36


def test_a_tail_is_slow_at_its_end() -> None:
    """The last points but one or two take two days and more."""
    for ferment in found(Scenario.TAIL):
        left = points(ferment) - 1000.0 * (ferment.final_sg - 1.0)
        slow = (left[:-1] - left[1:] < 1.0 / 24.0) & (left[:-1] >= 2.0)
        assert np.count_nonzero(slow[24:]) >= 50


def test_a_cold_one_stands_still_and_ends() -> None:
    """For three days and more."""
    assert all(longest_still_h(ferment) > 60 for ferment in found(Scenario.COLD))


def test_a_stuck_one_stands_still_with_much_to_go() -> None:
    """For days, far above what the must could reach; one that stays so has neither finish nor end."""
    for ferment in found(Scenario.STUCK):
        assert longest_still_h(ferment) > 60
        assert (ferment.final_sg is None) == (ferment.finished_h is None)
        if ferment.final_sg is None:
            assert ferment.gravity_sg.min() > ferment.attainable_sg + 0.005


def test_steps_of_sugar_lift_the_gravity_under_way() -> None:
    """At least once by a point and more, before its end."""
    for ferment in found(Scenario.STEPS):
        jumps = np.flatnonzero(np.diff(points(ferment)) > 1.0)
        assert jumps.size
        assert jumps[-1] < ferment.finished_h
        assert ferment.sweetened_h is None


@pytest.mark.parametrize("scenario", [Scenario.REFERMENT, Scenario.STABLE])
def test_sweetened_ones_rise_and_go_again_or_hold(scenario: Scenario) -> None:
    """Sweetened by 4 points and more, days after the end; one loses a point of it, the other nothing."""
    for ferment in found(scenario):
        assert ferment.sweetened_h is not None
        assert ferment.sweetened_h > ferment.finished_h + 90.0
        course, at = points(ferment), math.ceil(ferment.sweetened_h)
        assert course[at] - course[at - 1] > 3.5
        lost = course[at] - course[-1]
        assert lost > 0.9 if scenario is Scenario.REFERMENT else lost == 0.0


def test_the_same_seed_gives_the_same_past() -> None:
    """And another another."""
    one, again, other = past(910_002), past(910_002), past(910_003)
    assert one is not None
    assert again is not None
    assert other is not None
    assert np.array_equal(one.gravity_sg, again.gravity_sg)
    assert np.array_equal(one.temperature_c, again.temperature_c)
    assert one.finished_h == again.finished_h
    assert other.gravity_sg[0] != one.gravity_sg[0]


@pytest.mark.parametrize(("sg", "solids"), [(1.040, 103.9), (1.060, 156.0), (1.100, 261.0)])
def test_the_sugar_is_that_of_the_tables(sg: float, solids: float) -> None:
    """All dissolved solids by ICUMSA SPS-4, of which 0.86 to 0.96 can ferment; within half a per cent."""
    style = Style.SESSION if sg < 1.05 else Style.MEAD
    for seed in range(20):
        must = must_of(default_rng(seed), style)
        whole = solids * must.start_points / (1000.0 * (sg - 1.0))
        assert 0.845 < must.sugar_g_l / whole < 0.985


def test_musts_can_reach_what_the_balance_of_mass_gives() -> None:
    """Mead of 1.040 and a fermentable share of 0.855 to 0.943: 0.9981 to 0.9938, glycerol puts on up to 2."""
    for seed in range(40):
        must = must_of(default_rng(seed), Style.SESSION)
        assert -8.5 < must.attainable_points < 1.5


def test_a_healthy_yeast_can_bear_its_must() -> None:
    """Its limit lies above the ethanol that all of the sugar gives."""
    for style in Style:
        for seed in range(10):
            rng = default_rng(seed)
            must = must_of(rng, style)
            yeast = yeast_of(rng, must, style, 15.0)
            assert yeast.ethanol_limit_g_l > 0.475 * must.sugar_g_l
