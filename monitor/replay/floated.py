"""Recordings of ferments that any mechanism gave: a float, a maker and their ills beside a `Past`."""

from __future__ import annotations

import zlib
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.random import default_rng

from monitor.ferment.series import Floats
from monitor.replay.course import Ferment
from monitor.replay.kinetics import STEP_H, Course
from monitor.replay.marks import marks_of
from monitor.replay.past import Past
from monitor.replay.simulate import Simulated, recorded
from monitor.units import POINTS_PER_SG

TOLERANCE_ABV: Final = 14.0
"""Of a yeast whose mechanism does not say what it bears."""
RESTARTED_POINTS: Final = 1.0
AIR_BELOW_C: Final = 0.5
"""How much cooler the room is than the liquid in the mean."""


def floated(past: Past, name: str, seed: int) -> Simulated:
    """A recording of a past, the same for the same name and seed."""
    rng = default_rng([zlib.crc32(name.encode()), seed])
    return recorded(ferment_of(past), name, name, seed, rng)


def ferment_of(past: Past) -> Ferment:
    """The past in the steps that a float reads, with its marks; those that it brings itself are kept."""
    steps = round((past.gravity_sg.size - 1) / STEP_H)
    hours = np.linspace(0.0, steps * STEP_H, steps + 1)
    whole = np.arange(past.gravity_sg.size, dtype=np.float64)

    def fine(hourly: Floats) -> Floats:
        return np.asarray(np.interp(hours, whole, hourly))

    course = Course(
        hours, fine(past.gravity_sg), fine(past.temperature_c), np.full(hours.size, past.attainable_sg)
    )
    proper = hours.size if past.sweetened_h is None else int((past.sweetened_h - 1.0) / STEP_H)
    marks = marks_of(course.first(proper))
    final_sg = marks.final_sg if past.final_sg is None else past.final_sg
    return Ferment(
        kind=past.kind,
        gravity_sg=float(past.gravity_sg[0]),
        tolerance_abv=TOLERANCE_ABV if past.tolerance_abv is None else past.tolerance_abv,
        course=course,
        marks=replace(marks, final_sg=final_sg, finished_h=past.finished_h),
        deeds=past.deeds,
        end_h=float(hours[-1]),
        # the room is kept in half-steps
        room_c=np.repeat(course.temperature_c - AIR_BELOW_C, 2),
        attainable_sg=past.attainable_sg,
        sweetened_h=past.sweetened_h,
        restarts=_restarts(past),
    )


def _restarts(past: Past) -> bool:
    """Whether it falls again after it was sweetened."""
    if past.sweetened_h is None:
        return False
    after = past.gravity_sg[int(past.sweetened_h) :]
    return bool(np.max(np.maximum.accumulate(after) - after) * POINTS_PER_SG >= RESTARTED_POINTS)
