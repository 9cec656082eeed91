"""What is swept, and the designs of a sweep."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.ferment.pipeline import Analysis
from monitor.tune.ladders import LADDERS, MOST_CHANGED, grid, home, ladders, random
from monitor.tune.sets import PART_OF, changed, value_of

PRESENT = Analysis()


def test_ladders_are_about_the_thresholds_that_there_are() -> None:
    """Each is a threshold's, rises, and has the default between its ends."""
    for ladder in LADDERS:
        assert ladder.name in PART_OF
        assert list(ladder.rungs) == sorted(set(ladder.rungs))
        assert ladder.rungs[0] <= value_of(PRESENT, ladder.name) <= ladder.rungs[-1]
        assert ladder.rungs[0] >= 0.0


def test_the_present_value_is_a_rung() -> None:
    """However odd it is; a threshold without a ladder gets one about its value."""
    odd = changed(PRESENT, {"finished_doubt": 0.1234})
    (one, other) = ladders(odd, ["finished_doubt", "moving_z"])
    assert 0.1234 in one.rungs
    assert other.rungs[0] < value_of(odd, "moving_z") < other.rungs[-1]
    assert [one.name for one in ladders(odd)] == [one.name for one in LADDERS]
    with pytest.raises(InputError, match="patience"):
        ladders(PRESENT, ["patience"])


def test_a_grid_has_every_combination_once() -> None:
    """The present setting first; too many are refused."""
    swept = ladders(PRESENT, ["stuck_gap_points", "stalled_surely_sd", "clear_dwell"])
    design = grid(PRESENT, swept)
    assert len(design.rungs) == np.prod([len(one.rungs) for one in swept])
    assert len(np.unique(design.rungs, axis=0)) == len(design.rungs)
    assert design.sets[0] == PRESENT
    assert design.steps[0] == 0
    assert design.steps.min() == 0
    assert np.count_nonzero(design.steps == 0) == 1
    with pytest.raises(InputError, match="at most"):
        grid(PRESENT, ladders(PRESENT))


def test_random_settings_are_the_same_from_the_same_seed() -> None:
    """So many different ones, the present one first, none with more changes than are meant."""
    design = random(PRESENT, ladders(PRESENT), 500, 3)
    assert design.rungs.shape == (500, len(LADDERS))
    assert np.array_equal(design.rungs, random(PRESENT, ladders(PRESENT), 500, 3).rungs)
    assert not np.array_equal(design.rungs, random(PRESENT, ladders(PRESENT), 500, 4).rungs)
    assert len(np.unique(design.rungs, axis=0)) == 500
    assert design.sets[0] == PRESENT
    moved = np.count_nonzero(design.rungs != home(PRESENT, design.ladders), axis=1)
    assert moved.min() == 0
    assert moved.max() == MOST_CHANGED
    assert np.array_equal(design.steps // 100, moved)


def test_no_more_settings_than_there_are() -> None:
    """A single ladder has as many as rungs."""
    (one,) = ladders(PRESENT, ["clear_dwell"])
    assert len(random(PRESENT, (one,), 100, 0).rungs) == len(one.rungs)
