"""The last days of a ferment as three-hour bins, whitened by the float's own noise.

Whitening by the Cholesky factor of (white noise + wander correlated over hours) makes ordinary least squares
the right thing: the standard errors that follow count correlated noise, and so are not far too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np
from scipy.linalg import lapack

from monitor.ferment.noise import WANDER_HOURS, Noise
from monitor.ferment.series import Floats

BIN_HOURS: Final = 3
LEAST_VAR: Final = 1e-4
MEDIAN_LOSS: Final = 1.4
"""Variance of a median of a few readings over that of their mean (tends to pi/2 for many)."""


@dataclass(frozen=True, slots=True)
class Window:
    """Arrays of one length, oldest first; only bins that hold readings."""

    hours: Floats
    """Middle of the bin in hours before now: negative."""
    warm_hours: Floats
    """The same in temperature-scaled hours."""
    points: Floats
    temperature_c: Floats
    """Deviation from the window's mean; zeros where no temperature is known."""
    white_var: Floats
    """Variance of the bin's mean by white noise and rounding, points squared."""

    @property
    def size(self) -> int:
        """Number of bins."""
        return self.hours.size

    @property
    def last_points(self) -> float:
        """The level now, roughly: the median of the last four bins."""
        return float(median(self.points[-4:].tolist()))

    def turned(self) -> Window:
        """The same bins, newest first."""
        return self._at(slice(None, None, -1))

    def last(self, hours: float) -> Window:
        """The bins of so many hours before now."""
        return self._at(slice(int(np.searchsorted(self.hours, -hours)), None))

    def _at(self, bins: slice) -> Window:
        return Window(
            self.hours[bins],
            self.warm_hours[bins],
            self.points[bins],
            self.temperature_c[bins],
            self.white_var[bins],
        )


def build(points: Floats, counts: Floats, temperature_c: Floats, pace: Floats, noise: Noise) -> Window:
    """A window from hourly medians (nan where empty), counts, temperatures (filled, or nan throughout) and
    scaled lengths of hours.

    All four end now and have one length, a multiple of three.
    """
    shape = (-1, BIN_HOURS)
    there = (~np.isnan(points)).reshape(shape)
    filled_hours = there.sum(axis=1)
    keep = filled_hours > 0
    weight = there[keep] / filled_hours[keep, None]
    n = points.size
    hours = np.arange(n).reshape(shape)[keep] - n + 0.5
    warm = (np.cumsum(pace) - pace / 2.0 - pace.sum()).reshape(shape)[keep]
    values = np.where(there, points.reshape(shape), 0.0)[keep]
    known = n > 0 and not math.isnan(temperature_c[-1])
    temperature = temperature_c - np.mean(temperature_c) if known else np.zeros(n)
    readings = np.maximum(counts.reshape(shape)[keep], 1.0)
    loss = np.where(readings > 2.0, MEDIAN_LOSS, 1.0)
    white = noise.white_points**2 * loss / readings
    # readings quieter than the step stick to one rung: the rounding then does not average out
    dither = noise.white_points / max(noise.step_points, 1e-6)
    rounding = noise.step_points**2 / 12.0 * float(np.exp(-8.0 * dither**2))
    return Window(
        hours=(hours * weight).sum(axis=1),
        warm_hours=(warm * weight).sum(axis=1),
        points=(values * weight).sum(axis=1),
        temperature_c=(temperature.reshape(shape)[keep] * weight).sum(axis=1),
        white_var=(white * weight**2).sum(axis=1) + rounding,
    )


def whitened(
    window: Window, noise: Noise, columns: Floats, extra_var: Floats | float = 0.0
) -> tuple[Floats, float]:
    """W times `columns` (a row for each bin) with W K W' = 1 for the covariance K of the bins, and log det K.

    W is lower triangular: its first rows belong to the first bins alone.
    """
    age = window.hours
    # the wander of a bin's mean is a little smaller than that of an hour; not counted
    k = np.exp(np.abs(age[:, None] - age) * (-1.0 / WANDER_HOURS))
    k *= noise.wander_points**2
    k.flat[:: age.size + 1] += window.white_var + extra_var + LEAST_VAR
    # K is symmetric and positive by construction: the diagonal alone exceeds LEAST_VAR
    factor, _ = lapack.dpotrf(k, lower=1, clean=1, overwrite_a=1)
    white, _ = lapack.dtrtrs(factor, columns, lower=1)
    return np.asarray(white), 2.0 * float(np.log(factor.diagonal()).sum())


@dataclass(frozen=True, slots=True)
class Line:
    """A robust straight line through the last hours; nan where there are too few bins."""

    level_points: float = float("nan")
    level_se: float = float("nan")
    slope_per_day: float = float("nan")
    slope_se: float = float("nan")


TEMPERATURE_SD: Final = 0.12
"""Prior spread of a float's temperature coefficient, points per degC: sensors sold today stay within 0.3."""


def lines(
    window: Window,
    noise: Noise,
    extra_var: Floats,
    spans_hours: Sequence[float] = (math.inf,),
    coefficient: tuple[float, float] = (0.0, TEMPERATURE_SD),
) -> tuple[Line, ...]:
    """Level now and slope over each span of last hours; the float's temperature coefficient (mean, sd) is a
    nuisance.

    `extra_var` is what the tail's fit found to add to bins that lie out.
    """
    # newest first: what whitens the last days whitens the first rows of the whole
    turned = window.turned()
    design = np.column_stack([np.ones(window.size), turned.hours / 24.0, turned.temperature_c, turned.points])
    table, _ = whitened(turned, noise, design, extra_var[::-1]) if window.size else (design, 0.0)
    trust = coefficient[1] ** -2.0
    prior = np.array([[0.0, 0.0, 0.0], [0.0, 1e-8, 0.0], [0.0, 0.0, trust]])
    found = [Line()] * len(spans_hours)
    grams, places = [], []
    for place, span in enumerate(spans_hours):
        size = int(np.count_nonzero(turned.hours >= -span))
        if size >= 4 and turned.hours[0] - turned.hours[size - 1] >= 2.0 * BIN_HOURS:
            grams.append(table[:size].T @ table[:size])
            places.append(place)
    if not grams:
        return tuple(found)
    gram = np.array(grams)
    covariance = np.linalg.inv(gram[:, :3, :3] + prior)
    pull = gram[:, :3, 3]
    pull[:, 2] += coefficient[0] * trust
    beta = (covariance @ pull[:, :, None])[:, :, 0].tolist()
    sd = np.sqrt(covariance.diagonal(axis1=1, axis2=2)).tolist()
    for place, mean, error in zip(places, beta, sd, strict=True):
        found[place] = Line(mean[0], error[0], mean[1], error[1])
    return tuple(found)


OUTLIER_Z: Final = 2.7


def outlier_variance(residual: Floats, variance: Floats) -> Floats:
    """Variance to add to bins that lie out (foam, knocks), so that they hardly count, as under Student-t."""
    z2 = residual**2 / variance
    return np.where(z2 > OUTLIER_Z**2, z2 * variance, 0.0)


def unchanged(fresh: Floats, before: Floats) -> bool:
    """Whether another round of weighting would change nothing that matters."""
    return bool(np.all(np.abs(fresh - before) <= 0.02 + 0.2 * before))
