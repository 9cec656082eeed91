"""Ferments of `inhibited` as they truly went: what makers and rooms do to a batch, and what it then is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from monitor.ferment.premise import MustKind
from monitor.replay.inhibited import POINTS_PER_G_L, STEP_H, Course, DeedKind, follow
from monitor.replay.inhibited_batch import (
    HORIZON_H,
    Batch,
    Scenario,
    chilled,
    draw_batch,
    log_uniform,
)
from monitor.replay.kinetics import Deed
from monitor.replay.marks import BEGUN_POINTS, FINISHED_LEFT, STALL_ABOVE, STALL_RATE, runs
from monitor.replay.past import Past
from monitor.replay.room import RoomSpell
from monitor.replay.scenario import ETHANOL_G_L_PER_ABV
from monitor.units import POINTS_PER_SG

SHARES: Final[dict[Scenario, float]] = {
    Scenario.PLAIN: 0.18,
    Scenario.LAG: 0.06,
    Scenario.TAIL: 0.19,
    Scenario.COLD: 0.08,
    Scenario.COLD_LATE: 0.12,
    Scenario.NUTRIENT: 0.06,
    Scenario.ALCOHOL: 0.05,
    Scenario.STEPS: 0.07,
    Scenario.RACK: 0.04,
    Scenario.REFERMENT: 0.08,
    Scenario.STABLE: 0.07,
}
STALLING: Final = (Scenario.COLD, Scenario.ALCOHOL, Scenario.NUTRIENT)
SWEETENED: Final = (Scenario.REFERMENT, Scenario.STABLE)
STREAM: Final = 3
"""Keeps its draws apart from those of other mechanisms by the same seed."""
TRIES: Final = 400

ENDS_H: Final = HORIZON_H - 24.0
"""Where a ferment stands by then is its end."""
STANDS_H: Final = 24.0
STALL_H: Final = 110.0
"""The least of a stall that a scenario is drawn for; it falls by no more than the points below meanwhile."""
STALL_FALL: Final = 0.7
LIMIT_PER_TOLERANCE: Final = 1.15
"""Where all work ends, by the alcohol that the yeast is sold for (common practice: somewhat less)."""
TAIL_H: Final = (72.0, 12.0 * 24.0)
TAIL_ABOVE: Final = 4.0
FINISHES_H: Final = (4.0 * 24.0, 40.0 * 24.0)
PLAIN_H: Final = 24.0 * 24.0
LAST_SWEETENING_H: Final = 44.0 * 24.0


@dataclass(frozen=True, slots=True)
class Marks:
    """What is true of a course up to some hour, the last of which is its end."""

    finished_h: float
    """The first hour with at most a point left."""
    final_points: float
    stalls: tuple[tuple[float, float], ...]
    tail_h: float
    """Hours at under a point a day, with two to twelve points left."""


def marks_of(course: Course, until_h: float, added_h: float = 0.0) -> Marks:
    """The marks up to an hour; what comes before sugar was added for the last time is no finish."""
    upto = int(until_h / STEP_H) + 1
    points = course.points[:upto]
    left = points - points[-1]
    half_day = round(12.0 / STEP_H)
    padded = np.pad(points, half_day, mode="edge")
    rate = padded[: -2 * half_day] - padded[2 * half_day :]
    begun = points[0] - points > BEGUN_POINTS
    # what rises by a point and more is being fed
    slow = (
        (rate < STALL_RATE) & (rate > -1.0) & begun & (points - course.attainable_points[:upto] > STALL_ABOVE)
    )
    stalls = [(first * STEP_H, (end - 1) * STEP_H) for first, end in runs(slow)]
    tail = (rate < 1.0) & (left > 2.0) & (left < 12.0) & begun
    done = (left <= FINISHED_LEFT) & (course.hours[:upto] >= added_h)
    return Marks(
        finished_h=float(np.argmax(done)) * STEP_H,
        final_points=float(points[-1]),
        stalls=tuple((first, end) for first, end in stalls if end - first >= STANDS_H),
        tail_h=float(np.count_nonzero(tail)) * STEP_H,
    )


@dataclass(frozen=True, slots=True)
class Ferment:
    """A ferment that is what its scenario says."""

    scenario: Scenario
    batch: Batch
    deeds: tuple[Deed, ...]
    course: Course
    marks: Marks
    """Of the ferment proper, before any sweetening."""
    finished: bool
    end_h: float
    sweetened_h: float | None = None


def past(seed: int) -> Past | None:
    """A ferment of a scenario drawn by `SHARES`; None where none came about in the tries allowed."""
    rng = default_rng([STREAM, seed])
    scenario = tuple(SHARES)[int(rng.choice(len(SHARES), p=tuple(SHARES.values())))]
    ferment = ferment_of(rng, scenario)
    return None if ferment is None else past_of(ferment)


def ferment_of(rng: Generator, scenario: Scenario) -> Ferment | None:
    """The first ferment of `TRIES` that is what the scenario says."""
    tries = (_tried(rng, scenario) for _ in range(TRIES))
    return next((ferment for ferment in tries if ferment is not None), None)


def past_of(ferment: Ferment) -> Past:
    """What a precedent is cut from: the ferment hour by hour up to its end."""
    course, sweetened_h = ferment.course, ferment.sweetened_h
    hours = np.arange(int(ferment.end_h) + 1, dtype=np.float64)
    before_h = ferment.end_h if sweetened_h is None else sweetened_h - 1.0
    return Past(
        gravity_sg=1.0 + np.interp(hours, course.hours, course.points) / POINTS_PER_SG,
        temperature_c=np.interp(hours, course.hours, course.temperature_c),
        attainable_sg=1.0 + float(course.attainable_points[int(before_h / STEP_H)]) / POINTS_PER_SG,
        final_sg=1.0 + ferment.marks.final_points / POINTS_PER_SG if ferment.finished else None,
        finished_h=ferment.marks.finished_h if ferment.finished else None,
        sweetened_h=sweetened_h,
        kind=ferment.batch.kind,
        tolerance_abv=ferment.batch.yeast.ethanol_limit_g_l / ETHANOL_G_L_PER_ABV / LIMIT_PER_TOLERANCE,
        deeds=ferment.deeds,
    )


def _tried(rng: Generator, scenario: Scenario) -> Ferment | None:
    batch = draw_batch(rng, scenario)
    deeds: tuple[Deed, ...] = ()
    course = _follow(batch)
    added_h = 0.0
    if scenario is Scenario.STEPS:
        deeds = _feeds(rng, course)
        added_h = deeds[-1].hour + 12.0
        course = _follow(batch, deeds)
        above = course.points - course.attainable_points
        if float(np.interp(deeds[0].hour, course.hours, above)) < 3.0:
            return None
    elif scenario is Scenario.COLD_LATE:
        batch = _chilled_late(rng, batch, course)
        course = _follow(batch)
    elif scenario is Scenario.NUTRIENT:
        stalls = marks_of(course, ENDS_H).stalls
        if stalls and rng.random() < 0.55:
            deeds = _rescue(rng, stalls[0][0])
            course = _follow(batch, deeds)
    marks = marks_of(course, ENDS_H, added_h)
    above_end = marks.final_points - float(course.attainable_points[-1])
    finished = above_end <= STALL_ABOVE
    if not _of_its_kind(rng, scenario, batch, course, marks, above_end):
        return None
    if scenario is Scenario.RACK:
        racked_h = max(marks.finished_h + rng.uniform(-60.0, 90.0), 72.0)
        deeds = (Deed(racked_h, DeedKind.RACK, rng.uniform(0.25, 0.7)),)
        course = _follow(batch, deeds)
        marks = marks_of(course, ENDS_H)
        if marks.stalls or marks.finished_h > FINISHES_H[1]:
            return None
    ferment = Ferment(scenario, batch, deeds, course, marks, finished, HORIZON_H)
    if scenario in SWEETENED:
        return _sweetened(rng, ferment)
    if finished:
        end_h = marks.finished_h + 24.0 * rng.uniform(7.5, 11.0)
    else:
        end_h = marks.stalls[0][0] + 24.0 * rng.uniform(11.0, 16.0)
        end_h = max([end_h, *(deed.hour + 8.0 * 24.0 for deed in deeds)])
    return replace(ferment, end_h=min(end_h, HORIZON_H))


def _follow(batch: Batch, deeds: Sequence[Deed] = ()) -> Course:
    return follow(batch.must, batch.yeast, batch.carboy, deeds)


def _grams(points: float) -> float:
    return points / POINTS_PER_G_L


def _feeds(rng: Generator, course: Course) -> tuple[Deed, ...]:
    """One to three additions of sugar, the first of them at 45 hundredths of the fall."""
    count = int(rng.integers(1, 4))
    fallen = course.points[0] - course.points
    deeds = []
    for place in range(count):
        share = 0.45 + 0.3 * place / count
        hour = float(course.hours[np.argmax(fallen >= share * fallen[-1])])
        hour += rng.uniform(0.0, 20.0) + 30.0 * place
        deeds.append(Deed(hour, DeedKind.SUGAR, _grams(rng.uniform(5.0, 18.0))))
    return tuple(deeds)


def _chilled_late(rng: Generator, batch: Batch, course: Course) -> Batch:
    """The room goes cold where three to five points are left, for a yeast that minds."""
    left = course.points - course.points[-1]
    at_h = float(course.hours[np.argmax(left < rng.uniform(2.6, 5.5))])
    spell = RoomSpell(at_h, at_h + rng.uniform(26.0, 58.0), -rng.uniform(6.0, 10.0))
    room_c = chilled(batch.carboy.room_c, (spell,))
    return replace(
        batch,
        yeast=replace(batch.yeast, sleeps_below_c=rng.uniform(8.0, 13.0)),
        carboy=replace(batch.carboy, room_c=room_c),
    )


def _rescue(rng: Generator, stalled_h: float) -> tuple[Deed, ...]:
    """Nutrient and fresh yeast, four to nine days into a stall."""
    hour = stalled_h + rng.uniform(100.0, 220.0)
    return (
        Deed(hour, DeedKind.NUTRIENT, rng.uniform(0.04, 0.12)),
        Deed(hour, DeedKind.YEAST, rng.uniform(0.1, 0.5)),
    )


def _of_its_kind(
    rng: Generator, scenario: Scenario, batch: Batch, course: Course, marks: Marks, above_end: float
) -> bool:
    finished = above_end <= STALL_ABOVE
    if scenario in STALLING:
        if not _stands(rng, batch, course, marks) or (scenario is Scenario.COLD and not finished):
            return False
    elif marks.stalls or not finished:
        return False
    if scenario is Scenario.TAIL:
        if not TAIL_H[0] <= marks.tail_h <= TAIL_H[1] or above_end > TAIL_ABOVE:
            return False
    elif finished and marks.tail_h > TAIL_H[1]:
        return False
    if finished and not FINISHES_H[0] <= marks.finished_h <= FINISHES_H[1]:
        return False
    return scenario is not Scenario.PLAIN or marks.finished_h <= PLAIN_H


def _stands(rng: Generator, batch: Batch, course: Course, marks: Marks) -> bool:
    """Whether it stalls for so long and so flatly that a stalling scenario has its example."""
    if not marks.stalls or marks.stalls[0][1] - marks.stalls[0][0] < STALL_H:
        return False
    first_h = marks.stalls[0][0]
    begins, early, late = (
        float(np.interp(first_h + h, course.hours, course.points)) for h in (0.0, 12.0, 108.0)
    )
    # few of them stand so low that a maker would take it for the end
    unfermentable = 0.25 * batch.must.gravity_points if batch.kind is MustKind.MALT else 0.0
    if begins < unfermentable + 7.0 and rng.random() < 0.85:
        return False
    return early - late <= STALL_FALL


def _sweetened(rng: Generator, ferment: Ferment) -> Ferment | None:
    """Sweetened some days after its end, racked before that or not; the survivors, if any, go on."""
    sweetened_h = ferment.marks.finished_h + 24.0 * rng.uniform(4.0, 9.0)
    if sweetened_h > LAST_SWEETENING_H:
        return None
    deeds = []
    if rng.random() < 0.5:
        deeds.append(Deed(sweetened_h - rng.uniform(1.0, 50.0), DeedKind.RACK, rng.uniform(0.2, 0.5)))
    deeds.append(Deed(sweetened_h, DeedKind.SUGAR, _grams(rng.uniform(6.0, 22.0))))
    if ferment.scenario is Scenario.REFERMENT:
        deeds.append(Deed(sweetened_h, DeedKind.RESTART, log_uniform(rng, 0.3, 2.0)))
    else:
        deeds.append(Deed(sweetened_h, DeedKind.STABILISE, 0.0))
    course = _follow(ferment.batch, deeds)
    return replace(
        ferment,
        deeds=tuple(deeds),
        course=course,
        marks=marks_of(course, sweetened_h - STEP_H),
        sweetened_h=sweetened_h,
        end_h=sweetened_h + 24.0 * rng.uniform(10.0, 14.0),
    )
