"""One whole tune: sweep, choice, and the judge's own word on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from monitor.errors import CarboydError
from monitor.ferment.pipeline import Analysis
from monitor.tune import choice as choosing
from monitor.tune.board import Board
from monitor.tune.choice import Choice, Held, Taste
from monitor.tune.cores import Hands
from monitor.tune.ladders import Design, Ladder, grid, random
from monitor.tune.reckoning import Prices
from monitor.tune.search import optimised
from monitor.tune.sets import Sets, value_of
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, disagreeing, swept

How = Literal["random", "grid", "optimise"]
GENERATIONS_OF: Final = 250
"""Sets that are reckoned as one generation of the optimiser."""

Progress = Callable[[str, int], Callable[[int], None]]
"""Given what begins and of how many steps, gives whom to tell of steps done."""


def _unseen(_what: str, _steps: int) -> Callable[[int], None]:
    return lambda _done: None


@dataclass(frozen=True, slots=True)
class Wish:
    """What to sweep and how."""

    present: Analysis
    ladders: tuple[Ladder, ...]
    how: How = "random"
    sets: int = 10_000
    seed: int = 0
    splits: int = 10
    early_share: float = 0.0
    """Of all ferments, those that may be called finished too early."""
    prices: Prices = field(default_factory=Prices)


@dataclass(frozen=True, slots=True)
class Tuned:
    """What came of it."""

    design: Design
    board: Board
    choice: Choice

    @property
    def changes(self) -> dict[str, tuple[float, float]]:
        """What the best setting changes: (from, to) by name."""
        best = self.design.sets[self.choice.best]
        pairs = {
            one.name: (value_of(self.design.present, one.name), value_of(best, one.name))
            for one in self.design.ladders
        }
        return {name: pair for name, pair in pairs.items() if pair[0] != pair[1]}


def tune(
    records: Sequence[Record], wish: Wish, shelf: Shelf, hands: Hands, progress: Progress = _unseen
) -> Tuned:
    """Sweep, choose, and let the judge itself tell every recording by what was chosen.

    Raises CarboydError where there are no recordings, where evidence is gone, and where the judge and the
    sweep disagree: nothing is recommended then.
    """
    if wish.how == "optimise":
        tuned = _by_learning(records, wish, shelf, hands, progress)
    else:
        tuned = _by_design(records, wish, shelf, hands, progress)
    for place in sorted({0, tuned.choice.best}):
        at_odds = disagreeing(records, shelf, tuned.design.sets[place], hands)
        if at_odds:
            raise CarboydError(
                f"the sweep and the judge disagree on {', '.join(at_odds[:3])}",
                hint="This is a fault of carboyd: nothing is recommended. Please report it.",
            )
    return tuned


def _by_design(
    records: Sequence[Record], wish: Wish, shelf: Shelf, hands: Hands, progress: Progress
) -> Tuned:
    """The settings are drawn before any recording is looked at, so one board serves every split."""
    if wish.how == "grid":
        design = grid(wish.present, wish.ladders)
    else:
        design = random(wish.present, wish.ladders, wish.sets, wish.seed)
    board = swept(
        records,
        shelf,
        design.sets,
        wish.prices,
        hands,
        progress("holding settings against them", len(records)),
    )
    taste = Taste(design.steps, wish.early_share)
    enough = board.recordings >= choosing.LEAST_RECORDS
    left_out = choosing.leave_one_out(board, taste) if enough else Held(())
    splits = choosing.held_apart(board, taste, wish.splits, wish.seed) if enough else Held(())
    return Tuned(design, board, choosing.choose(board, taste, left_out, splits))


def _by_learning(
    records: Sequence[Record], wish: Wish, shelf: Shelf, hands: Hands, progress: Progress
) -> Tuned:
    """An optimiser has seen the recordings it learnt from, so each split learns anew, from its half alone."""
    generations = max(1, wish.sets // GENERATIONS_OF)
    enough = len(records) >= choosing.LEAST_RECORDS
    done = progress("learning, for all and for each half", 1 + (wish.splits if enough else 0))

    def learnt(some: Sequence[Record]) -> tuple[Design, Board]:
        def hold(sets: Sets) -> Board:
            return swept(some, shelf, sets, wish.prices, hands)

        found = optimised(wish.present, wish.ladders, hold, generations, wish.seed, wish.early_share)
        done(1)
        return found

    design, board = learnt(records)
    gains = []
    for chosen_on, apart in choosing.halves(len(records), wish.splits if enough else 0, wish.seed):
        half, half_board = learnt([records[place] for place in chosen_on])
        taken = choosing.pick(
            half_board, Taste(half.steps, wish.early_share), np.arange(half_board.recordings)
        )
        pair = Sets(wish.present, half.sets.names, half.sets.values[[0, taken]])
        other = swept([records[place] for place in apart], shelf, pair, wish.prices, hands)
        gains.append(choosing.gain(other, 1, np.arange(other.recordings)))
    taste = Taste(design.steps, wish.early_share)
    return Tuned(design, board, choosing.choose(board, taste, None, Held(tuple(gains))))
