"""Fits tables to examples: each table to what the ones before it left over.

Gradient boosting (Friedman, Ann. Statist. 29 (2001) 1189) for a quantile, with the same question for all
places of a level. A table's questions are chosen on a share of the groups, here ferments, so that none of
them is learnt by heart; what stands at its places is the quantile of the errors there, drawn in where few
examples are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import default_rng
from numpy.typing import NDArray

from monitor.ferment.series import Floats
from monitor.ferment.tables import Tables, places

BINS: Final = 48
"""So many edges are tried of every trait, about equally many examples between them."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """How fine, and how bold."""

    tables: int = 200
    questions: int = 5
    step: float = 0.1
    """Share of the errors that a table takes away."""
    share: float = 0.6
    """Of the groups that choose a table's questions."""
    traits: float = 0.5
    """Share of the traits that a table may ask for."""
    shrink: float = 40.0
    """A place with so many examples is taken by half."""


def edges_of(traits: Floats) -> Floats:
    """(BINS - 1, k) edges, rising; of a trait with few values some are the same."""
    return np.asarray(np.nanquantile(traits, np.arange(1, BINS) / BINS, axis=0))


def fit(
    traits: Floats, target: Floats, groups: NDArray[np.int64], quantile: float, recipe: Recipe, seed: int = 1
) -> Tables:
    """Tables whose sum is that quantile of the target, given the traits."""
    rng = default_rng(seed)
    edges = edges_of(traits)
    k = traits.shape[1]
    bins = np.empty(traits.shape, dtype=np.int64)
    for j in range(k):
        # how many edges lie under the value: not known counts as under all
        bins[:, j] = np.where(np.isnan(traits[:, j]), 0, np.searchsorted(edges[:, j], traits[:, j]))
    names = np.unique(groups)
    base = float(np.quantile(target, quantile))
    sums = np.full(target.size, base)
    asked = np.empty((recipe.tables, recipe.questions), dtype=np.int64)
    edge = np.empty((recipe.tables, recipe.questions))
    value = np.empty((recipe.tables, 2**recipe.questions))
    for table in range(recipe.tables):
        error = target - sums
        pull = np.where(error > 0.0, quantile, quantile - 1.0)
        chosen = np.isin(groups, rng.choice(names, int(recipe.share * names.size), replace=False))
        rows = np.flatnonzero(chosen)
        allowed = np.sort(rng.choice(k, max(int(recipe.traits * k), 1), replace=False))
        part = bins[rows][:, allowed]
        place = np.zeros(rows.size, dtype=np.int64)
        for level in range(recipe.questions):
            best = _best(part, pull[rows], place, 2**level, recipe.shrink)
            asked[table, level] = allowed[best[0]]
            edge[table, level] = edges[best[1], allowed[best[0]]]
            place = 2 * place + (part[:, best[0]] > best[1])
        whole = places(traits, asked[table, None], edge[table, None])[:, 0]
        value[table] = _values(whole[rows], error[rows], quantile, value.shape[1], recipe)
        sums += value[table, whole]
    return Tables(base, asked, edge, value)


def _best(
    bins: NDArray[np.int64], pull: Floats, place: NDArray[np.int64], places: int, shrink: float
) -> tuple[int, int]:
    """Trait and edge that part the pulls best, the same for all places."""
    k = bins.shape[1]
    at = ((place[:, None] * k + np.arange(k)) * BINS + bins).ravel()
    count = np.bincount(at, minlength=places * k * BINS).reshape(places, k, BINS)
    total = np.bincount(at, np.repeat(pull, k), minlength=places * k * BINS).reshape(places, k, BINS)
    count, total = count.cumsum(axis=2), total.cumsum(axis=2)
    low, many = total[:, :, :-1], count[:, :, :-1]
    high, rest = total[:, :, -1:] - low, count[:, :, -1:] - many
    gain = (low**2 / (many + shrink) + high**2 / (rest + shrink)).sum(axis=0)
    trait, edge = np.unravel_index(int(np.argmax(gain)), gain.shape)
    return int(trait), int(edge)


def _values(place: NDArray[np.int64], error: Floats, quantile: float, places: int, recipe: Recipe) -> Floats:
    found = np.zeros(places)
    order = np.argsort(place, kind="stable")
    bounds = np.searchsorted(place[order], np.arange(places + 1))
    for one in range(places):
        here = error[order[bounds[one] : bounds[one + 1]]]
        if here.size:
            trust = here.size / (here.size + recipe.shrink)
            found[one] = recipe.step * trust * float(np.quantile(here, quantile))
    return found
