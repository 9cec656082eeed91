"""A whole tune over a few recordings, however settings are looked for."""

from __future__ import annotations

import pytest

from monitor.ferment.pipeline import Analysis
from monitor.tune.cores import OneCore
from monitor.tune.ladders import ladders
from monitor.tune.picture import trade_off
from monitor.tune.running import Wish, tune
from monitor.tune.sets import changed, value_of
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record

SLOW = changed(Analysis(), {"finished_dwell": 72.0, "stalled_dwell": 72.0})
"""A maker who is told three days late for no reason."""


@pytest.mark.parametrize("how", ["random", "grid", "optimise"])
def test_a_setting_that_is_too_slow_is_mended(records: list[Record], shelf: Shelf, how: str) -> None:
    """A needless wait of three days is shortened, never at the price of a finish told too early."""
    swept = ladders(SLOW, ["finished_dwell", "stalled_dwell"])
    tuned = tune(records, Wish(SLOW, swept, how, sets=250), shelf, OneCore())
    assert tuned.choice.recommended, tuned.choice.reason
    before, after = tuned.changes["finished_dwell"]
    assert (before, after < 48.0) == (72.0, True)
    assert tuned.board.figures(tuned.choice.best).early <= tuned.board.figures(0).early
    assert value_of(tuned.design.sets[tuned.choice.best], "finished_dwell") == after
    assert len(tuned.choice.splits.gains_h) == 10
    assert "false alarms 0 as before, missed 5 to 0" in tuned.choice.reason


def test_too_few_recordings_keep_what_there_is(records: list[Record], shelf: Shelf) -> None:
    """However much better something seems."""
    tuned = tune(records[:4], Wish(SLOW, ladders(SLOW), sets=100), shelf, OneCore())
    assert (tuned.choice.best, tuned.choice.recommended, tuned.changes) == (0, False, {})
    assert "4 recordings are too few" in tuned.choice.reason


def test_the_same_tune_gives_the_same_picture(records: list[Record], shelf: Shelf) -> None:
    """Byte for byte, as PNG and SVG, with what it is about in words."""
    wish = Wish(SLOW, ladders(SLOW, ["finished_dwell"]), "grid")
    tuned = tune(records, wish, shelf, OneCore())
    drawn = trade_off(tuned.board, tuned.choice, "svg")
    assert drawn == trade_off(tuned.board, tuned.choice, "svg")
    assert b"<svg" in drawn
    assert trade_off(tuned.board, tuned.choice, "png").startswith(b"\x89PNG")
