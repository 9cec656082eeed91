"""How much is left to fall: a posterior over the shapes that the end of a ferment can take.

The last days are taken to follow dR/ds = -R^p/c, R the points left, s temperature-scaled time: p = 1 is the
exponential end of first-order kinetics, p < 1 stops sharply (sugar runs out at a steady pace), p > 1 drags
on. For each (p, time constant) of a grid the curve is linear in the final gravity and the fall inside the
window, so the posterior is an exact mixture of normals; expected final gravity and the float's temperature
coefficient come in as priors. Nothing is iterated but the weights of outlying bins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr

from monitor.ferment.left import UNFINISHED_POINTS, Left
from monitor.ferment.noise import WANDER_SIZES, Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import TEMPERATURE_SD, Window, outlier_variance, unchanged, whitened

POWERS: Final = (0.5, 1.0, 1.7)
POWER_WEIGHTS: Final = (0.25, 0.5, 0.25)
CONSTANTS: Final = np.exp(np.linspace(math.log(5.0), math.log(500.0), 11))
"""Time constants R/(-dR/ds) at the window's start, scaled hours."""
CONSTANT_SPREAD: Final = 0.9
"""Spread of the logarithm of the time constant about what the ferment's own pace suggests."""
FALL_SD: Final = 40.0
CREEP_SD: Final = 0.4
"""Spread of a slow last fall beside the main one, points a day: the last, unwilling sugars."""
CREEP_DAYS: Final = (1.5, 4.0, 9.0)
CREEP_WEIGHTS: Final = (0.35, 0.4, 0.25)
"""How long such a creep may still go on."""
MISFIT: Final = 0.05
"""No ferment follows a formula: bins count less the higher they lie above the end, by this share."""
CREEP_MEAN_DAYS: Final = sum(d * w for d, w in zip(CREEP_DAYS, CREEP_WEIGHTS, strict=True))
PRIOR_SCALES: Final = (1.0, 3.0)
PRIOR_WEIGHTS: Final = (0.8, 0.2)
"""The expected final gravity is wrong at times: a second, wider normal keeps it from ruling the data."""
COMMON: Final = 4
"""Columns that every shape shares."""
_LEFT_GRID: Final = np.concatenate([np.linspace(0.0, 4.0, 41), np.geomspace(4.2, 80.0, 40)])


@dataclass(frozen=True, slots=True)
class Tail:
    """What the last days say; nan where they cannot say."""

    level_points: float = math.nan
    level_se: float = math.nan
    coefficient: float = 0.0
    """The float's temperature coefficient, points per degC."""
    coefficient_sd: float = TEMPERATURE_SD
    posterior: Mixture | None = None
    """For `remaining`; None where nothing could be measured."""


@dataclass(frozen=True, slots=True)
class Shapes:
    """The grid of k shapes on one window of n bins."""

    design: Floats
    """(n, 4 + k) one, creep by the day, temperature, data; then for each shape the gravity above the level
    now, for a fall of one point inside the window."""
    left_per_fall: Floats
    """Points left for each point that fell inside the window."""
    log_prior: Floats

    @property
    def columns(self) -> Floats:
        """(n, k) the shapes alone."""
        return self.design[:, COMMON:]


def shapes(window: Window, typical_constant: float) -> Shapes:
    """Columns for every power and time constant of the grid."""
    v = window.warm_hours - window.warm_hours[0]
    v_now = -window.warm_hours[0]
    columns, ratio, prior = [], [], []
    spread = (np.log(CONSTANTS / typical_constant) / CONSTANT_SPREAD) ** 2 / -2.0
    for power, weight in zip(POWERS, POWER_WEIGHTS, strict=True):
        at = np.append(v, v_now)[:, None] / CONSTANTS
        if power == 1.0:
            phi = np.exp(-at)
        else:
            phi = np.maximum(1.0 + (power - 1.0) * at, 1e-12) ** (-1.0 / (power - 1.0))
        fallen = np.maximum(1.0 - phi[-1], 1e-9)
        columns.append((phi[:-1] - phi[-1]) / fallen)
        ratio.append(phi[-1] / fallen)
        prior.append(spread + math.log(weight))
    common = np.stack(
        [np.ones(window.size), -window.hours / 24.0, window.temperature_c, window.points], axis=1
    )
    return Shapes(
        np.concatenate([common, *columns], axis=1),
        np.concatenate(ratio),
        np.concatenate(prior),
    )


