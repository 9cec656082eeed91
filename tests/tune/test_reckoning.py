"""Tellings are priced by the score's own definitions of right and wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.ferment.pipeline import Analysis
from monitor.ferment.score import FinishedScore, FoundScore, Told, score
from monitor.tune.fold import Asked, fold
from monitor.tune.ladders import ladders, random
from monitor.tune.reckoning import UNJUDGED, Prices, marks_of, reckon
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, seen_of

PRICES = Prices()


def test_each_set_is_marked_as_its_whole_telling_is_scored(records: list[Record], shelf: Shelf) -> None:
    """Scoring in parts, each different telling once, gives for every set the marks of its whole score."""
    design = random(Analysis(), ladders(Analysis()), 200, 1)
    for record in records:
        folded = fold(seen_of(record, shelf), Asked.of(design.sets))
        column = reckon(folded, record.truth, PRICES)
        for place in range(0, 200, 7):
            marks = marks_of(score(Told(folded.of(place)), record.truth), PRICES)
            assert column.cost_h[place] == pytest.approx(marks.cost_h, abs=1e-9)
            assert np.array_equal([column.delay_h[place]], [marks.delay_h], equal_nan=True)
            assert (column.early[place], column.missed[place], column.false[place]) == (
                marks.early, marks.missed, marks.false,
            )  # fmt: skip


@pytest.mark.parametrize(
    ("finished", "cost_h", "delay_h", "counts"),
    [
        (FinishedScore(right=True, premature=False, never=False, delay_h=10.0), 10.0, 10.0, (0, 0, 0)),
        (FinishedScore(right=True, premature=False, never=False, delay_h=-8.0), 0.0, -8.0, (0, 0, 0)),
        (FinishedScore(premature=True, never=False), 240.0, math.nan, (1, 0, 1)),
        (FinishedScore(premature=False, never=True), 144.0, math.nan, (0, 1, 0)),
        (FinishedScore(premature=False, never=True, delay_h=200.0), 144.0, math.nan, (0, 1, 0)),
        (FinishedScore(right=False, premature=False), 144.0, math.nan, (0, 1, 0)),
        (FinishedScore(premature=True, in_stall=True), 240.0, math.nan, (1, 0, 1)),
        (FinishedScore(), 0.0, math.nan, (0, 0, 0)),
    ],
    ids=[
        "in time",
        "a little early",
        "too early",
        "never",
        "too late",
        "not before it was sweetened",
        "in a stall",
        "not judged",
    ],
)
def test_a_finish_is_priced(
    finished: FinishedScore, cost_h: float, delay_h: float, counts: tuple[int, int, int]
) -> None:
    """Hours of delay, or what the fault is worth; once, though it be two faults."""
    marks = marks_of(_with(finished=finished), PRICES)
    assert marks.cost_h == cost_h
    assert repr(marks.delay_h) == repr(delay_h)
    assert (marks.early, marks.missed, marks.false) == counts


def test_other_alerts_are_priced() -> None:
    """Missed, told late, told wrongly; hours that a stall was told late cost no more than missing it."""
    assert marks_of(_with(stall=FoundScore(found=True, cost=20.0)), PRICES).cost_h == 10.0
    assert marks_of(_with(stall=FoundScore(found=True, cost=9_000.0)), PRICES).cost_h == 144.0
    assert marks_of(_with(restart=FoundScore(found=False)), PRICES).missed == 1
    wrong = marks_of(_with(temperature=FoundScore(wrong=True)), Prices(care=2.0))
    assert (wrong.cost_h, wrong.false, wrong.early) == (48.0, 1, 0)


def _with(**sections: object) -> object:
    from dataclasses import replace

    return replace(UNJUDGED, **sections)
