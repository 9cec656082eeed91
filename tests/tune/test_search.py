"""The optimiser looks over rungs only, and finds what is there."""

from __future__ import annotations

import numpy as np

from monitor.ferment.pipeline import Analysis
from monitor.tune.board import Board
from monitor.tune.ladders import ladders
from monitor.tune.search import optimised
from monitor.tune.sets import Sets

SWEPT = ladders(Analysis(), ["finished_doubt", "finished_dwell", "clear_dwell"])


def bowl(sets: Sets) -> Board:
    """Costs that are least at a doubt of 0.3 and a dwell of 12 h; below 0.07 ferments are told too early."""
    doubt, dwell = sets.values[:, 0], sets.values[:, 1]
    cost = 100.0 * np.abs(doubt - 0.3) + np.abs(dwell - 12.0)
    cost = np.where(doubt < 0.07, 0.0, cost)
    none = np.zeros((len(cost), 2), dtype=np.int8)
    early = np.repeat((doubt < 0.07).astype(np.int8)[:, None], 2, axis=1)
    return Board(("a", "b"), np.stack([cost, cost], axis=1), np.zeros((len(cost), 2)), early, none, early)


def test_the_least_cost_is_found() -> None:
    """Without ever paying for it with ferments told too early; the present setting comes first."""
    design, board = optimised(Analysis(), SWEPT, bowl, 12, 0)
    assert design.sets[0] == Analysis()
    fit = np.flatnonzero(board.early.sum(axis=1) == 0)
    best = design.sets[int(fit[np.argmin(board.cost_h[fit].mean(axis=1))])]
    assert (best.thresholds.finished_doubt, best.alerts.finished_dwell) == (0.3, 12.0)
    assert len(board.cost_h) == len(design.rungs) == len(np.unique(design.rungs, axis=0))


def test_the_same_seed_gives_the_same_settings() -> None:
    """In the same order."""
    first, second = (optimised(Analysis(), SWEPT, bowl, 4, 9)[0].rungs for _ in range(2))
    assert np.array_equal(first, second)
    for rungs, ladder in zip(first.T, SWEPT, strict=True):
        assert rungs.min() >= 0
        assert rungs.max() < len(ladder.rungs)