@dataclass(frozen=True, slots=True)
class Mixture:
    """Posterior of (level now, fall in the window, creep, temperature coefficient) for each shape and prior
    scale."""

    mean: Floats
    covariance: Floats
    weight: Floats
    left_per_fall: Floats
    """As in `Shapes`, for each row."""
    log_evidence: float


def mixture(
    window: Window, noise: Noise, grid: Shapes, expected: tuple[float, float], extra: Floats | float
) -> Mixture:
    """Exact posterior for each shape. `expected` is mean and sd of the final gravity as this float would read
    it."""
    k = grid.left_per_fall.size
    white, log_det = whitened(window, noise, grid.design, extra)
    common, f = white[:, :COMMON], white[:, COMMON:]
    gram = common.T @ common
    cross = common.T @ f
    one, creep, temperature, y = 0, 1, 2, 3
    order = np.array([one, creep, temperature])
    at = np.array([0, 2, 3])
    data: Floats = np.zeros((k, 4, 4))
    data[:, at[:, None], at] = gram[order[:, None], order]
    data[:, 1, 1] = (f * f).sum(axis=0) + FALL_SD**-2
    data[:, 1, at] = data[:, at, 1] = cross[order].T
    data[:, 2, 2] += CREEP_SD**-2
    data[:, 3, 3] += TEMPERATURE_SD**-2
    pull: Floats = np.empty((k, 4))
    pull[:, at] = gram[order, y]
    pull[:, 1] = cross[y]
    # the prior of the final gravity ties the unknowns: final = level - fall * left_per_fall - creep * days
    arm = np.column_stack([np.ones(k), -grid.left_per_fall, np.full(k, -CREEP_MEAN_DAYS), np.zeros(k)])
    tie = (np.array(PRIOR_SCALES) * expected[1]) ** -2.0
    precision = data + tie[:, None, None, None] * (arm[:, :, None] * arm[:, None, :])
    b = pull + (tie * expected[0])[:, None, None] * arm
    constant = (np.log(PRIOR_WEIGHTS) + 0.5 * np.log(tie) - 0.5 * expected[0] ** 2 * tie)[:, None]
    covariance: Floats = np.linalg.inv(precision).astype(np.float64, copy=False)
    mean = (covariance @ b[..., None])[..., 0]
    sd = np.sqrt(covariance[..., 1, 1])
    creep_sd = np.sqrt(covariance[..., 2, 2])
    positive = np.maximum(ndtr(mean[..., 1] / sd), 1e-12) * np.maximum(ndtr(mean[..., 2] / creep_sd), 1e-12)
    fit = 0.5 * ((b * mean).sum(axis=-1) - gram[y, y])
    log_weight = grid.log_prior + constant + fit + np.log(positive)
    log_weight += 0.5 * np.log(np.maximum(np.linalg.det(covariance), 1e-300))
    top = float(log_weight.max())
    weights = np.exp(log_weight - top)
    total = float(weights.sum())
    return Mixture(
        mean.reshape(-1, 4),
        covariance.reshape(-1, 4, 4),
        np.asarray(weights / total, dtype=np.float64).ravel(),
        np.tile(grid.left_per_fall, len(PRIOR_SCALES)),
        top + math.log(total) - 0.5 * log_det,
    )


def misfit_variance(window: Window) -> Floats:
    """Variance that stands for what no formula catches, larger the higher a bin lies above the end."""
    return np.asarray((MISFIT * (window.points - window.last_points)) ** 2)


