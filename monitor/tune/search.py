"""Where settings to try come from: a design drawn beforehand, or an optimiser that learns as it goes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, differential_evolution

from monitor.ferment.pipeline import Analysis
from monitor.tune.board import Board
from monitor.tune.ladders import Design, Ladder, home
from monitor.tune.sets import Sets

CROWD: Final = 12
"""Members of the optimiser's population for each threshold."""
EARLY_COST_H: Final = 1_000.0
"""Added for every ferment called finished too early beyond what is allowed: never worth it."""
STEP_COST_H: Final = 1e-4
"""Of two settings that do equally well the nearer one is the better one."""

Hold = Callable[[Sets], Board]
"""Holds settings against recordings."""


def optimised(
    present: Analysis,
    swept: tuple[Ladder, ...],
    hold: Hold,
    generations: int,
    seed: int,
    early_share: float = 0.0,
) -> tuple[Design, Board]:
    """Differential evolution over the rungs; all settings that it tried, the present one first, and their
    board.

    The same seed and recordings give the same settings.
    """
    pool = _Pool(present, swept, hold, early_share)
    differential_evolution(
        pool.price,  # type: ignore[arg-type]  # takes many members at once, as vectorized says
        bounds=Bounds([0.0] * len(swept), [len(one.rungs) - 1.0 for one in swept]),
        integrality=np.ones(len(swept), dtype=bool),
        x0=home(present, swept),
        maxiter=generations,
        popsize=CROWD,
        tol=0.0,
        rng=seed,
        polish=False,
        updating="deferred",
        vectorized=True,
    )
    return pool.design, Board.joined(pool.boards)


class _Pool:
    """Settings tried so far; each is held against the recordings once."""

    def __init__(self, present: Analysis, swept: tuple[Ladder, ...], hold: Hold, early_share: float) -> None:
        self._early_share = early_share
        self._hold = hold
        self._swept = swept
        self._present = present
        self.boards: list[Board] = []
        self._rungs: list[NDArray[np.int64]] = []
        self._prices: dict[bytes, float] = {}
        self._early = 0.0
        self._add(home(present, swept)[None, :])

    @property
    def design(self) -> Design:
        """All settings, in the order of the boards' rows."""
        return Design(self._present, self._swept, np.concatenate(self._rungs))

    def price(self, members: NDArray[Any]) -> NDArray[np.float64]:
        """The price of each member of a population, (thresholds x members)."""
        rungs = np.atleast_2d(np.rint(members).astype(np.int64).T)
        fresh = [row for row in np.unique(rungs, axis=0) if row.tobytes() not in self._prices]
        if fresh:
            self._add(np.stack(fresh))
        return np.array([self._prices[np.ascontiguousarray(row).tobytes()] for row in rungs])

    def _add(self, rungs: NDArray[np.int64]) -> None:
        design = Design(self._present, self._swept, rungs)
        board = self._hold(design.sets)
        early = board.early.sum(axis=1, dtype=np.int64)
        if not self.boards:
            self._early = max(float(early[0]), self._early_share * board.recordings)
        price = (
            board.cost_h.mean(axis=1)
            + EARLY_COST_H * np.maximum(early - self._early, 0.0)
            + STEP_COST_H * design.steps
        )
        self.boards.append(board)
        self._rungs.append(rungs)
        for row, one in zip(rungs, price.tolist(), strict=True):
            self._prices[row.tobytes()] = one
