"""A room: its level, a day's swing, weather of days, cold days, a slow drift; all chosen here."""

from __future__ import annotations

from math import exp
from typing import Final

import numpy as np
from numpy.random import Generator

from apart.kinetics import FloatArray
from apart.vessel import STEP_H

HORIZON_D: Final = 60.0
WEATHER_D: Final = 3.0
"""Days in which weather is forgotten to 1/e."""
LOWEST_C: Final = 3.0
HIGHEST_C: Final = 29.0


def room(rng: Generator, base_c: float) -> FloatArray:
    """Degrees Celsius at every step to the horizon."""
    hours = np.arange(round(HORIZON_D * 24.0 / STEP_H)) * STEP_H
    days = np.asarray(hours / 24.0, dtype=np.float64)
    swing_k = min(0.8 * exp(0.6 * rng.normal()), 3.0)
    celsius = base_c + swing_k * np.sin(2.0 * np.pi * (hours + rng.uniform(0.0, 24.0)) / 24.0)
    celsius += _weather(rng, days)
    for _ in range(int(rng.poisson(0.35))):
        at_d, long_d, deep_k = rng.uniform(1.0, 30.0), rng.uniform(0.7, 3.0), rng.uniform(1.5, 4.5)
        celsius -= deep_k * np.exp(-(((days - at_d) / long_d) ** 2))
    if rng.random() < 0.25:
        celsius += rng.uniform(-2.0, 2.0) * np.clip(days / 20.0, 0.0, 1.0)
    return np.asarray(np.clip(celsius, LOWEST_C, HIGHEST_C))


def _weather(rng: Generator, days: FloatArray) -> FloatArray:
    """What one day has of the day before."""
    knots = np.arange(0.0, HORIZON_D + 1.0, 1.0)
    keep, sd_k = exp(-1.0 / WEATHER_D), rng.uniform(0.2, 1.0)
    weather = np.zeros(knots.size)
    for day in range(1, knots.size):
        weather[day] = keep * weather[day - 1] + sd_k * (1.0 - keep * keep) ** 0.5 * rng.normal()
    return np.asarray(np.interp(days, knots, weather))
