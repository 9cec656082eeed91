"""The room a simulated carboy stands in: daily swing, weather, cold and warm spells, a heater or none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from monitor.replay.kinetics import STEP_H, FloatArray


@dataclass(frozen=True, slots=True)
class RoomSpell:
    """The room goes colder (or warmer) by `by_c` for a while and comes back over some hours."""

    from_h: float
    until_h: float
    by_c: float


@dataclass(frozen=True, slots=True)
class Room:
    """A room: its mean, its daily swing (half of top to bottom), and its weather."""

    mean_c: float = 20.0
    swing_c: float = 1.0
    warmest_hour: float = 16.0
    weather_c: float = 0.7
    weather_h: float = 40.0
    trend_c_per_day: float = 0.0
    spells: tuple[RoomSpell, ...] = ()


def room_temperature(room: Room, hours: float, start_hour: float, rng: Generator) -> FloatArray:
    """The room's temperature at every half step of `hours`, degC; `start_hour` is the hour of the day."""
    count = 2 * int(hours / STEP_H) + 1
    at = np.arange(count, dtype=np.float64) * STEP_H / 2.0
    day = 2.0 * math.pi * (at + start_hour - room.warmest_hour) / 24.0
    # a second harmonic: rooms warm up faster in the morning than they cool down at night
    swing = room.swing_c * (np.cos(day) + 0.2 * np.cos(2.0 * day + 0.8))
    temperature = room.mean_c + swing + room.trend_c_per_day * at / 24.0
    temperature = temperature + room.weather_c * wander(count, STEP_H / 2.0, room.weather_h, rng)
    return temperature + _spells(room.spells, at)


def _spells(spells: Sequence[RoomSpell], at: FloatArray) -> FloatArray:
    """Spells that set in and pass over about 4 hours."""
    total = np.zeros_like(at)
    for spell in spells:
        total += spell.by_c * spell_course(at, spell.from_h, spell.until_h, 1.5)
    return total


def spell_course(hours: FloatArray, from_h: float, until_h: float, edge_h: float) -> FloatArray:
    """A spell from 0 to 1 and back, by logistic curves with this scale."""
    sets_in = 1.0 / (1.0 + np.exp(np.clip(-(hours - from_h) / edge_h, -50.0, 50.0)))
    passes = 1.0 / (1.0 + np.exp(np.clip(-(hours - until_h) / edge_h, -50.0, 50.0)))
    return np.asarray(sets_in - passes)


def wander(count: int, step_h: float, memory_h: float, rng: Generator) -> FloatArray:
    """An Ornstein-Uhlenbeck path of unit deviation with this memory, `count` steps long."""
    keep = math.exp(-step_h / memory_h)
    shocks = rng.standard_normal(count)
    shocks[1:] *= math.sqrt(1.0 - keep * keep)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks), dtype=np.float64)
