"""How ferments that looked like this one went on: what is left, by the precedents of a kept collection.

A formula for the tail of a ferment favours its own shape: a first-order end looks like a slow creep that has
hardly begun, and the other way round. So what is still to fall is read from a collection of ferments that a
kinetic model followed (`monitor.replay.precedents` makes it, from seeds that nothing is measured on): each
precedent is the fall of the last eight days up to some hour, and what was then left. All are laid over the
window at once; level, temperature coefficient and noise of the float are integrated out exactly, and each
precedent counts by its likelihood. That is Bayes' rule with the collection as the prior.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from monitor.ferment.left import UNFINISHED_POINTS, Left
from monitor.ferment.noise import WANDER_HOURS, Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import BIN_HOURS, LEAST_VAR, TEMPERATURE_SD, Window

Singles = NDArray[np.float32]

SPAN_HOURS: Final = 192
BINS: Final = np.arange(-SPAN_HOURS + BIN_HOURS / 2.0, 0.0, BIN_HOURS)
"""Middles of the bins that a precedent is described on, hours before now."""
MISFIT: Final = 0.1
"""No precedent is this ferment: it may lie off by this share of the height above the level now."""
MISFIT_HOURS: Final = 30.0
TIMING_HOURS: Final = 7.0
"""Nor did its turns come at the same hour: bins count less the steeper the fall is about them. Without this
a quiet float finds hardly any precedent that fits, and the answer hangs on one or two."""
SMOOTH_BINS: Final = 5
FALLEN_SPREAD: Final = 0.25
"""Precedents whose logarithm of the fall so far lies further away count less."""
AGE_SPREAD: Final = 0.35
"""The same for the logarithm of the hours since the start."""
CHILL_SPREAD_C: Final = 1.2
"""The same for how much colder it has become."""
EXPECTED_SCALES: Final = ((1.0, 0.65), (3.0, 0.35))
"""The expected final gravity is wrong at times: a second, wider normal keeps it from ruling the data."""
UNLIKELY: Final = 4.0
"""Precedents whose prior is this far (logarithm) below the best are not looked at."""
FALLING_FAST: Final = 4.0
"""Points a day: what falls faster needs no precedent to be called unfinished."""


@dataclass(frozen=True, slots=True)
class Collection:
    """All precedents; n of them, described by k shapes on 64 bins."""

    shapes: Floats
    """(k, 64) points above the level now."""
    table: Singles
    """(n, k) weight of each shape."""
    left_points: Singles
    """(n,) in rising order."""
    log_prior: Singles
    log_fallen: Singles
    log_age: Singles
    chill_c: Singles


@cache
def collection() -> Collection:
    """The collection that comes with the package."""
    with resources.files("monitor.ferment").joinpath("precedents.npz").open("rb") as file:
        kept = np.load(file)
        data = {name: kept[name] for name in kept.files}
    whole = data.pop("table") * data.pop("scale")
    singles = {
        name: data[name].astype(np.float32) for name in ("log_prior", "log_fallen", "log_age", "chill_c")
    }
    return Collection(
        shapes=data["shapes"].astype(np.float64),
        table=whole[:, :-1].astype(np.float32),
        left_points=(-whole[:, -1]).astype(np.float32),
        **singles,
    )


@dataclass(frozen=True, slots=True)
class Likeness:
    """What a precedent must share with this ferment beside its shape."""

    fallen_points: float
    age_hours: float
    """Since pitching or the last sugar."""
    chill_c: float
    """How much colder it is than its warmest two days; nan where not known."""


def look_up(
    window: Window,
    noise: Noise,
    extra_var: Floats,
    expected: tuple[float, float],
    likeness: Likeness,
    kept: Collection | None = None,
    *,
    beside: Callable[[float], float] = float,
) -> Left:
    """Posterior of what is left.

    `extra_var` is what a fit found to add to bins that lie out; `expected` is mean and sd of the final
    gravity as this float would read it. `beside` makes of the precedents' probability that it is unfinished
    the one that counts, where something else has a word in it.
    """
    kept = collection() if kept is None else kept
    if window.size < 5 or not math.isfinite(likeness.fallen_points):
        return Left()
    prior = _prior(likeness, kept)
    chosen = np.flatnonzero(prior > prior.max() - UNLIKELY)
    left_points = kept.left_points[chosen]
    # about the level now, so that single precision is enough
    base = window.last_points
    about = replace(window, points=window.points - base)
    fit = _fit(_whitened(about, noise, extra_var, kept), kept.table[chosen])
    logs = [
        _log_likelihood(fit, left_points, expected[0] - base, scale * expected[1]) + math.log(share)
        for scale, share in EXPECTED_SCALES
    ]
    log_weight = np.logaddexp(*logs) + prior[chosen]
    weight = np.exp(log_weight - log_weight.max())
    rising = np.cumsum(weight, dtype=np.float64)
    rising /= rising[-1]
    fewer = int(np.searchsorted(left_points, UNFINISHED_POINTS))
    finished = float(rising[fewer - 1]) if fewer else 0.0
    unfinished = beside(1.0 - finished)
    rising = _moved(rising, fewer, 1.0 - unfinished)
    p05, p50, p95 = np.interp((0.05, 0.5, 0.95), rising, left_points)
    return Left(max(float(p05), 0.0), max(float(p50), 0.0), max(float(p95), 0.0), unfinished)


def _moved(rising: Floats, fewer: int, finished: float) -> Floats:
    """The cumulative weights with so much of the weight on the first `fewer`: each side keeps its own shape
    (probability kinematics: Jeffrey, The Logic of Decision, 1965). The same where one side has nothing.
    """
    before = float(rising[fewer - 1]) if fewer else 0.0
    if not 0.0 < before < 1.0:
        return rising
    first, others = rising[:fewer], rising[fewer:]
    return np.concatenate(
        [first * (finished / before), 1.0 - (1.0 - others) * ((1.0 - finished) / (1.0 - before))]
    )


def _prior(likeness: Likeness, kept: Collection) -> Singles:
    fallen = (kept.log_fallen - math.log(max(likeness.fallen_points, 1.0))) / FALLEN_SPREAD
    age = (kept.log_age - math.log(max(likeness.age_hours, 6.0))) / AGE_SPREAD
    prior = kept.log_prior - 0.5 * (fallen * fallen + age * age)
    if not math.isnan(likeness.chill_c):
        chill = (kept.chill_c - likeness.chill_c) / CHILL_SPREAD_C
        prior -= 0.5 * chill * chill
    return np.asarray(prior, dtype=np.float32)


def _whitened(window: Window, noise: Noise, extra_var: Floats, kept: Collection) -> Floats:
    """Columns (shapes, one, the data) on the window's bins, each bin as sure as any other and by itself."""
    apart = np.abs(window.hours[:, None] - window.hours)
    high = MISFIT * (window.points - window.last_points)
    k = np.exp(apart * (-1.0 / WANDER_HOURS)) * noise.wander_points**2
    k += np.exp(apart * (-1.0 / MISFIT_HOURS)) * np.abs(high[:, None] * high)
    k += TEMPERATURE_SD**2 * window.temperature_c[:, None] * window.temperature_c
    k.flat[:: window.size + 1] += window.white_var + extra_var + LEAST_VAR + _timing_variance(window)
    factor, _ = lapack.dpotrf(k, lower=1, clean=1, overwrite_a=1)
    at = (window.hours - BINS[0]) / BIN_HOURS
    low = np.clip(at.astype(np.intp), 0, BINS.size - 2)
    share = np.clip(at - low, 0.0, 1.0)
    shapes = kept.shapes[:, low] * (1.0 - share) + kept.shapes[:, low + 1] * share
    rows = np.concatenate([shapes, np.ones((1, window.size)), window.points[None]])
    white, _ = lapack.dtrtrs(factor, rows.T, lower=1)
    return np.asarray(white)


