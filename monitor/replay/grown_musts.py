"""What may happen to a ferment of `grown`: its musts and yeasts, and what counts as a scenario.

Musts and rooms are drawn as those of `starved`, and held to the same limits; what the yeast is to them here.
Ranges are assumed: they are drawn widely, and a ferment that is not of its scenario is drawn again. What
comes after the end of a ferment is not followed here: no sweetening, no racking.
"""

from __future__ import annotations

import math
from dataclasses import replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from monitor.replay.grown import Yeast, follow, work_left
from monitor.replay.kinetics import STEP_H, Course, Deed
from monitor.replay.marks import Marks, marks_of
from monitor.replay.past import Past
from monitor.replay.scenario import ETHANOL_G_L_PER_ABV
from monitor.replay.starved import ETHANOL_YIELD, Must
from monitor.replay.starved_musts import (
    FINISHES_H,
    KINDS,
    LEFT_TO_FEED_POINTS,
    STALL_SHOWS_H,
    STALLS_BY_H,
    STUCK_ENDS_H,
    STYLE_SHARES,
    TAIL_H,
    TRIES,
    Style,
    comfort_of,
    must_of,
)
from monitor.replay.starved_rooms import room_of


class Scenario(StrEnum):
    """What a ferment is to be."""

    PLAIN = "plain"
    TAIL = "tail"
    LAG = "lag"
    COLD = "cold"
    STUCK = "stuck"
    STEPS = "steps"


SHARES: Final = {
    Scenario.PLAIN: 0.33,
    Scenario.TAIL: 0.26,
    Scenario.LAG: 0.08,
    Scenario.COLD: 0.09,
    Scenario.STUCK: 0.14,
    Scenario.STEPS: 0.10,
}
STREAM: Final = 9209
"""Keeps the draws apart from those that other mechanisms make of the same seed."""
MOST_KEPT_G_L: Final = 10.0
SLOW_PER_DAY: Final = 1.0


def past(seed: int) -> Past | None:
    """The ferment of a seed; None where none of its scenario came about in `TRIES`."""
    pick = default_rng([STREAM, seed])
    return past_in(Scenario(pick.choice(list(SHARES), p=list(SHARES.values()))), seed)


def past_in(scenario: Scenario, seed: int) -> Past | None:
    """A ferment of a scenario; None where none came about in `TRIES`."""
    tries = (_tried(default_rng([STREAM + 1, seed, attempt]), scenario) for attempt in range(TRIES))
    return next((found for found in tries if found is not None), None)


def _lognormal(rng: Generator, median: float, sigma: float) -> float:
    return float(rng.lognormal(math.log(median), sigma))


def yeast_of(rng: Generator, scenario: Scenario, must: Must, low_c: float) -> Yeast:
    """A yeast that takes the main part of the must's sugar in a time of its own."""
    full_g_l = ETHANOL_YIELD * must.sugar_g_l
    crowd = _lognormal(rng, 4.0, 0.3)
    main_h = _lognormal(rng, 85.0, 0.55)
    by_growth = rng.uniform(0.05, 0.5) * must.sugar_g_l / crowd
    tail = scenario is Scenario.TAIL
    bound = rng.uniform(4.0, 11.0) / must.drop_points if tail else rng.uniform(0.0, 0.06)
    yeast = Yeast(
        growth=_lognormal(rng, 0.14, 0.3),
        pitch_g_l=_lognormal(rng, 0.25, 0.5),
        crowd_g_l=crowd,
        lag_h=_lognormal(rng, 40.0 if scenario is Scenario.LAG else 10.0, 0.4),
        by_growth=by_growth,
        by_living=must.sugar_g_l / (crowd * main_h),
        half_g_l=_lognormal(rng, 12.0, 0.8),
        kept_g_l=min(_lognormal(rng, 1.0, 1.2), MOST_KEPT_G_L),
        crowding=float(rng.beta(0.6, 0.6)),
        slowed_at_g_l=full_g_l * _lognormal(rng, 1.2, 0.5),
        exponential=bool(rng.random() < 0.5),
        loss_h=_lognormal(rng, 1500.0, 0.5),
        loss_power=rng.uniform(0.8, 2.5),
        bound_share=min(bound, 0.4),
        freed_per_h=1.0 / (_lognormal(rng, 80.0, 0.4) if tail else _lognormal(rng, 40.0, 0.5)),
        sleeps_below_c=low_c - rng.uniform(1.5, 5.0),
    )
    # with half of the ethanol made it works at the pace drawn
    yeast = replace(yeast, by_living=yeast.by_living / work_left(yeast, full_g_l / 2.0))
    if scenario is Scenario.STUCK:
        # well under the time that it would need
        hours = main_h * rng.uniform(0.3, 1.0)
        yeast = replace(yeast, loss_h=hours, loss_power=rng.uniform(1.2, 4.0))
    return yeast


