"""Tables fitted to examples whose answers are known."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.ferment.series import Floats
from monitor.replay.boosting import Recipe, edges_of, fit

ONE = Recipe(tables=1, questions=1, step=1.0, share=1.0, traits=1.0, shrink=0.0)


def examples(n: int = 1500) -> tuple[Floats, Floats]:
    """Three traits; the target is a step in the second, and noise."""
    rng = np.random.default_rng(5)
    traits = rng.normal(size=(n, 3))
    return traits, np.where(traits[:, 1] > 0.4, 2.0, -1.0) + 0.3 * rng.normal(size=n)


def test_one_question_is_the_best_of_all() -> None:
    """A single table asks what trying every trait and edge by hand finds best: the pulls' squared sums."""
    traits, target = examples(400)
    found = fit(traits, target, np.arange(400), 0.5, ONE)
    pull = np.where(target > np.median(target), 0.5, -0.5)
    edges = edges_of(traits)

    def gain(j: int, edge: float) -> float:
        above = traits[:, j] > edge
        if above.all() or not above.any():
            return 0.0
        return float(pull[above].sum() ** 2 / above.sum() + pull[~above].sum() ** 2 / (~above).sum())

    best = max((gain(j, edge), j, edge) for j in range(3) for edge in edges[:, j].tolist())
    assert (found.trait[0, 0], found.edge[0, 0]) == (best[1], pytest.approx(best[2]))
    above = traits[:, best[1]] > best[2]
    middle = np.median(target)
    assert found.base + found.value[0] == pytest.approx(
        [np.median(target[~above] - middle) + middle, np.median(target[above] - middle) + middle]
    )


@pytest.mark.parametrize("quantile", [0.1, 0.5, 0.9])
def test_a_quantile_lies_where_it_should_on_others(quantile: float) -> None:
    """On examples that were not fitted, that share of the targets lies below (600 of them, to 0.05)."""
    traits, target = examples()
    found = fit(traits[:900], target[:900], np.arange(900) // 3, quantile, Recipe(tables=60, questions=3))
    below = target[900:] < found.answers(traits[900:])
    assert below.mean() == pytest.approx(quantile, abs=0.05)


def test_what_is_not_known_takes_the_same_way_when_fitted_and_when_asked() -> None:
    """A trait missing in a third of the examples, which have a level of their own, is fitted well."""
    traits, _ = examples()
    missing = np.arange(1500) % 3 == 0
    traits[missing, 1] = np.nan
    target = np.where(missing, -3.0, np.where(traits[:, 1] > 0.0, 2.0, 0.0))
    found = fit(traits, target, np.arange(1500), 0.5, Recipe(tables=80, questions=3))
    assert np.abs(found.answers(traits) - target).mean() < 0.2
