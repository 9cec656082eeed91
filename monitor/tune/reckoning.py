"""What a telling costs: `monitor.ferment.score` says what was right and wrong, and a price list adds it up.

Every fault is priced in hours of waiting, so that one number says which of two settings serves better. A
ferment called finished too early can end in burst bottles; a ferment told late costs patience. Prices are
a choice, not a measurement; `care` multiplies those of false alarms.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.score import FinishedScore, FoundScore, Score, Told, Truth, score
from monitor.tune.fold import Folded, Part

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Prices:
    """Hours of waiting that a fault is worth."""

    premature: float = 240.0
    in_stall: float = 240.0
    never_finished: float = 144.0
    """As much as being told six days late, which is what never means."""
    stall_missed: float = 144.0
    stall_hour: float = 0.5
    """Of each hour that a stall was told late; a stalled must spoils slowly."""
    stall_wrong: float = 120.0
    restart_missed: float = 240.0
    restart_point: float = 24.0
    """Of each point lost before a batch was said to go again: it may be in bottles."""
    restart_wrong: float = 120.0
    silent_missed: float = 72.0
    silent_wrong: float = 24.0
    temperature_missed: float = 48.0
    temperature_wrong: float = 24.0
    care: float = 1.0
    """How much more false alarms count than is set above."""


@dataclass(frozen=True, slots=True)
class Marks:
    """One telling of one ferment, marked."""

    cost_h: float
    delay_h: float
    """Of the finish; nan where it was not told, told too early or cannot be judged."""
    early: int
    """Told finished while two points or more were still to fall, or in a stall."""
    missed: int
    false: int
    """Told wrongly, too early included."""


SECTIONS: Final[dict[str, tuple[str, ...]]] = {
    "verdicts": ("finished", "stall", "restart"),
    "silences": ("silent",),
    "temperatures": ("temperature",),
}
"""The parts of what is told, and the sections of the score that follow from each."""
UNJUDGED: Final = Score(FinishedScore(), FoundScore(), FoundScore(), FoundScore(), FoundScore())


def marks_of(judged: Score, prices: Prices) -> Marks:
    """Marks of a whole score."""
    parts = (
        _finished(judged.finished, prices),
        _found(judged.stall, prices.stall_missed, prices.stall_hour, prices.stall_wrong * prices.care),
        _found(
            judged.restart, prices.restart_missed, prices.restart_point, prices.restart_wrong * prices.care
        ),
        _found(judged.silent, prices.silent_missed, 0.0, prices.silent_wrong * prices.care),
        _found(judged.temperature, prices.temperature_missed, 0.0, prices.temperature_wrong * prices.care),
    )
    return Marks(
        sum(part.cost_h for part in parts), parts[0].delay_h, parts[0].early,
        sum(part.missed for part in parts), sum(part.false for part in parts),
    )  # fmt: skip


def _finished(told: FinishedScore, prices: Prices) -> Marks:
    early = int(bool(told.premature) or bool(told.in_stall))
    cost = max(prices.premature * bool(told.premature), prices.in_stall * bool(told.in_stall)) * prices.care
    untold = told.right is False and told.delay_h is None
    missed = (bool(told.never) or untold) and not early
    if missed:
        cost += prices.never_finished
    elif told.delay_h is not None and not early:
        cost += min(max(told.delay_h, 0.0), prices.never_finished)
    delay = np.nan if told.delay_h is None or early or missed else told.delay_h
    return Marks(cost, delay, early, int(missed), early)


def _found(told: FoundScore, missed: float, each: float, wrong: float) -> Marks:
    cost = 0.0
    if told.found is False:
        cost += missed
    elif told.cost is not None:
        cost += min(each * max(told.cost, 0.0), missed)
    cost += wrong * bool(told.wrong)
    return Marks(cost, np.nan, 0, int(told.found is False), int(bool(told.wrong)))


@dataclass(frozen=True, slots=True)
class Column:
    """One ferment's marks for every setting."""

    cost_h: Floats
    delay_h: Floats
    early: NDArray[np.int8]
    missed: NDArray[np.int8]
    false: NDArray[np.int8]


def reckon(folded: Folded, truth: Truth, prices: Prices) -> Column:
    """Marks of every setting on one ferment; each different telling is scored once."""
    parts = [_reckoned(getattr(folded, part), sections, truth, prices) for part, sections in SECTIONS.items()]
    return Column(
        cost_h=sum((part.cost_h for part in parts[1:]), parts[0].cost_h),
        delay_h=parts[0].delay_h,
        early=parts[0].early,
        missed=sum((part.missed for part in parts[1:]), parts[0].missed),
        false=sum((part.false for part in parts[1:]), parts[0].false),
    )


def _reckoned(part: Part, sections: tuple[str, ...], truth: Truth, prices: Prices) -> Column:
    """Marks of those sections of the score that follow from a part of what was told."""
    marks = []
    for firing in part.firings:
        whole = score(Told(firing), truth)
        marks.append(marks_of(replace(UNJUDGED, **{name: getattr(whole, name) for name in sections}), prices))
    return Column(
        np.array([one.cost_h for one in marks])[part.which],
        np.array([one.delay_h for one in marks])[part.which],
        np.array([one.early for one in marks], dtype=np.int8)[part.which],
        np.array([one.missed for one in marks], dtype=np.int8)[part.which],
        np.array([one.false for one in marks], dtype=np.int8)[part.which],
    )
