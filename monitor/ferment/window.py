"""The last days of a ferment as three-hour bins, whitened by the float's own noise.

Whitening by the Cholesky factor of (white noise + wander correlated over hours) makes ordinary least squares
the right thing: the standard errors that follow count correlated noise, and so are not far too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass
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

    def since(self, hours: float) -> Window:
        """The bins after `hours` (negative) only."""
        keep = self.hours >= hours
        return Window(
            self.hours[keep],
            self.warm_hours[keep],
            self.points[keep],
            self.temperature_c[keep],
            self.white_var[keep],
        )


def build(points: Floats, counts: Floats, temperature_c: Floats, pace: Floats, noise: Noise) -> Window:
    """A window from hourly medians (nan where empty), counts, filled temperatures and scaled lengths of
    hours.

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
    values = np.where(there, np.nan_to_num(points).reshape(shape), 0.0)[keep]
    temperature = (
        np.nan_to_num(temperature_c - np.nanmean(temperature_c)) if _known(temperature_c) else np.zeros(n)
    )
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


def _known(values: Floats) -> bool:
    return not bool(np.all(np.isnan(values)))


def whitener(window: Window, noise: Noise, extra_var: Floats | float = 0.0) -> tuple[Floats, float]:
    """W with W K W' = 1 for the covariance K of the bins, and log det K."""
    age = window.hours
    # the wander of a bin's mean is a little smaller than that of an hour; not counted
    k = np.exp(np.abs(age[:, None] - age) * (-1.0 / WANDER_HOURS))
    k *= noise.wander_points**2
    k.flat[:: age.size + 1] += window.white_var + extra_var + LEAST_VAR
    # K is symmetric and positive by construction: the diagonal alone exceeds LEAST_VAR
    factor, _ = lapack.dpotrf(k, lower=1, clean=1, overwrite_a=1)
    log_det = 2.0 * float(np.log(factor.diagonal()).sum())
    inverse, _ = lapack.dtrtri(factor, lower=1)
    return inverse, log_det


@dataclass(frozen=True, slots=True)
class Line:
    """A robust straight line through the last hours; nan where there are too few bins."""

    level_points: float = float("nan")
    level_se: float = float("nan")
    slope_per_day: float = float("nan")
    slope_se: float = float("nan")


TEMPERATURE_SD: Final = 0.12
"""Prior spread of a float's temperature coefficient, points per degC: sensors sold today stay within 0.3."""


def line(
    window: Window, noise: Noise, extra_var: Floats, coefficient: tuple[float, float] = (0.0, TEMPERATURE_SD)
) -> Line:
    """Level now and slope, with the float's temperature coefficient (mean, sd) as a nuisance.

    `extra_var` is what `settle_outliers` or the tail's fit found to add to bins that lie out.
    """
    if window.size < 4 or window.hours[-1] - window.hours[0] < 2.0 * BIN_HOURS:
        return Line()
    w, _ = whitener(window, noise, extra_var)
    table = w @ np.column_stack(
        [np.ones(window.size), window.hours / 24.0, window.temperature_c, window.points]
    )
    x, y = table[:, :3], table[:, 3]
    precision = x.T @ x
    precision[1, 1] += 1e-8
    precision[2, 2] += 1.0 / coefficient[1] ** 2
    covariance = np.linalg.inv(precision)
    pull = x.T @ y
    pull[2] += coefficient[0] / coefficient[1] ** 2
    beta = covariance @ pull
    return Line(
        float(beta[0]), float(covariance[0, 0] ** 0.5), float(beta[1]), float(covariance[1, 1] ** 0.5)
    )


OUTLIER_Z: Final = 2.7


def outlier_variance(residual: Floats, variance: Floats) -> Floats:
    """Variance to add to bins that lie out (foam, knocks), so that they hardly count, as under Student-t."""
    z2 = residual**2 / variance
    return np.where(z2 > OUTLIER_Z**2, z2 * variance, 0.0)


def unchanged(fresh: Floats, before: Floats) -> bool:
    """Whether another round of weighting would change nothing that matters."""
    return bool(np.all(np.abs(fresh - before) <= 0.02 + 0.2 * before))


def settle_outliers(window: Window, noise: Noise) -> Floats:
    """Variance to add to bins that lie out of a straight line through the window."""
    design = np.column_stack([np.ones(window.size), window.hours / 24.0])
    extra = np.zeros(window.size)
    usual = window.white_var + noise.wander_points**2
    for _ in range(4):
        w, _ = whitener(window, noise, extra)
        beta = np.linalg.lstsq(w @ design, w @ window.points, rcond=None)[0]
        fresh = outlier_variance(window.points - design @ beta, usual)
        if unchanged(fresh, extra):
            break
        extra = fresh
    return extra
