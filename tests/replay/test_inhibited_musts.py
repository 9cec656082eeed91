"""Every scenario comes about, is what it says, and is the same for the same seed."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.ferment.premise import MustKind
from monitor.replay.inhibited import STEP_H, Course, DeedKind
from monitor.replay.inhibited_batch import Scenario, draw_batch, extract_of
from monitor.replay.inhibited_musts import SHARES, Ferment, ferment_of, marks_of, past, past_of


@cache
def one(scenario: Scenario, seed: int = 1) -> Ferment:
    """A ferment of the scenario, made once."""
    ferment = ferment_of(default_rng(seed), scenario)
    assert ferment is not None
    return ferment


def course_of(points: np.ndarray, attainable: float = 0.0) -> Course:
    """A course of these points, one a step."""
    hours = np.arange(points.size) * STEP_H
    rest = np.zeros((points.size, 3))
    return Course(hours, points, np.full(points.size, attainable), rest[:, 0] + 20.0, rest, rest[:, 0])


def stall_h(ferment: Ferment) -> float:
    """The length of its first stall."""
    first, last = ferment.marks.stalls[0]
    return last - first


def test_marks_of_an_exponential_are_those_of_its_logarithm() -> None:
    """40 exp(-t/48) has a point left at 48 ln 40 = 177.1 h, and no stall."""
    hours = np.arange(0.0, 1000.0, STEP_H)
    marks = marks_of(course_of(40.0 * np.exp(-hours / 48.0)), 999.0)
    assert marks.finished_h == pytest.approx(48.0 * np.log(40.0), abs=STEP_H)
    # with two points left it still falls by a point a day
    assert marks.tail_h == pytest.approx(0.0, abs=1.0)
    assert marks.stalls == ()


def test_marks_tell_a_stall_from_a_tail() -> None:
    """Five days at 20 points, then eight at half a point a day: one stall, and a tail of its upper part."""
    hours = np.arange(0.0, 1000.0, STEP_H)
    points = np.interp(hours, (0.0, 48.0, 168.0, 216.0, 408.0), (40.0, 20.0, 20.0, 4.0, 0.0))
    marks = marks_of(course_of(points), 999.0)
    ((first, last),) = marks.stalls
    assert (first, last) == (pytest.approx(60.0, abs=1.0), pytest.approx(156.0, abs=1.0))
    assert marks.tail_h == pytest.approx(96.0, abs=12.0)
    # after sugar that was added at hour 400 there is no finish before it
    assert marks_of(course_of(points), 999.0, 400.0).finished_h == 400.0


def test_extract_follows_the_sugar_tables() -> None:
    """103.9 g/L at 1.040 and 156 at 1.060 (ASBC)."""
    assert extract_of(40.0) == pytest.approx(103.9, abs=0.8)
    assert extract_of(60.0) == pytest.approx(156.0, abs=1.0)


@pytest.mark.parametrize("scenario", Scenario)
def test_a_batch_is_possible(scenario: Scenario) -> None:
    """No sugar is negative, less ferments than was dissolved, and the room is one that people live in."""
    rng = default_rng(7)
    for _ in range(20):
        batch = draw_batch(rng, scenario)
        assert min(batch.must.sugars_g_l) > 0.0
        share = sum(batch.must.sugars_g_l) / extract_of(batch.must.gravity_points)
        assert share < (0.71 if batch.kind is MustKind.MALT else 0.95)
        assert min(batch.yeast.uptakes) > 0.0
        assert -8.0 < batch.carboy.room_c.min() < batch.carboy.room_c.max() < 35.0


@pytest.mark.parametrize("scenario", Scenario)
def test_every_scenario_keeps_its_promise(scenario: Scenario) -> None:
    """It ends, or stands, as it should, and its past holds the marks of it."""
    ferment = one(scenario)
    held = past_of(ferment)
    assert held.gravity_sg.size == held.temperature_c.size == int(ferment.end_h) + 1
    assert held.gravity_sg[0] == pytest.approx(1.0 + ferment.batch.must.gravity_points / 1000.0)
    assert (held.final_sg is None) == (held.finished_h is None)
    if held.finished_h is None or held.final_sg is None:
        assert scenario in (Scenario.ALCOHOL, Scenario.NUTRIENT)
        assert held.gravity_sg[-1] > held.attainable_sg + 0.005
        return
    assert 96.0 <= held.finished_h <= 960.0
    assert held.attainable_sg <= held.final_sg <= held.attainable_sg + 0.005
    at_finish = float(np.interp(held.finished_h, np.arange(held.gravity_sg.size), held.gravity_sg))
    assert at_finish <= held.final_sg + 0.0011
    assert bool(ferment.marks.stalls) == (scenario in (Scenario.COLD, Scenario.ALCOHOL, Scenario.NUTRIENT))


@pytest.mark.parametrize("scenario", [Scenario.COLD, Scenario.ALCOHOL, Scenario.NUTRIENT])
@pytest.mark.parametrize("seed", [1, 2])
def test_what_stalls_stands_for_days(scenario: Scenario, seed: int) -> None:
    """At least 110 hours; the cold one in a cold liquid, and to its end afterwards."""
    ferment = one(scenario, seed)
    assert stall_h(ferment) >= 110.0
    if scenario is Scenario.COLD:
        middle = int((ferment.marks.stalls[0][0] + 55.0) / STEP_H)
        assert ferment.course.temperature_c[middle] < ferment.batch.yeast.sleeps_below_c + 2.0
        assert ferment.finished


def test_a_tail_takes_days() -> None:
    """Three to twelve of them at under a point a day."""
    assert 72.0 <= one(Scenario.TAIL).marks.tail_h <= 288.0


def test_a_lag_is_longer_than_none() -> None:
    """What lags takes half as long again, and more, to fall by two points."""

    def shows_h(scenario: Scenario, seed: int) -> float:
        points = one(scenario, seed).course.points
        return float(np.argmax(points < points[0] - 2.0)) * STEP_H

    plain, lag = ([shows_h(each, seed) for seed in (1, 2, 3)] for each in (Scenario.PLAIN, Scenario.LAG))
    assert np.median(lag) > 1.5 * np.median(plain)


def test_late_cold_comes_when_little_is_left() -> None:
    """The coldest hour of the last days is near the end, and it ends nevertheless."""
    ferment = one(Scenario.COLD_LATE)
    assert ferment.finished
    assert float(np.ptp(past_of(ferment).temperature_c)) > 5.0


@pytest.mark.parametrize("seed", [1, 3])
def test_what_is_fed_rises(seed: int) -> None:
    """Each addition lifts the gravity within some hours, and the finish comes after the last."""
    ferment = one(Scenario.STEPS, seed)
    for deed in ferment.deeds:
        at = int(deed.hour / STEP_H)
        assert ferment.course.points[at : at + 24].max() > ferment.course.points[at]
    assert ferment.marks.finished_h >= ferment.deeds[-1].hour + 12.0


def test_what_is_racked_has_its_deed() -> None:
    """Not before its third day."""
    (deed,) = one(Scenario.RACK).deeds
    assert deed.kind is DeedKind.RACK
    assert deed.hour >= 72.0


@pytest.mark.parametrize("seed", [1, 2])
def test_what_was_sweetened_goes_or_holds(seed: int) -> None:
    """By the alcohol: more of it within ten days where it ferments again, none where it is stable."""
    for scenario in (Scenario.REFERMENT, Scenario.STABLE):
        ferment = one(scenario, seed)
        sweetened_h = ferment.sweetened_h
        assert sweetened_h is not None
        assert ferment.marks.finished_h + 96.0 <= sweetened_h <= 1056.0
        from_then = ferment.course.ethanol_g_l[int(sweetened_h / STEP_H) + 1 :]
        made = float(from_then[960] - from_then[0])
        assert made > 0.3 if scenario is Scenario.REFERMENT else made == 0.0


def test_the_same_seed_gives_the_same_past() -> None:
    """Another seed gives another."""
    first, again, other = past(4), past(4), past(6)
    assert first is not None
    assert again is not None
    assert other is not None
    assert np.array_equal(first.gravity_sg, again.gravity_sg)
    assert np.array_equal(first.temperature_c, again.temperature_c)
    assert first.finished_h == again.finished_h
    assert first.gravity_sg[0] != other.gravity_sg[0]


def test_shares_are_of_all_scenarios() -> None:
    """They sum to one, and none is left out."""
    assert sum(SHARES.values()) == pytest.approx(1.0)
    assert set(SHARES) == set(Scenario)