def _tried(rng: Generator, scenario: Scenario) -> Past | None:
    style = Style(rng.choice(list(STYLE_SHARES), p=list(STYLE_SHARES.values())))
    must = must_of(rng, style)
    comfort_c = comfort_of(rng, style)
    yeast = yeast_of(rng, scenario, must, comfort_c[0])
    room = room_of(rng, comfort_c, yeast.sleeps_below_c, chilled=scenario is Scenario.COLD)
    deeds: tuple[Deed, ...] = ()
    course = follow(must, yeast, room)
    marks = marks_of(course)
    if scenario is Scenario.STEPS:
        deeds = _steps(rng, must, course)
        course = follow(must, yeast, room, deeds)
        before = [np.interp(deed.hour - STEP_H, course.hours, course.gravity_sg) for deed in deeds]
        if (min(before) - course.attainable_sg[0]) * 1000.0 < LEFT_TO_FEED_POINTS:
            return None
        marks = marks_of(course)
    elif scenario is Scenario.STUCK and marks.stalls and rng.random() < 0.5:  # the maker feeds it
        hour = marks.stalls[0][0] + rng.uniform(4.0, 9.0) * 24.0
        deeds = (Deed(hour, "nutrient", must.nitrogen_g_l * rng.uniform(0.2, 0.8)),)
        course = follow(must, yeast, room, deeds)
        marks = marks_of(course)
    if not _of_its_scenario(scenario, marks):
        return None
    if marks.finished_h is None:
        end_h = min(marks.stalls[-1][0] + rng.uniform(8.0, 15.0) * 24.0, STUCK_ENDS_H)
    else:
        end_h = marks.finished_h + rng.uniform(7.0, 12.0) * 24.0
    hourly = slice(0, round(int(end_h) / STEP_H) + 1, round(1.0 / STEP_H))
    finished = marks.finished_h is not None
    return Past(
        gravity_sg=course.gravity_sg[hourly],
        temperature_c=course.temperature_c[hourly],
        attainable_sg=float(course.attainable_sg[0]),
        final_sg=marks.final_sg if finished else None,
        finished_h=marks.finished_h,
        kind=KINDS[style],
        tolerance_abv=ETHANOL_YIELD * must.sugar_g_l / ETHANOL_G_L_PER_ABV * rng.uniform(1.1, 1.9),
        deeds=deeds,
    )


def _steps(rng: Generator, must: Must, course: Course) -> tuple[Deed, ...]:
    """One to three additions of sugar, begun where a quarter to a half of it is gone."""
    left = course.gravity_sg - course.attainable_sg
    hour = float(course.hours[np.argmax(left < left[0] * rng.uniform(0.5, 0.75))])
    deeds = []
    for _ in range(int(rng.integers(1, 4))):
        deeds.append(Deed(hour, "sugar", rng.uniform(3.0, 8.0) / must.points_per_g_l))
        hour += rng.uniform(12.0, 44.0)
    return tuple(deeds)


def _of_its_scenario(scenario: Scenario, marks: Marks) -> bool:
    if marks.finished_h is not None and not FINISHES_H[0] <= marks.finished_h <= FINISHES_H[1]:
        return False
    if scenario is Scenario.STUCK:
        first, until = marks.stalls[0] if marks.stalls else (math.inf, math.inf)
        return first <= STALLS_BY_H and until - first >= STALL_SHOWS_H
    if marks.finished_h is None:
        return False
    if scenario is Scenario.COLD:
        return any(until - first > STALL_SHOWS_H for first, until in marks.stalls)
    slow = (marks.rate < SLOW_PER_DAY) & (marks.left_points >= 2.0)
    late = marks.left_points < 0.6 * marks.left_points[0]
    tail_h = float(np.count_nonzero(slow & late)) * STEP_H
    least_h = TAIL_H[0] if scenario is Scenario.TAIL else 0.0
    return not marks.stalls and least_h <= tail_h <= TAIL_H[1]
