"""Marks on a board, and the settings that no other beats."""

from __future__ import annotations

import numpy as np

from monitor.tune.board import Board, front
from monitor.tune.reckoning import Column

NAN = float("nan")


def board(delay: list[list[float]], false: list[list[int]]) -> Board:
    """A board of so many settings (rows) and recordings."""
    at = np.array(delay)
    wrong = np.array(false, dtype=np.int8)
    none = np.zeros_like(wrong)
    return Board(tuple(f"r{place}" for place in range(at.shape[1])), np.nan_to_num(at), at, none, none, wrong)


def test_columns_stand_beside_each_other() -> None:
    """In the order of the recordings; further settings come below."""
    columns = [
        Column(np.full(2, cost), np.array([NAN, cost]), *(np.ones(2, dtype=np.int8) * k for k in (0, 1, 2)))
        for cost in (3.0, 5.0)
    ]
    found = Board.of(["a", "b"], columns)
    assert found.cost_h.tolist() == [[3.0, 5.0], [3.0, 5.0]]
    twice = Board.joined([found, found])
    assert (twice.settings, twice.recordings, twice.names) == (4, 2, ("a", "b"))
    figures = twice.figures(3)
    assert (figures.cost_h, figures.delay_median_h, figures.timely) == (4.0, 4.0, 2)
    assert (figures.early, figures.missed, figures.false) == (0, 2, 4)
    assert twice.figures(0).delay_median_h is None


def test_medians_are_those_of_numpy() -> None:
    """Of the finishes that were told, odd and even in number; none of none."""
    delays = [[1.0, 5.0, NAN, 9.0], [2.0, NAN, NAN, 4.0], [NAN] * 4, [1.0, 2.0, 3.0, 10.0]]
    found = board(delays, [[0] * 4] * 4).median_delay_h()
    assert np.array_equal(found, [5.0, 3.0, NAN, 2.5], equal_nan=True)


def test_the_front_holds_what_no_other_beats() -> None:
    """Rising false alarms buy falling delay; a setting that hardly ever tells is not on it."""
    delays = [[30.0, 30.0], [20.0, 20.0], [25.0, 25.0], [10.0, 10.0], [NAN, NAN], [12.0, 12.0]]
    false = [[0, 0], [1, 0], [1, 1], [2, 1], [0, 0], [2, 2]]
    assert front(board(delays, false)).tolist() == [0, 1, 3]
    assert board(delays, false).false_per_hundred().tolist() == [0.0, 50.0, 100.0, 150.0, 0.0, 200.0]
