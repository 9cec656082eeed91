"""Where the next batch should end, from where earlier ones ended: a range for its apparent attenuation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtr, ndtri

from monitor.batch.outcome import Outcome
from monitor.batch.sheet import ATTENUATION
from monitor.ferment.offset import SAMPLE_SD
from monitor.ferment.premise import Must, MustKind
from monitor.ferment.series import Floats
from monitor.ferment.terminal import Expected, expected_final
from monitor.units import POINTS_PER_SG

SURE: Final = 0.95
LEAST_OF_RECIPE: Final = 2
LEAST_OF_KIND: Final = 3
NEAR_SHARE: Final = 0.15
"""Musts of a kind are compared where their original gravities differ by no more than this share."""
RECIPE_SPREAD: Final = 0.025
"""Batches of a recipe scatter by this in attenuation: a point where forty ferment (common practice)."""
KIND_SPREAD: Final = 0.7
"""Different recipes of one maker by this share of what all musts of the kind do."""
SPREAD_LOG_SD: Final = 0.7
"""How little that is known: the spread is half or twice as large as often as not."""
ELSEWHERE: Final = (0.1, 0.25)
"""One recipe in ten does not end where its kind does but anywhere: chance, and spread in attenuation."""
FLOAT_POINTS: Final = 1.0
"""A float's own error on the final gravity."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """A range of apparent attenuation, and how many earlier batches it rests on."""

    low: float
    high: float
    batches: int
    of_recipe: bool
    """Of this very recipe; else of its kind of must."""

    @property
    def pair(self) -> tuple[float, float]:
        """As a sheet has it."""
        return self.low, self.high

    @property
    def said(self) -> str:
        """The range and where it comes from, as the beginning of a sentence."""
        whose = "of this recipe" if self.of_recipe else "of this kind of must and about this gravity"
        return f"Expected attenuation {in_percent(self.pair)}, from {self.batches} earlier batches {whose}"


def in_percent(pair: tuple[float, float]) -> str:
    """`95.8 to 103 %`."""
    return f"{100.0 * pair[0]:.4g} to {100.0 * pair[1]:.4g} %"


def same_recipe(one: str, other: str) -> bool:
    """Whether two recipes read the same but for blanks and capitals; nothing written is no recipe."""
    words = one.casefold().split()
    return bool(words) and words == other.casefold().split()


def alike(must: Must, kind: MustKind | None, original_gravity_sg: float | None) -> bool:
    """Whether a must of this kind and gravity tells something of this one; never where either is unknown."""
    if must.kind is None or kind is not must.kind:
        return False
    if must.original_gravity_sg is None or original_gravity_sg is None:
        return False
    original = _points(must.original_gravity_sg)
    return abs(_points(original_gravity_sg) - original) <= NEAR_SHARE * original


def expectation(must: Must, recipe: str, earlier: Sequence[Outcome]) -> Expectation | None:
    """What earlier batches say of where the next one ends; None where there are too few.

    Two of the same recipe are enough; else three of the same kind whose original gravity is within
    `NEAR_SHARE`. The range holds the next one nineteen times in twenty, see `attenuation_range`.
    """
    found = [one for one in earlier if same_recipe(one.recipe, recipe)]
    of_recipe = len(found) >= LEAST_OF_RECIPE
    if not of_recipe:
        found = [one for one in earlier if alike(must, one.kind, one.original_gravity_sg)]
        if len(found) < LEAST_OF_KIND:
            return None
    original = _points(must.original_gravity_sg) if must.original_gravity_sg else _usual(found)
    if original <= 0.0:
        return None
    low, high = attenuation_range(must.kind, original, found, of_recipe=of_recipe)
    least, most = ATTENUATION
    if high <= least or low >= most:
        return None
    return Expectation(round(max(low, least), 3), round(min(high, most), 3), len(found), of_recipe)


