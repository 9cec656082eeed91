"""Real measured ferments pass through the pipeline, and none that still moves is called finished or stalled.

The series are far coarser than a float's: each is interpolated by a monotone cubic (PCHIP) to a reading every
half hour, and given the noise of a float (0.0004, seeded), before it is replayed. What lies between two
measurements is therefore not measured; the assertions look only at stretches that the measurements bound.
"""

from __future__ import annotations

import zlib
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from multiprocessing import get_context
from typing import Protocol

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from monitor.ferment.emission import AlertKind, Emission
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must, Premise
from monitor.ferment.score import Truth, told_by
from monitor.replay.player import play
from monitor.replay.recording import Recording, RowFaults
from monitor.units import MS_PER_HOUR, ms_from_rfc3339, rfc3339_from_ms

PITCHED_MS = ms_from_rfc3339("2026-02-02T09:00:00Z")
FLOAT_NOISE = 0.0004
LEFT_POINTS = 3.0
"""A finished ferment may still fall so much: the noise of the measurements, and a float's own."""
MOVING_POINTS_A_DAY = 0.75
"""A stall is under 0.3 points a day; half a point more is what a float can mistake over two days."""


class Measured(Protocol):
    """A real ferment, as the fixture gives it."""

    name: str
    hours: tuple[float, ...]
    gravity_sg: tuple[float, ...]
    temperature_c: tuple[float, ...] | None


def recorded(ferment: Measured) -> Recording:
    """The ferment as a recording: interpolated to half hours, with seeded float noise."""
    rng = np.random.default_rng(zlib.crc32(ferment.name.encode()))
    at = np.arange(ferment.hours[0], ferment.hours[-1], 0.5)
    gravity = PchipInterpolator(ferment.hours, ferment.gravity_sg)(at)
    gravity = gravity + rng.normal(0.0, FLOAT_NOISE, len(at))
    lines = ["time,sensor,quantity,value,unit\n"]
    for place, hour in enumerate(at.tolist()):
        time = rfc3339_from_ms(PITCHED_MS + round(hour * MS_PER_HOUR))
        lines.append(f"{time},float-a,gravity,{gravity[place]:.4f},sg\n")
        if ferment.temperature_c is not None:
            celsius = float(np.interp(hour, ferment.hours, ferment.temperature_c))
            lines.append(f"{time},float-a,temperature,{celsius:.1f},degC\n")
    premise = Premise(PITCHED_MS, Must(original_gravity_sg=round(ferment.gravity_sg[0], 3)))
    return Recording(ferment.name, ferment.name, premise, (), Truth(), lambda: nullcontext(lines))


def left_after(ferment: Measured, hour: float) -> float:
    """Points measured to fall after an hour, counted from the first measurement at or after it.

    What lies between the measurement before and that one is the interpolation's, not the ferment's.
    """
    later = [sg for at, sg in zip(ferment.hours, ferment.gravity_sg, strict=True) if at >= hour]
    return 1000.0 * (later[0] - min(later)) if later else 0.0


def points_next_day(ferment: Measured, hour: float) -> float:
    """Points that the interpolated curve falls in the day after an hour; 0 where it was not measured."""
    if hour + 24.0 > ferment.hours[-1]:
        return 0.0
    curve = PchipInterpolator(ferment.hours, ferment.gravity_sg)
    return 1000.0 * float(curve(hour) - curve(hour + 24.0))


def replayed(ferment: Measured) -> tuple[int, list[Emission]]:
    """Rows not understood, and what was said."""
    recording = recorded(ferment)
    faults = RowFaults()
    said = list(play(recording, Pipeline(recording.premise), faults))
    return faults.count, said


@pytest.fixture(scope="module")
def replays(ferments: list[Measured]) -> dict[str, tuple[int, list[Emission]]]:
    """Every ferment replayed once, on two cores: most are three weeks long."""
    with ProcessPoolExecutor(2, mp_context=get_context("fork")) as pool:
        return dict(
            zip((each.name for each in ferments), pool.map(replayed, ferments, chunksize=4), strict=True)
        )


def test_interpolated_with_float_noise_it_replays_without_error(
    ferment: Measured, replays: dict[str, tuple[int, list[Emission]]]
) -> None:
    """Every row is understood, and something is said of the ferment."""
    faults, said = replays[ferment.name]
    assert faults == 0
    assert said


def test_interpolated_with_float_noise_it_is_not_called_finished_while_it_moves(
    ferment: Measured, replays: dict[str, tuple[int, list[Emission]]]
) -> None:
    """After "finished" little is left to fall."""
    for at_ms in told_by(replays[ferment.name][1]).times(AlertKind.FINISHED):
        hour = (at_ms - PITCHED_MS) / MS_PER_HOUR
        left = left_after(ferment, hour)
        assert left <= LEFT_POINTS, f"told at {hour:.0f} h with {left:.1f} points still to fall"


def test_interpolated_with_float_noise_it_is_not_called_stalled_while_it_moves(
    ferment: Measured, replays: dict[str, tuple[int, list[Emission]]]
) -> None:
    """Where it is called stalled it hardly falls on the next day."""
    for at_ms in told_by(replays[ferment.name][1]).times(AlertKind.STALLED):
        hour = (at_ms - PITCHED_MS) / MS_PER_HOUR
        pace = points_next_day(ferment, hour)
        assert pace <= MOVING_POINTS_A_DAY, f"told at {hour:.0f} h, where it falls {pace:.1f} points a day"
