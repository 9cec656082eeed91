"""Temperature of the ferment: its history by the hour, time scaled by it, and spells outside the yeast's
range."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np

from monitor.ferment.series import Floats

Q10: Final = 2.2
"""How much faster a ferment runs 10 degC warmer. Common practice says two to three times."""
USUAL_C: Final = 20.0
KEPT_COLD_C: Final = 10.0
"""Colder than this a batch that is over is kept so on purpose (refrigerators hold 2 to 8 degC: common
practice)."""


def filled(temperature_c: Floats) -> Floats:
    """Hourly temperatures with gaps closed by the last value before, or the first one after; nan if none at
    all."""
    known = np.flatnonzero(~np.isnan(temperature_c))
    if not known.size:
        return temperature_c
    before = np.searchsorted(known, np.arange(temperature_c.size), side="right") - 1
    return np.asarray(temperature_c[known[np.maximum(before, 0)]])


def scaled_hours(temperature_c: Floats) -> Floats:
    """Length of each hour in ferment time: an hour at 20 degC is one, warmer hours count for more."""
    pace = np.power(Q10, (temperature_c - USUAL_C) / 10.0)
    return np.where(np.isnan(pace), 1.0, pace)


@dataclass(frozen=True, slots=True)
class Warmth:
    """Scalars of the temperature at one moment; nan where nothing was measured."""

    now_c: float = math.nan
    mean_c: float = math.nan
    """Over the last day."""
    drop_c: float = math.nan
    """How much colder the last 12 hours were than the ferment's warmest two days before."""
    cold_hours: float = 0.0
    """Hours under the yeast's range in the last three days."""
    below_c: float = math.nan
    """How far the last hours lie under the yeast's range; negative inside it."""
    above_c: float = math.nan


def read(temperature_c: Floats, limits_c: tuple[float, float] | None) -> Warmth:
    """Scalars from hourly temperatures that end now (the last entry is the latest hour)."""
    recent = temperature_c[-3:]
    recent = recent[~np.isnan(recent)]
    if not recent.size:
        return Warmth()
    now_c = median(recent.tolist())
    day = temperature_c[-24:]
    long = filled(temperature_c[-240:])
    drop_c = math.nan
    if long.size >= 48:
        # means of two days by running sum: the warmest of them stands for how the ferment was used to be
        sums = np.concatenate([[0.0], np.cumsum(long)])
        warmest = float(np.max(sums[48:] - sums[:-48])) / 48.0
        drop_c = warmest - float(np.mean(long[-12:]))
    cold = 0.0
    below = above = math.nan
    if limits_c is not None:
        low, high = limits_c
        three_days = temperature_c[-72:]
        cold = float(np.count_nonzero(three_days < low))
        below, above = low - now_c, now_c - high
    return Warmth(now_c, float(np.nanmean(day)), drop_c, cold, below, above)
