"""How much is left to fall: a posterior over the shapes that the end of a ferment can take.

The last days are taken to follow dR/ds = -R^p/c, R the points left, s temperature-scaled time: p = 1 is the
exponential end of first-order kinetics, p < 1 stops sharply (sugar runs out at a steady pace), p > 1 drags
on. For
each (p, time constant) of a grid the curve is linear in the final gravity and the fall inside the window,
so the
posterior is an exact mixture of normals; expected final gravity and the float's temperature coefficient come
in as priors. Nothing is iterated but the weights of outlying bins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr

from monitor.ferment.noise import WANDER_SIZES, Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import TEMPERATURE_SD, Window, outlier_variance, whitener

POWERS: Final = (0.5, 1.0, 1.7)
POWER_WEIGHTS: Final = (0.25, 0.5, 0.25)
CONSTANTS: Final = np.exp(np.linspace(math.log(5.0), math.log(700.0), 15))
"""Time constants R/(-dR/ds) at the window's start, scaled hours."""
CONSTANT_SPREAD: Final = 0.9
"""Spread of the logarithm of the time constant about what the ferment's own pace suggests."""
FALL_SD: Final = 40.0
_LEFT_GRID: Final = np.concatenate([np.linspace(0.0, 4.0, 41), np.geomspace(4.2, 80.0, 40)])


@dataclass(frozen=True, slots=True)
class Tail:
    """What the last days say about what is left; nan where they cannot say."""

    left_p05: float = math.nan
    left_p50: float = math.nan
    left_p95: float = math.nan
    over_one: float = math.nan
    """Probability that more than a point is left."""
    over_two: float = math.nan
    level_points: float = math.nan
    level_se: float = math.nan
    hours_p05: float = math.nan
    """Hours, at the present temperature, until a point is left."""
    hours_p50: float = math.nan
    hours_p95: float = math.nan
    coefficient: float = 0.0
    """The float's temperature coefficient, points per degC."""
    coefficient_sd: float = TEMPERATURE_SD


@dataclass(frozen=True, slots=True)
class Shapes:
    """The grid of shapes on one window: a column each."""

    columns: Floats
    """Gravity above the level now, for a fall of one point inside the window."""
    left_per_fall: Floats
    """Points left for each point that fell inside the window."""
    constant_now: Floats
    powers: Floats
    log_prior: Floats


def shapes(window: Window, typical_constant: float) -> Shapes:
    """Columns for every power and time constant of the grid."""
    v = window.warm_hours - window.warm_hours[0]
    v_now = -window.warm_hours[0]
    columns, ratio, now, powers, prior = [], [], [], [], []
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
        now.append(np.maximum(CONSTANTS + (power - 1.0) * v_now, 1.0))
        powers.append(np.full(CONSTANTS.size, power))
        prior.append(spread + math.log(weight))
    return Shapes(
        np.concatenate(columns, axis=1),
        np.concatenate(ratio),
        np.concatenate(now),
        np.concatenate(powers),
        np.concatenate(prior),
    )


@dataclass(frozen=True, slots=True)
class Mixture:
    """Posterior of (level now, fall in the window, temperature coefficient) for each shape, and its
    weight."""

    mean: Floats
    covariance: Floats
    weight: Floats
    log_evidence: float


def mixture(
    window: Window, noise: Noise, grid: Shapes, expected: tuple[float, float], extra: Floats | float
) -> Mixture:
    """Exact posterior for each shape. `expected` is mean and sd of the final gravity as this float would
    read it."""
    w, log_det = whitener(window, noise, extra)
    n, k = window.size, grid.left_per_fall.size
    common = w @ np.column_stack([np.ones(n), window.temperature_c, window.points])
    one, temperature, y = common[:, 0], common[:, 1], common[:, 2]
    f = w @ grid.columns
    precision: Floats = np.empty((k, 3, 3))
    # the prior of the final gravity ties level and fall: final = level - fall * left_per_fall
    rho, tie = grid.left_per_fall, 1.0 / expected[1] ** 2
    precision[:, 0, 0] = one @ one + tie
    precision[:, 0, 1] = precision[:, 1, 0] = one @ f - rho * tie
    precision[:, 1, 1] = np.einsum("ij,ij->j", f, f) + rho**2 * tie + FALL_SD**-2
    precision[:, 0, 2] = precision[:, 2, 0] = one @ temperature
    precision[:, 1, 2] = precision[:, 2, 1] = temperature @ f
    precision[:, 2, 2] = temperature @ temperature + TEMPERATURE_SD**-2
    b = np.empty((k, 3))
    b[:, 0] = one @ y + expected[0] * tie
    b[:, 1] = y @ f - rho * expected[0] * tie
    b[:, 2] = temperature @ y
    covariance: Floats = np.linalg.inv(precision).astype(np.float64)
    mean = np.einsum("kij,kj->ki", covariance, b)
    sd = np.sqrt(covariance[:, 1, 1])
    positive = np.maximum(ndtr(mean[:, 1] / sd), 1e-12)
    fit = 0.5 * (np.einsum("ki,ki->k", b, mean) - y @ y - expected[0] ** 2 * tie)
    log_weight = grid.log_prior + fit + 0.5 * np.linalg.slogdet(covariance)[1] + np.log(positive)
    top = float(log_weight.max())
    weight = np.exp(log_weight - top)
    total = float(weight.sum())
    return Mixture(
        mean, covariance, np.asarray(weight / total, dtype=np.float64), top + math.log(total) - 0.5 * log_det
    )


