"""What was true of a simulated ferment, read off its noise-free course."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.score import Spell
from monitor.replay.kinetics import STEP_H, Course, FloatArray
from monitor.units import MS_PER_HOUR

FINISHED_LEFT: Final = 1.0
NEAR_LEFT: Final = 2.0
STALL_RATE: Final = 0.3
"""Points a day, over a day."""
STALL_ABOVE: Final = 5.0
STALL_LEAST_H: Final = 36.0
BEGUN_POINTS: Final = 3.0
"""A ferment that has fallen less is in its lag, not in a stall."""
NEAR_LIMIT_C: Final = 0.4
"""Within this of the yeast's limit, saying so is neither right nor wrong."""
LOST_POINTS: Final = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)


@dataclass(frozen=True, slots=True)
class Marks:
    """Hours after pitching; None where it never came."""

    final_sg: float
    finished_h: float | None
    near_h: float | None
    half_h: float
    three_quarters_h: float
    stalls: tuple[tuple[float, float], ...]
    left_points: FloatArray
    """Points still to fall, at every step of the course."""
    rate: FloatArray
    """Points a day, over the day about every step."""
    above_points: FloatArray
    """Points above the gravity that must could reach, at every step."""


def runs(inside: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one-past-last index of every stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def fallen_points(gravity_sg: FloatArray) -> FloatArray:
    """Points fallen since the start; what additions put back is not subtracted."""
    falls = np.maximum(-np.diff(gravity_sg), 0.0) * 1000.0
    return np.concatenate(([0.0], np.cumsum(falls)))


def marks_of(course: Course) -> Marks:
    """The marks of a whole course, which must be long enough to hold the ferment's end."""
    fallen = fallen_points(course.gravity_sg)
    left = fallen[-1] - fallen
    half_day = round(12.0 / STEP_H)
    padded = np.pad(fallen, half_day, mode="edge")
    rate = padded[2 * half_day :] - padded[: -2 * half_day]
    rate[:half_day] *= 2.0 * half_day / np.arange(half_day, 2 * half_day)
    above = (course.gravity_sg - course.attainable_sg) * 1000.0
    hours = course.hours
    stuck = (rate < STALL_RATE) & (above > STALL_ABOVE) & (fallen > BEGUN_POINTS)
    stalls = [
        (float(hours[a]), float(hours[b - 1])) for a, b in runs(stuck) if (b - a) * STEP_H >= STALL_LEAST_H
    ]
    ends = above[-1] <= STALL_ABOVE

    def first(reached: NDArray[np.bool_]) -> float:
        return float(hours[np.argmax(reached)])

    return Marks(
        final_sg=float(course.gravity_sg[-1]),
        finished_h=first(left <= FINISHED_LEFT) if ends else None,
        near_h=first(left <= NEAR_LEFT) if ends else None,
        half_h=first(fallen >= 0.5 * fallen[-1]),
        three_quarters_h=first(fallen >= 0.75 * fallen[-1]),
        stalls=tuple(stalls),
        left_points=left,
        rate=rate,
        above_points=above,
    )


def spells_beyond(course: Course, limit_c: float, *, below: bool, pitched_ms: int) -> tuple[Spell, ...]:
    """Spells in which the liquid was near or beyond a limit; `by_c` is how far beyond it went at most."""
    beyond = limit_c - course.temperature_c if below else course.temperature_c - limit_c
    found = []
    for first, end in runs(beyond > -NEAR_LIMIT_C):
        # how far it went for at least six hours together: what a maker should hear of
        held = _held(beyond[first:end], round(6.0 / STEP_H))
        found.append(
            Spell(
                pitched_ms + round(course.hours[first] * MS_PER_HOUR),
                pitched_ms + round(course.hours[end - 1] * MS_PER_HOUR),
                round(held, 2),
            )
        )
    return tuple(found)


def _held(beyond: FloatArray, width: int) -> float:
    if len(beyond) < width:
        return -NEAR_LIMIT_C
    windows = np.lib.stride_tricks.sliding_window_view(beyond, width)
    return float(windows.min(axis=1).max())


def lost_marks(course: Course, from_h: float, pitched_ms: int) -> tuple[tuple[int, float], ...]:
    """When so many points had been lost after `from_h`, for each of `LOST_POINTS` that were."""
    start = int(np.searchsorted(course.hours, from_h))
    fallen = fallen_points(course.gravity_sg[start:])
    found = []
    for points in LOST_POINTS:
        if fallen[-1] >= points:
            hour = course.hours[start + int(np.argmax(fallen >= points))]
            found.append((pitched_ms + round(float(hour) * MS_PER_HOUR), points))
    return tuple(found)
