"""A plan becomes a ferment of its kind, or none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.replay.course import Ferment, ferment_of, tail_days
from monitor.replay.kinetics import STEP_H, Course
from monitor.replay.marks import marks_of
from monitor.replay.scenario import SCENARIOS, Plan


def first_planned(scenario: str, seed: int) -> tuple[Plan, Ferment]:
    """The first ferment that comes of a scenario's plans, and its plan."""
    rng = default_rng(seed)
    for _ in range(40):
        plan = SCENARIOS[scenario](rng)
        ferment = ferment_of(plan, rng)
        if ferment is not None:
            return plan, ferment
    raise AssertionError(f"no {scenario}")


def first_of(scenario: str, seed: int) -> Ferment:
    """The first ferment that comes of a scenario's plans."""
    return first_planned(scenario, seed)[1]


def test_tail_days_are_those_of_a_line() -> None:
    """Four days of half a point a day, of which the last two points are left out."""
    hours = np.arange(0.0, 800.0, STEP_H)
    # half a point a day from 5 points down to nothing takes ten days; six of them have two points to go
    points = np.interp(hours, (0.0, 48.0, 48.0 + 240.0), (45.0, 5.0, 0.0))
    course = Course(hours, 1.0 + points / 1000.0, hours * 0.0 + 20.0, hours * 0.0 + 1.0)
    assert tail_days(marks_of(course)) == pytest.approx(5.5, abs=0.6)


def test_what_is_fed_rises_and_has_its_deeds() -> None:
    """Every feed of the plan is a deed, and gravity steps up at it."""
    plan, ferment = first_planned("fed", 2)
    sugar = [deed for deed in ferment.deeds if deed.kind == "sugar"]
    assert len(sugar) == len(plan.feeds)
    course = ferment.course
    for deed in sugar:
        step = int(np.searchsorted(course.hours, deed.hour))
        assert course.gravity_sg[step + 1] > course.gravity_sg[step]


def test_a_restart_goes_by_the_pace_asked_for() -> None:
    """The fastest day after sweetening is within a factor of two and a half of the plan."""
    plan, ferment = first_planned("restarts", 5)
    assert ferment.restarts
    start = int(ferment.sweetened_h / STEP_H) + 4
    gravity = ferment.recorded.gravity_sg[start:]
    day = round(24.0 / STEP_H)
    fastest = 1000.0 * float((gravity[:-day] - gravity[day:]).max())
    asked = plan.restart_points_per_day
    assert asked / 2.5 < fastest < asked * 2.5


def test_a_plan_that_turns_out_otherwise_gives_none() -> None:
    """A chill of nothing does not stall, so it is no cold stall."""
    rng = default_rng(1)
    plan = replace(SCENARIOS["cold-stall"](rng), chill_c=0.0)
    assert ferment_of(plan, rng) is None


def test_the_recording_ends_with_its_course() -> None:
    """The recorded part is the whole up to its end."""
    ferment = first_of("wort", 1)
    recorded = ferment.recorded
    assert recorded.hours[-1] == pytest.approx(ferment.end_h, abs=STEP_H)
    assert np.array_equal(recorded.gravity_sg, ferment.course.gravity_sg[: len(recorded.hours)])