def measure(window: Window, noise: Noise, expected: tuple[float, float], typical_constant: float) -> Tail:
    """Posterior of what is left, of the level, and of the time until a point is left."""
    if window.size < 5:
        return Tail()
    grid = shapes(window, typical_constant)
    extra = np.zeros(window.size)
    usual = window.white_var + noise.wander_points**2
    for _ in range(4):
        found = mixture(window, noise, grid, expected, extra)
        fall = found.mean * found.weight[:, None]
        level, coefficient = float(fall[:, 0].sum()), float(fall[:, 2].sum())
        fitted = level + grid.columns @ fall[:, 1] + coefficient * window.temperature_c
        fresh = outlier_variance(window.points - fitted, usual)
        if np.allclose(fresh, extra, rtol=0.2, atol=0.02):
            break
        extra = fresh
    return _summary(grid, found, level, coefficient)


def _summary(grid: Shapes, found: Mixture, level: float, coefficient: float) -> Tail:
    sd = np.sqrt(found.covariance[:, 1, 1])
    scale = np.maximum(sd * grid.left_per_fall, 1e-9)
    mean = found.mean[:, 1] * grid.left_per_fall
    below_zero = ndtr(-mean / scale)
    cdf = ndtr((_LEFT_GRID[:, None] - mean) / scale)
    cdf = np.clip((cdf - below_zero) / np.maximum(1.0 - below_zero, 1e-12), 0.0, 1.0)
    overall = cdf @ found.weight
    p05, p50, p95 = np.interp((0.05, 0.5, 0.95), np.maximum.accumulate(overall), _LEFT_GRID)
    one, two = np.interp((1.0, 2.0), _LEFT_GRID, overall)
    h05, h50, h95 = _hours(grid, found, mean, scale)
    level_var = float(found.weight @ (found.covariance[:, 0, 0] + (found.mean[:, 0] - level) ** 2))
    coefficient_sd = float((found.weight @ found.covariance[:, 2, 2]) ** 0.5)
    return Tail(
        float(p05),
        float(p50),
        float(p95),
        1.0 - float(one),
        1.0 - float(two),
        level,
        level_var**0.5,
        h05,
        h50,
        h95,
        coefficient,
        coefficient_sd,
    )


_NODES: Final = np.array([-1.6449, -0.8, 0.0, 0.8, 1.6449])
_NODE_WEIGHTS: Final = np.array([0.1, 0.24, 0.32, 0.24, 0.1])


def _hours(grid: Shapes, found: Mixture, mean: Floats, scale: Floats) -> tuple[float, float, float]:
    """Quantiles of the scaled hours until one point is left."""
    left = np.maximum(mean[:, None] + scale[:, None] * _NODES, 1.0)
    p = grid.powers[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        curved = grid.constant_now[:, None] * (left ** (p - 1.0) - 1.0) / (p - 1.0)
    hours = np.where(p == 1.0, grid.constant_now[:, None] * np.log(left), curved)
    flat, weight = hours.ravel(), (found.weight[:, None] * _NODE_WEIGHTS).ravel()
    order = np.argsort(flat)
    cumulative = np.cumsum(weight[order])
    q = np.interp((0.05, 0.5, 0.95), cumulative, flat[order])
    return float(q[0]), float(q[1]), float(q[2])


def wander_size(
    window: Window, noise: Noise, expected: tuple[float, float], typical_constant: float
) -> float:
    """The wander (points) most likely on this window, averaged over the sizes tried; mild prior for small
    ones."""
    if window.size < 10:
        return noise.wander_points
    grid = shapes(window, typical_constant)
    usual = window.white_var + 0.3**2
    first = mixture(window, Noise(noise.white_points, 0.3, noise.step_points), grid, expected, 0.0)
    fall = first.mean * first.weight[:, None]
    fitted = fall[:, 0].sum() + grid.columns @ fall[:, 1] + fall[:, 2].sum() * window.temperature_c
    extra = outlier_variance(window.points - fitted, usual)
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
