"""The rooms that ferments of `starved` stand in; their ranges are assumed."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.random import Generator

from monitor.ferment.series import Floats
from monitor.replay.room import spell_course, wander
from monitor.replay.starved import STEP_H, Room

HORIZON_H: Final = 60 * 24.0
"""As long as any ferment is followed."""


def room_of(rng: Generator, comfort_c: tuple[float, float], sleeps_below_c: float, *, chilled: bool) -> Room:
    """A room mostly of the yeast's range, with its days and its weather.

    One in eight has a cold spell, a `chilled` one such a spell that the yeast falls asleep.
    """
    count = int(HORIZON_H / STEP_H) + 1
    hours = np.arange(count, dtype=np.float64) * STEP_H
    low_c, high_c = (round(edge_c * 2.0) / 2.0 for edge_c in comfort_c)
    mean_c = rng.uniform(low_c + 0.5, high_c - 2.5)
    beyond = rng.random()
    if beyond < 0.12:
        mean_c = low_c - rng.uniform(0.0, 2.0)
    elif beyond < 0.2:
        mean_c = high_c + rng.uniform(-1.0, 2.0)
    weather = rng.uniform(0.2, 0.9) * wander(count, STEP_H, rng.uniform(30.0, 90.0), rng)
    day = np.sin(2.0 * np.pi * (hours - rng.uniform(8.0, 12.0)) / 24.0)
    air_c = mean_c + weather + rng.uniform(0.3, 3.0) * day
    from_h = until_h = 0.0
    if chilled:
        from_h = rng.uniform(2.0, 5.0) * 24.0
        until_h = from_h + rng.uniform(4.5, 9.0) * 24.0
        air_c -= _spell(rng, hours, from_h, until_h) * (mean_c - sleeps_below_c + rng.uniform(1.5, 5.0))
    elif rng.random() < 0.12:
        from_h = rng.uniform(1.0, 15.0) * 24.0
        until_h = from_h + rng.uniform(1.0, 4.0) * 24.0
        air_c -= _spell(rng, hours, from_h, until_h) * rng.uniform(1.5, 5.0)
    if chilled or rng.random() < 0.1:  # in the end the maker warms it
        air_c += np.where(hours > until_h, rng.uniform(0.0, 2.5), 0.0)
    # by the edge of the vessel, of 4 to 25 litres
    cooling_h = 1.6 * rng.uniform(3.0, 6.0) * rng.uniform(4.0, 25.0) ** (1.0 / 3.0)
    return Room(air_c, cooling_h, mean_c + rng.uniform(-2.0, 4.0))


def _spell(rng: Generator, hours: Floats, from_h: float, until_h: float) -> Floats:
    """From 0 to 1 and back, over some hours."""
    return spell_course(hours, from_h, until_h, rng.uniform(4.0, 14.0) / 2.0)