def attenuation_range(
    kind: MustKind | None, original_points: float, earlier: Sequence[Outcome], *, of_recipe: bool
) -> tuple[float, float]:
    """The 2.5 and 97.5 percentiles of the next batch's apparent attenuation, given at least one earlier one.

    A normal with unknown mean and spread. u_i is what batch i attenuated beyond what its kind and original
    gravity let expect (`terminal.expected_final`), with the known error m_i:

        u_i ~ N(mu, s^2 + m_i^2)        next ~ N(mu, s^2)
        ln s ~ N(ln S, SPREAD_LOG_SD^2)    S: RECIPE_SPREAD, or KIND_SPREAD t
        mu ~ 0.9 N(0, t^2) + 0.1 N(0, 0.25^2)    t: how far musts of the kind scatter

    The prior of s keeps two batches that happen to agree from giving a range of no width, that of mu keeps
    few poor figures from telling much less than the kind alone does. Given s, mu is integrated out in closed
    form (a normal with a normal prior); over ln s the sum runs on a grid, and the range is the mixture's. It
    is never narrower than a float's own error and the hydrometer's, FLOAT_POINTS and SAMPLE_SD, would make it
    by themselves. Of a maker whose batches scatter by 1.5 points of 50, three give a range that holds 95
    times in 100; by 2 points, 91 times.
    """
    alone = expected_final(Must(kind=kind), original_points)
    scatter = alone.sd_points / original_points
    beyond = np.array([_beyond(one, kind) for one in earlier])
    errors = np.array([one.error_points / _points(one.original_gravity_sg) for one in earlier])
    usual_spread = RECIPE_SPREAD if of_recipe else KIND_SPREAD * scatter
    weight, mean, sd = _posterior(beyond, errors, scatter, usual_spread)

    def excess(value: float, share: float) -> float:
        return float(np.sum(weight * ndtr((value - mean) / sd))) - share

    tail = (1.0 - SURE) / 2.0
    least, most = float(np.min(mean - 12.0 * sd)), float(np.max(mean + 12.0 * sd))
    low, high = (float(brentq(excess, least, most, args=(share,))) for share in (tail, 1.0 - tail))
    instruments = float(ndtri(1.0 - tail)) * math.hypot(FLOAT_POINTS, SAMPLE_SD) / original_points
    middle, half = (low + high) / 2.0, max((high - low) / 2.0, instruments)
    middle += _attenuation(alone, original_points)
    return middle - half, middle + half


def _posterior(
    beyond: Floats, errors: Floats, scatter: float, usual_spread: float
) -> tuple[Floats, Floats, Floats]:
    """The mixture of normals that the next batch is drawn from: weights, means, standard deviations."""
    steps = np.linspace(-4.0, 4.0, 65)
    spread = usual_spread * np.exp(SPREAD_LOG_SD * steps)
    odds, far = ELSEWHERE
    # rows: whether the kind is a guide to this recipe; columns: spreads
    prior_var = np.array([[scatter**2], [far**2]])
    prior = np.log([[1.0 - odds], [odds]]) - 0.5 * steps**2
    variance = spread[:, None] ** 2 + errors**2
    precision = np.sum(1.0 / variance, axis=1)
    centre = np.sum(beyond / variance, axis=1) / precision
    misfit = np.sum((beyond - centre[:, None]) ** 2 / variance, axis=1)
    likelihood = (
        -0.5 * (np.sum(np.log(variance), axis=1) + misfit)
        - 0.5 * np.log1p(prior_var * precision)
        - 0.5 * centre**2 / (1.0 / precision + prior_var)
    )
    logs = prior + likelihood
    left = 1.0 / (precision + 1.0 / prior_var)
    weight = np.exp(logs - logsumexp(logs))
    return weight.ravel(), (left * precision * centre).ravel(), np.sqrt(left + spread**2).ravel()


def _beyond(one: Outcome, kind: MustKind | None) -> float:
    original = _points(one.original_gravity_sg)
    return one.attenuation - _attenuation(expected_final(Must(kind=kind), original), original)


def _attenuation(expected: Expected, original_points: float) -> float:
    return 1.0 - expected.mean_points / original_points


def _usual(outcomes: Sequence[Outcome]) -> float:
    return median(_points(one.original_gravity_sg) for one in outcomes)


def _points(gravity_sg: float) -> float:
    return (gravity_sg - 1.0) * POINTS_PER_SG
