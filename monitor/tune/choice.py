"""Which setting to recommend, and whether the gain is there.

The cheapest of ten thousand settings on a dozen ferments is mostly the luckiest. So among the settings that
cannot be told from the cheapest (within one standard error of the paired difference) the one nearest to the
present is taken. None is considered that calls a ferment finished too early more often than the present one
does or the maker allows. And what is claimed is measured on ferments that took no part in the choice: each
left out in turn, and halves held apart at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.tune.board import Board, Places

LEAST_RECORDS: Final = 6
"""With fewer recordings nothing is chosen."""
FEW_RECORDS: Final = 20
"""With fewer the choice is shown with a warning."""
MOST_LEFT_OUT: Final = 60
"""With more recordings, so many of them are left out in turn, evenly spread."""
WANTED_SHARE: Final = 0.8
"""Of the splits in which the held-apart half must be better off."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Taste:
    """What a maker minds: how far each setting is from the present one, and what is too early too often."""

    steps: NDArray[np.int64]
    early_share: float = 0.0
    """Of all ferments, those that may be called finished too early; the present share always may."""


def pick(board: Board, taste: Taste, among: Places) -> int:
    """The setting to take, seen from some of the recordings; 0 is the present one."""
    steps = taste.steps
    cost = board.cost_h[:, among]
    early = board.early[:, among].sum(axis=1, dtype=np.int64)
    fit = np.flatnonzero(early <= max(float(early[0]), taste.early_share * len(among)))
    mean = cost[fit].mean(axis=1)
    best = int(np.argmin(mean))
    over = cost[fit] - cost[fit[best]]
    error = over.std(axis=1, ddof=1) / np.sqrt(len(among)) if len(among) > 1 else np.zeros(len(fit))
    like = np.flatnonzero(mean - mean[best] <= error)
    order = np.lexsort((fit[like], mean[like], steps[fit[like]]))
    return int(fit[like[order[0]]])


@dataclass(frozen=True, slots=True)
class Held:
    """What a choice was worth on ferments that took no part in it; hours a ferment, above 0 is a gain."""

    gains_h: tuple[float, ...]

    @property
    def better(self) -> int:
        """How often the choice did better than the present setting."""
        return sum(gain > 0.0 for gain in self.gains_h)

    @property
    def mean_h(self) -> float:
        """The gain on average; 0 of none."""
        return float(np.mean(self.gains_h)) if self.gains_h else 0.0

    @property
    def error_h(self) -> float:
        """Standard error of the gain of ferments left out one by one; 0 of fewer than two."""
        count = len(self.gains_h)
        return float(np.std(self.gains_h, ddof=1)) / count**0.5 if count > 1 else 0.0


def leave_one_out(board: Board, taste: Taste) -> Held:
    """Each recording (or `MOST_LEFT_OUT` of them) judged by the setting chosen from all the others."""
    every = np.arange(board.recordings)
    left_out = np.unique(np.linspace(0, board.recordings - 1, min(board.recordings, MOST_LEFT_OUT)).round())
    gains = []
    for out in left_out.astype(np.int64).tolist():
        chosen = pick(board, taste, every[every != out])
        gains.append(float(board.cost_h[0, out] - board.cost_h[chosen, out]))
    return Held(tuple(gains))


def halves(recordings: int, splits: int, seed: int) -> list[tuple[Places, Places]]:
    """Random halves: (chosen on, held apart)."""
    rng = np.random.default_rng([seed, splits])
    found = []
    for _ in range(splits):
        order = rng.permutation(recordings)
        found.append((np.sort(order[: recordings // 2]), np.sort(order[recordings // 2 :])))
    return found


def gain(board: Board, chosen: int, apart: Places) -> float:
    """Hours a ferment that a setting saves over the present one, on some of the recordings."""
    return float(np.mean(board.cost_h[0, apart] - board.cost_h[chosen, apart]))


def held_apart(board: Board, taste: Taste, splits: int, seed: int) -> Held:
    """Halves held apart, each judged by the setting chosen from the other half."""
    return Held(
        tuple(
            gain(board, pick(board, taste, chosen_on), apart)
            for chosen_on, apart in halves(board.recordings, splits, seed)
        )
    )


@dataclass(frozen=True, slots=True)
class Choice:
    """What to do, and why in words."""

    best: int
    """The setting that seems best on all recordings; 0 is the present one."""
    recommended: bool
    """Whether the gain is there; otherwise: keep what you have."""
    reason: str
    left_out: Held | None
    splits: Held


def choose(board: Board, taste: Taste, left_out: Held | None, splits: Held) -> Choice:
    """The recommendation, and its reason; `left_out` is None where nothing was left out one by one."""
    count = board.recordings
    if count < LEAST_RECORDS:
        return Choice(0, False, _too_few(count), left_out, splits)
    best = pick(board, taste, np.arange(count))
    if best == 0:
        reason = (
            "Keep what you have: nothing that was tried beats it by more than chance would"
            f" on {count} recordings."
        )
        return Choice(0, False, reason, left_out, splits)
    apart = f"{splits.better} of {len(splits.gains_h)} random halves held apart"
    if splits.better < WANTED_SHARE * len(splits.gains_h) or splits.mean_h <= 0.0:
        reason = (
            f"Keep what you have: the gain is not there. A setting chosen on one half of the recordings was"
            f" better on only {apart} ({splits.mean_h:+.1f} h a ferment on average)."
        )
        return Choice(best, False, reason, left_out, splits)
    if left_out is not None and left_out.mean_h <= left_out.error_h:
        reason = (
            "Keep what you have: the gain is not there. On recordings left out one by one, what the others"
            f" chose saved {left_out.mean_h:.1f} h a ferment, give or take {left_out.error_h:.1f} h."
        )
        return Choice(best, False, reason, left_out, splits)
    return Choice(best, True, _gain(board, best, left_out, splits, apart), left_out, splits)


def _too_few(count: int) -> str:
    return (
        f"Keep what you have: {count} {'recording is' if count == 1 else 'recordings are'} too few to choose"
        f" by; at least {LEAST_RECORDS} with a truth are wanted, {FEW_RECORDS} are better."
    )


def _gain(board: Board, best: int, left_out: Held | None, splits: Held, apart: str) -> str:
    before, after = board.figures(0), board.figures(best)
    words = []
    if before.delay_median_h is not None and after.delay_median_h is not None:
        sooner = before.delay_median_h - after.delay_median_h
        if abs(sooner) >= 0.5:
            words.append(f"the end is told {abs(sooner):.0f} h {'sooner' if sooner > 0 else 'later'}")
    for name, old, new in (
        ("false alarms", before.false, after.false),
        ("missed", before.missed, after.missed),
    ):
        words.append(f"{name} {old} to {new}" if old != new else f"{name} {new} as before")
    reason = (
        f"On {board.recordings} recordings {', '.join(words)}. On recordings that took no part in the choice"
        f" it saves {splits.mean_h:.1f} h a ferment ({apart} were better off)."
    )
    if left_out is not None:
        reason += f" Left out one by one, they save {left_out.mean_h:.1f} h, give or take"
        reason += f" {left_out.error_h:.1f} h."
    if board.recordings < FEW_RECORDS:
        reason += f" {board.recordings} recordings are few: look again when there are more."
    return reason
