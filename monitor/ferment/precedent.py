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
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

import numpy as np
from scipy.linalg import lapack

from monitor.ferment.noise import WANDER_HOURS, Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import BIN_HOURS, LEAST_VAR, TEMPERATURE_SD, Window

SPAN_HOURS: Final = 192
BINS: Final = np.arange(-SPAN_HOURS + BIN_HOURS / 2.0, 0.0, BIN_HOURS)
"""Middles of the bins that a precedent is described on, hours before now."""
MISFIT: Final = 0.1
"""No precedent is this ferment: it may lie off by this share of the height above the level now."""
MISFIT_HOURS: Final = 30.0
FALLEN_SPREAD: Final = 0.35
"""Precedents whose logarithm of the fall so far lies further away count less."""
AGE_SPREAD: Final = 0.6
"""The same for the logarithm of the hours since the start."""
CHILL_SPREAD_C: Final = 1.5
"""The same for how much colder it has become."""
EXPECTED_SCALES: Final = ((1.0, 0.8), (3.0, 0.2))
"""The expected final gravity is wrong at times: a second, wider normal keeps it from ruling the data."""
BLOCK: Final = 256
"""Precedents multiplied at once: few enough to stay in the processor's cache."""
FALLING_FAST: Final = 4.0
"""Points a day: what falls faster needs no precedent to be called unfinished."""


@dataclass(frozen=True, slots=True)
class Collection:
    """All precedents; n of them, described by k shapes on 64 bins."""

    shapes: Floats
    """(k, 64) points above the level now."""
    table: Floats
    """(n, k + 1) weight of each shape, and the points left with the sign changed."""
    left_points: Floats
    """(n,) in rising order."""
    log_prior: Floats
    log_fallen: Floats
    log_age: Floats
    chill_c: Floats


@cache
def collection() -> Collection:
    """The collection that comes with the package."""
    with resources.files("monitor.ferment").joinpath("precedents.npz").open("rb") as file:
        kept = np.load(file)
        data = {name: kept[name].astype(np.float64) for name in kept.files}
    shapes = data.pop("shapes")
    data["table"] *= data.pop("scale")
    # those of a fall hardly begun come last, and a few of them can be missed
    whole = data["table"].shape[0] // BLOCK * BLOCK
    data = {name: values[:whole] for name, values in data.items()}
    return Collection(shapes=shapes, left_points=-data["table"][:, -1], **data)


@dataclass(frozen=True, slots=True)
class Likeness:
    """What a precedent must share with this ferment beside its shape."""

    fallen_points: float
    age_hours: float
    """Since pitching or the last sugar."""
    chill_c: float
    """How much colder it is than its warmest two days; nan where not known."""


@dataclass(frozen=True, slots=True)
class Left:
    """What is still to fall, in points; nan where there is nothing to go by."""

    p05: float = math.nan
    p50: float = math.nan
    p95: float = math.nan
    over_one: float = math.nan
    """Probability that more than a point is left."""
    over_two: float = math.nan


def look_up(
    window: Window,
    noise: Noise,
    extra_var: Floats,
    expected: tuple[float, float],
    likeness: Likeness,
    kept: Collection | None = None,
) -> Left:
    """Posterior of what is left.

    `extra_var` is what a fit found to add to bins that lie out; `expected` is mean and sd of the final
    gravity as this float would read it.
    """
    kept = collection() if kept is None else kept
    if window.size < 5 or not math.isfinite(likeness.fallen_points):
        return Left()
    gram = _gram(window, noise, extra_var, kept)
    prior = _prior(likeness, kept)
    logs = [
        _log_likelihood(gram, expected[0], scale * expected[1], kept) + math.log(share)
        for scale, share in EXPECTED_SCALES
    ]
    log_weight = prior + np.logaddexp(*logs)
    weight = np.exp(log_weight - log_weight.max())
    rising = np.cumsum(weight)
    rising /= rising[-1]
    p05, p50, p95 = np.interp((0.05, 0.5, 0.95), rising, kept.left_points)
    under_one, under_two = (
        float(rising[i - 1]) if i else 0.0 for i in np.searchsorted(kept.left_points, (1.0, 2.0))
    )
    return Left(
        max(float(p05), 0.0), max(float(p50), 0.0), max(float(p95), 0.0), 1.0 - under_one, 1.0 - under_two
    )


def _prior(likeness: Likeness, kept: Collection) -> Floats:
    fallen = (kept.log_fallen - math.log(max(likeness.fallen_points, 1.0))) / FALLEN_SPREAD
    age = (kept.log_age - math.log(max(likeness.age_hours, 6.0))) / AGE_SPREAD
    prior = kept.log_prior - 0.5 * (fallen * fallen + age * age)
    if not math.isnan(likeness.chill_c):
        chill = (kept.chill_c - likeness.chill_c) / CHILL_SPREAD_C
        prior -= 0.5 * chill * chill
    return prior


def _gram(window: Window, noise: Noise, extra_var: Floats, kept: Collection) -> Floats:
    """Products of (shapes, points left, one, the data) under the inverse covariance of the bins."""
    apart = np.abs(window.hours[:, None] - window.hours)
    high = MISFIT * (window.points - float(np.median(window.points[-4:])))
    k = np.exp(apart * (-1.0 / WANDER_HOURS)) * noise.wander_points**2
    k += np.exp(apart * (-1.0 / MISFIT_HOURS)) * np.abs(high[:, None] * high)
    k += TEMPERATURE_SD**2 * window.temperature_c[:, None] * window.temperature_c
    k.flat[:: window.size + 1] += window.white_var + extra_var + LEAST_VAR
    factor, _ = lapack.dpotrf(k, lower=1, clean=1, overwrite_a=1)
    at = (window.hours - BINS[0]) / BIN_HOURS
    low = np.clip(at.astype(np.intp), 0, BINS.size - 2)
    share = np.clip(at - low, 0.0, 1.0)
    shapes = kept.shapes[:, low] * (1.0 - share) + kept.shapes[:, low + 1] * share
    rows = np.concatenate(
        [shapes, np.zeros((1, window.size)), np.ones((1, window.size)), window.points[None]]
    )
    white, _ = lapack.dtrtrs(factor, rows.T, lower=1)
    return np.asarray(white.T @ white)


def _log_likelihood(gram: Floats, expected: float, expected_sd: float, kept: Collection) -> Floats:
    """Of each precedent, the level integrated out; up to a constant that all share."""
    tie = np.zeros(gram.shape[0])
    # the expected final gravity is the level less what is left: a row of its own
    tie[-3:] = 1.0, 1.0, expected
    g = gram + np.outer(tie, tie) / expected_sd**2
    level = g[-2, -2]
    g = g - np.outer(g[:, -2], g[-2]) / level
    count, width = kept.table.shape
    blocks = kept.table.reshape(-1, BLOCK if count % BLOCK == 0 else count, width)
    met = np.matmul(blocks, g[:-2, [*range(width), -1]]).reshape(count, width + 1)
    square = np.einsum("ij,ij->i", met[:, :-1], kept.table) - 2.0 * met[:, -1]
    return np.asarray(-0.5 * (square + g[-1, -1] + math.log(level)) - math.log(expected_sd))