def measure(
    window: Window, noise: Noise, expected: tuple[float, float], typical_constant: float
) -> tuple[Tail, Floats]:
    """Posterior of the shapes and of the level; and the variance that was added to bins that lie out."""
    if window.size < 5:
        return Tail(), np.zeros(window.size)
    grid = shapes(window, typical_constant)
    misfit = misfit_variance(window)
    extra = np.zeros(window.size)
    usual = window.white_var + noise.wander_points**2 + misfit
    for _ in range(4):
        found = mixture(window, noise, grid, expected, extra + misfit)
        fall = found.mean * found.weight[:, None]
        level, coefficient = float(fall[:, 0].sum()), float(fall[:, 3].sum())
        by_shape = fall[:, 1].reshape(len(PRIOR_SCALES), -1).sum(axis=0)
        fitted = level + grid.columns @ by_shape - fall[:, 2].sum() * window.hours / 24.0
        fitted += coefficient * window.temperature_c
        fresh = outlier_variance(window.points - fitted, usual)
        if unchanged(fresh, extra):
            break
        extra = fresh
    level_var = float(found.weight @ (found.covariance[:, 0, 0] + (found.mean[:, 0] - level) ** 2))
    coefficient_sd = float((found.weight @ found.covariance[:, 3, 3]) ** 0.5)
    return Tail(level, level_var**0.5, coefficient, coefficient_sd, found), extra


def remaining(last_days: Tail) -> Left:
    """What is left to fall by these shapes."""
    found = last_days.posterior
    if found is None:
        return Left()
    mean, scale, weight = _left(found)
    below_zero = ndtr(-mean / scale)
    cdf = ndtr((_LEFT_GRID[:, None] - mean) / scale)
    cdf = np.clip((cdf - below_zero) / np.maximum(1.0 - below_zero, 1e-12), 0.0, 1.0)
    overall = cdf @ weight
    p05, p50, p95 = np.interp((0.05, 0.5, 0.95), np.maximum.accumulate(overall), _LEFT_GRID)
    finished = float(np.interp(UNFINISHED_POINTS, _LEFT_GRID, overall))
    return Left(float(p05), float(p50), float(p95), 1.0 - finished)


def _left(found: Mixture) -> tuple[Floats, Floats, Floats]:
    """Mean, spread and weight of what is left, for each shape and each time that a creep may go on."""
    per_fall = found.left_per_fall
    means, scales, weights = [], [], []
    creep, creep_sd = _half_normal(found.mean[:, 2], np.sqrt(found.covariance[:, 2, 2]))
    fall, fall_sd = _half_normal(found.mean[:, 1], np.sqrt(found.covariance[:, 1, 1]))
    for days, share in zip(CREEP_DAYS, CREEP_WEIGHTS, strict=True):
        covary = found.covariance[:, 1, 2] * per_fall * days
        var = (fall_sd * per_fall) ** 2 + (creep_sd * days) ** 2
        means.append(fall * per_fall + creep * days)
        scales.append(np.sqrt(np.maximum(var + 2.0 * np.minimum(covary, 0.0), 0.05 * var) + 1e-12))
        weights.append(found.weight * share)
    return np.concatenate(means), np.concatenate(scales), np.concatenate(weights)


def _half_normal(mean: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of normals cut off below zero."""
    z = mean / sd
    ratio = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi) / np.maximum(ndtr(z), 1e-12)
    ratio = np.where(z < -6.0, -z + 1.0 / np.maximum(-z, 1.0), ratio)
    var = np.maximum(1.0 - ratio * (ratio + z), 0.0)
    return mean + sd * ratio, sd * np.sqrt(var)


def wander_size(
    window: Window, noise: Noise, expected: tuple[float, float], typical_constant: float
) -> float:
    """The wander (points) most likely on this window, averaged over the sizes tried; mild prior for small
    ones."""
    if window.size < 10:
        return noise.wander_points
    grid = shapes(window, typical_constant)
    misfit = misfit_variance(window)
    first = mixture(window, Noise(noise.white_points, 0.3, noise.step_points), grid, expected, misfit)
    fall = first.mean * first.weight[:, None]
    by_shape = fall[:, 1].reshape(len(PRIOR_SCALES), -1).sum(axis=0)
    fitted = fall[:, 0].sum() + grid.columns @ by_shape - fall[:, 2].sum() * window.hours / 24.0
    fitted += fall[:, 3].sum() * window.temperature_c
    usual = window.white_var + 0.3**2 + misfit
    extra = outlier_variance(window.points - fitted, usual) + misfit
    sizes = np.array(WANDER_SIZES)
    logs = np.array(
        [
            mixture(
                window, Noise(noise.white_points, s, noise.step_points), grid, expected, extra
            ).log_evidence
            for s in WANDER_SIZES
        ]
    )
    weight = np.exp(logs - logs.max())
    return float(np.exp(weight @ np.log(sizes) / weight.sum()))