def _timing_variance(window: Window) -> Floats:
    """Variance of each bin by turns that come some hours sooner or later."""
    level = np.pad(window.points, SMOOTH_BINS // 2, mode="edge")
    smooth = np.convolve(level, np.full(SMOOTH_BINS, 1.0 / SMOOTH_BINS), mode="valid")
    return np.asarray((TIMING_HOURS * np.gradient(smooth, window.hours)) ** 2)


@dataclass(frozen=True, slots=True)
class _Fit:
    """How each precedent fits at a level L: square - 2 slope L + curvature L^2, of twice the log density."""

    square: Singles
    slope: Singles
    curvature: float


def _fit(white: Floats, table: Singles) -> _Fit:
    by_shape, one, data = white[:, :-2], white[:, -2], white[:, -1]
    # distances in the plane of the shapes: squared only after subtracting
    q, r = np.linalg.qr(by_shape)
    within = q.T @ data
    apart = table @ r.T.astype(np.float32) - within.astype(np.float32)
    beside = float(data @ data - within @ within)
    slope = float(one @ data) - table @ (by_shape.T @ one).astype(np.float32)
    return _Fit(np.einsum("ij,ij->i", apart, apart) + beside, slope, float(one @ one))


def _log_likelihood(fit: _Fit, left_points: Singles, expected: float, expected_sd: float) -> Singles:
    """Of each precedent, the level integrated out; up to a constant that all share.

    The expected final gravity is the level less what is left: one more observation.
    """
    trust = expected_sd**-2.0
    level = left_points + np.float32(expected)
    curvature = fit.curvature + trust
    square = fit.square + trust * level**2 - (fit.slope + trust * level) ** 2 / curvature
    return np.asarray(-0.5 * (square + math.log(curvature)) - math.log(expected_sd))
