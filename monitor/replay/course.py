"""From a plan to a ferment that went by it: paced, chilled, fed, sweetened, and checked to be of its kind."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from monitor.ferment.premise import MustKind
from monitor.replay.kinetics import STEP_H, Course, Deed, FloatArray, integrate
from monitor.replay.marks import Marks, fallen_points, marks_of, runs
from monitor.replay.room import room_temperature
from monitor.replay.scenario import Plan, with_chill

HORIZON_H: Final = 54.0 * 24.0
"""As long as any ferment is followed; one that still moves then is not of use."""
SHORTEST_H: Final = 4.0 * 24.0
LONGEST_H: Final = 40.0 * 24.0
UNDECIDED_POINTS: Final = (4.4, 5.6)
"""Ending so far above what the must could reach is neither an end nor a stall to everyone."""
UNDECIDED_H: Final = 10.0
"""Nor is standing still for less than a day and a half, but longer than this."""


@dataclass(frozen=True, slots=True)
class Ferment:
    """A ferment as it truly went."""

    kind: MustKind | None
    gravity_sg: float
    """At pitching."""
    tolerance_abv: float
    """What the yeast is sold for."""
    course: Course
    marks: Marks
    """Of the ferment proper, before any sweetening."""
    deeds: tuple[Deed, ...]
    end_h: float
    """When the recording ends."""
    room_c: FloatArray
    attainable_sg: float
    """What the must, with its feeds and before any sweetening, could reach."""
    sweetened_h: float | None = None
    restarts: bool = False
    """Whether it goes again after sweetening."""

    @property
    def recorded(self) -> Course:
        """The course up to the end of the recording."""
        return self.course.first(int(self.end_h / STEP_H) + 1)


@dataclass(frozen=True, slots=True)
class _Weather:
    """The same weather for every attempt at one ferment."""

    seed: int
    start_hour: float

    def room(self, plan: Plan) -> FloatArray:
        return room_temperature(plan.room, HORIZON_H, self.start_hour, default_rng(self.seed))


def _follow(plan: Plan, weather: _Weather, deeds: tuple[Deed, ...]) -> Course:
    return integrate(
        plan.wort, plan.strain, weather.room(plan), deeds, cooling_h=plan.cooling_h, start_c=plan.start_c
    )


def ferment_of(plan: Plan, rng: Generator) -> Ferment | None:
    """The ferment that a plan gives, or None where it turns out to be of another kind than planned."""
    weather = _Weather(int(rng.integers(2**31)), rng.uniform(8.0, 22.0))
    plan, course = _paced(plan, weather)
    plan, deeds = _eventful(plan, course)
    course = _follow(plan, weather, deeds)
    marks = marks_of(course)
    if plan.rescue_days is not None and marks.stalls:
        feed = Deed(marks.stalls[0][0] + 24.0 * plan.rescue_days, "nutrient", rng.uniform(0.1, 0.25))
        deeds = (*deeds, feed)
        course = _follow(plan, weather, deeds)
        marks = marks_of(course)
    if not _of_its_kind(plan, marks):
        return None
    sweetened_h = None
    attainable_sg = float(course.attainable_sg[-1])
    if marks.finished_h is None:
        end_h = marks.stalls[-1][0] + rng.uniform(8.0, 14.0) * 24.0
    else:
        end_h = marks.finished_h + rng.uniform(6.2, 13.0) * 24.0
        if plan.sweetened_points is not None:
            sweetened_h = _on_step(marks.finished_h + rng.uniform(2.5, 9.0) * 24.0)
            end_h = sweetened_h + rng.uniform(8.0, 16.0) * 24.0
            deeds = (*deeds, *_finishing(plan, sweetened_h, rng))
            course = _follow(plan, weather, deeds)
    end_h = min(end_h, HORIZON_H)
    deeds = tuple(deed for deed in deeds if deed.hour < end_h)
    return Ferment(
        plan.kind,
        plan.gravity_sg,
        plan.tolerance_abv,
        course,
        marks,
        deeds,
        end_h,
        weather.room(plan),
        attainable_sg,
        sweetened_h,
        restarts=plan.restart_points_per_day is not None,
    )


def _on_step(hour: float) -> float:
    return round(hour / STEP_H) * STEP_H


def _paced(plan: Plan, weather: _Weather) -> tuple[Plan, Course]:
    """The plan with the yeast's pace, and its tail's, set to the wanted number of days."""
    course = _follow(plan, weather, ())
    if not (plan.stalls and plan.chill_at is None):
        fallen = fallen_points(course.gravity_sg)
        start, most = (float(course.hours[np.argmax(fallen >= share * fallen[-1])]) for share in (0.05, 0.88))
        speed = float(np.clip((most - start) / (24.0 * plan.fast_days), 0.25, 4.0))
        strain = replace(
            plan.strain, growth=plan.strain.growth * speed**0.6, uptake=plan.strain.uptake * speed
        )
        plan = replace(plan, strain=strain)
        course = _follow(plan, weather, ())
    for _ in range(2):
        if plan.tail_days is None:
            break
        sugars = plan.wort.sugars
        faster = float(np.clip(tail_days(marks_of(course)) / plan.tail_days, 0.3, 4.0))
        last = replace(sugars[-1], uptake=sugars[-1].uptake * faster)
        plan = replace(plan, wort=replace(plan.wort, sugars=(*sugars[:-1], last)))
        course = _follow(plan, weather, ())
    return plan, course


def tail_days(marks: Marks) -> float:
    """Days at under a point a day with two points or more still to go, after the fastest day."""
    after = np.arange(len(marks.rate)) > int(np.argmax(marks.rate))
    return float(np.count_nonzero(after & (marks.rate < 1.0) & (marks.left_points >= 2.0)) * STEP_H / 24.0)


def _eventful(plan: Plan, course: Course) -> tuple[Plan, tuple[Deed, ...]]:
    """The plan's spells and deeds, each at the hour at which its share of the drop is done."""
    fallen = fallen_points(course.gravity_sg)

    def hour_of(share: float) -> float:
        return float(course.hours[np.argmax(fallen >= share * fallen[-1])])

    deeds = [Deed(_on_step(hour_of(share)), "sugar", points * 1000.0 / 385.0) for share, points in plan.feeds]
    if plan.racked_at is not None:
        deeds.append(Deed(_on_step(hour_of(plan.racked_at)), "rack", 0.6))
    if plan.chill_at is not None:
        plan = with_chill(plan, hour_of(plan.chill_at))
    return plan, tuple(deeds)


