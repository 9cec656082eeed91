"""Ferments of each scenario come about and are what they are called."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from monitor.replay.grown_musts import SHARES, Scenario, past, past_in
from monitor.replay.past import Past
from monitor.replay.starved_musts import FINISHES_H

SEEDS = (920_000, 920_001, 920_002)


@cache
def found(scenario: Scenario) -> tuple[Past, ...]:
    """What a few seeds give."""
    ferments = [past_in(scenario, seed) for seed in SEEDS]
    assert None not in ferments
    return tuple(ferment for ferment in ferments if ferment is not None)


def points(ferment: Past) -> np.ndarray:
    """The gravity at every hour, points."""
    return 1000.0 * (ferment.gravity_sg - 1.0)


def test_shares_are_of_a_whole() -> None:
    """Scenarios are shared out completely."""
    assert sum(SHARES.values()) == pytest.approx(1.0)
    assert set(SHARES) == set(Scenario)


@pytest.mark.parametrize("scenario", [s for s in Scenario if s is not Scenario.STUCK])
def test_what_finishes_has_a_point_left_then_and_its_end_after(scenario: Scenario) -> None:
    """At the marked hour a point is left; a week after it is held, and it falls no lower than it can."""
    for ferment in found(scenario):
        assert ferment.final_sg is not None
        assert ferment.finished_h is not None
        left = points(ferment) - 1000.0 * (ferment.final_sg - 1.0)
        at = math.ceil(ferment.finished_h)
        assert FINISHES_H[0] <= ferment.finished_h <= FINISHES_H[1]
        assert left[at] <= 1.0 < left[at - 1] + 0.2
        assert 0.0 <= ferment.final_sg - ferment.attainable_sg <= 0.005
        assert ferment.gravity_sg.size == ferment.temperature_c.size > ferment.finished_h + 7 * 24
        assert ferment.gravity_sg.min() >= ferment.attainable_sg


@pytest.mark.parametrize("scenario", [Scenario.PLAIN, Scenario.LAG, Scenario.TAIL, Scenario.COLD])
def test_nothing_rises_that_nobody_feeds(scenario: Scenario) -> None:
    """Without added sugar the gravity falls or stays."""
    for ferment in found(scenario):
        assert np.all(np.diff(points(ferment)) <= 1e-9)


def test_a_lag_is_longer_than_none() -> None:
    """The first two points take half as long again, and more."""

    def shows_h(scenario: Scenario) -> float:
        return float(np.median([int(np.argmax(points(f)[0] - points(f) > 2.0)) for f in found(scenario)]))

    assert shows_h(Scenario.LAG) > 1.5 * shows_h(Scenario.PLAIN)


def test_a_tail_is_slow_at_its_end() -> None:
    """The last points but two take two days and more."""
    for ferment in found(Scenario.TAIL):
        assert ferment.final_sg is not None
        left = points(ferment) - 1000.0 * (ferment.final_sg - 1.0)
        slow = (left[:-24] - left[24:] < 1.0) & (left[:-24] >= 2.0)
        assert np.count_nonzero(slow[24:]) >= 40


@pytest.mark.parametrize("scenario", [Scenario.COLD, Scenario.STUCK])
def test_what_stalls_stands_for_days_with_much_to_go(scenario: Scenario) -> None:
    """Under a third of a point in a day, for three days together."""
    for ferment in found(scenario):
        course = points(ferment)
        above = course[:-72] - 1000.0 * (ferment.attainable_sg - 1.0)
        begun = course[0] - course[:-72] > 3.0
        assert np.any((course[:-72] - course[72:] < 1.0) & (above > 5.0) & begun)
        assert (ferment.final_sg is None) == (ferment.finished_h is None)


def test_steps_of_sugar_lift_the_gravity_under_way() -> None:
    """At least once by a point and more, before its end."""
    for ferment in found(Scenario.STEPS):
        jumps = np.flatnonzero(np.diff(points(ferment)) > 1.0)
        assert jumps.size
        assert ferment.finished_h is not None
        assert jumps[-1] < ferment.finished_h


def test_the_same_seed_gives_the_same_past() -> None:
    """And another another."""
    one, again, other = past(920_003), past(920_003), past(920_004)
    assert one is not None
    assert again is not None
    assert other is not None
    assert np.array_equal(one.gravity_sg, again.gravity_sg)
    assert one.finished_h == again.finished_h
    assert other.gravity_sg[0] != one.gravity_sg[0]
