"""What every setting did on every recording: a board of marks, filled column by column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.tune.reckoning import Column

Floats = NDArray[np.float64]
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Board:
    """Marks, (settings x recordings)."""

    names: tuple[str, ...]
    """Of the recordings."""
    cost_h: Floats
    delay_h: Floats
    early: NDArray[np.int8]
    missed: NDArray[np.int8]
    false: NDArray[np.int8]

    @classmethod
    def of(cls, names: Sequence[str], columns: Iterable[Column]) -> Board:
        """The columns of the recordings named, in their order."""
        columns = list(columns)
        return cls(
            tuple(names),
            np.stack([one.cost_h for one in columns], axis=1),
            np.stack([one.delay_h for one in columns], axis=1),
            np.stack([one.early for one in columns], axis=1),
            np.stack([one.missed for one in columns], axis=1),
            np.stack([one.false for one in columns], axis=1),
        )

    @classmethod
    def joined(cls, boards: Sequence[Board]) -> Board:
        """More settings on the same recordings."""
        return cls(
            boards[0].names,
            np.concatenate([one.cost_h for one in boards]),
            np.concatenate([one.delay_h for one in boards]),
            np.concatenate([one.early for one in boards]),
            np.concatenate([one.missed for one in boards]),
            np.concatenate([one.false for one in boards]),
        )

    @property
    def settings(self) -> int:
        """How many settings."""
        return int(self.cost_h.shape[0])

    @property
    def recordings(self) -> int:
        """How many recordings."""
        return len(self.names)

    def figures(self, setting: int) -> Figures:
        """One setting over all recordings."""
        delay = self.delay_h[setting]
        delay = delay[~np.isnan(delay)]
        return Figures(
            cost_h=float(np.mean(self.cost_h[setting])),
            delay_median_h=float(np.median(delay)) if delay.size else None,
            delay_p90_h=float(np.quantile(delay, 0.9)) if delay.size else None,
            timely=int(delay.size),
            early=int(self.early[setting].sum()),
            missed=int(self.missed[setting].sum()),
            false=int(self.false[setting].sum()),
        )

    def false_per_hundred(self) -> Floats:
        """False alarms of every setting, for a hundred ferments."""
        return np.asarray(self.false.sum(axis=1, dtype=np.int64) * (100.0 / self.recordings))

    def median_delay_h(self) -> Floats:
        """Median delay of the finish of every setting; nan where none was told in time."""
        told = ~np.isnan(self.delay_h)
        ordered = np.sort(self.delay_h, axis=1)  # nan go last
        count = told.sum(axis=1)
        rows = np.arange(self.settings)
        low = ordered[rows, np.maximum((count - 1) // 2, 0)]
        high = ordered[rows, np.minimum(count // 2, self.recordings - 1)]
        return np.asarray(np.where(count > 0, (low + high) / 2.0, np.nan))


@dataclass(frozen=True, slots=True)
class Figures:
    """One setting over many ferments."""

    cost_h: float
    """Mean of a ferment, faults priced in hours of waiting."""
    delay_median_h: float | None
    delay_p90_h: float | None
    timely: int
    """Finishes told in time."""
    early: int
    missed: int
    false: int


def front(board: Board) -> Places:
    """Settings that no other beats in both delay and false alarms, by rising false alarms."""
    delay, false = board.median_delay_h(), board.false.sum(axis=1, dtype=np.int64)
    told = np.count_nonzero(~np.isnan(board.delay_h), axis=1)
    # a setting that tells few finishes at all is quick and quiet for nothing
    fit = told >= 0.5 * max(int(told.max()), 1)
    order = np.lexsort((np.arange(board.settings), delay, false))
    found, best = [], np.inf
    for place in order.tolist():
        if fit[place] and delay[place] < best:
            found.append(place)
            best = delay[place]
    return np.array(found, dtype=np.int64)