def _finishing(plan: Plan, hour: float, rng: Generator) -> tuple[Deed, ...]:
    """Stabilised, then sweetened; the survivors, if any, go on from there."""
    stabilised = _on_step(max(hour - rng.uniform(2.0, 60.0), 0.0))
    points = plan.sweetened_points or 0.0
    deeds = [Deed(stabilised, "stabilise", 1.0e-4), Deed(hour, "sugar", points * 1000.0 / 385.0)]
    if plan.restart_points_per_day is not None:
        deeds.append(Deed(hour + STEP_H, "restart", plan.restart_points_per_day, plan.restart_wakes_h))
    return tuple(deeds)


def _of_its_kind(plan: Plan, marks: Marks) -> bool:
    if marks.finished_h is not None and not SHORTEST_H <= marks.finished_h <= LONGEST_H:
        return False
    if UNDECIDED_POINTS[0] < float(marks.above_points[-1]) < UNDECIDED_POINTS[1]:
        return False
    if marks.finished_h is None and not (marks.stalls and marks.stalls[-1][0] < HORIZON_H - 14.0 * 24.0):
        return False
    settled = float(marks.rate[-round(36.0 / STEP_H)]) < 0.08
    if plan.tail_days is not None and not 1.5 <= tail_days(marks) <= 13.0:
        return False
    if plan.stalls:
        return bool(marks.stalls) and settled
    if plan.sweetened_points is not None and (marks.finished_h is None or marks.finished_h > 28.0 * 24.0):
        return False
    still = (marks.rate < 0.3) & (marks.above_points > 5.0) & (marks.left_points < marks.left_points[0] - 3.0)
    longest = max(((end - first) * STEP_H for first, end in runs(still)), default=0.0)
    return settled and not marks.stalls and longest < UNDECIDED_H
