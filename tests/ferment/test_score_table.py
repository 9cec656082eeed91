"""Many scores become one table, against numpy where there is a formula."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.ferment.score import FinishedScore, ForecastScore, FoundScore, Score
from monitor.ferment.score_table import shown, table


def scored(
    right: bool | None = None, delay_h: float | None = None, half: ForecastScore | None = None
) -> Score:
    """A score with nothing but these."""
    nothing = FoundScore()
    return Score(
        FinishedScore(right=right, delay_h=delay_h), nothing, nothing, nothing, nothing, at_half=half
    )


def test_shares_are_of_those_that_could_be_judged() -> None:
    """Three of four right; the fifth had nothing to judge."""
    lines = {line.name: line for line in table([scored(True)] * 3 + [scored(False), scored(None)])}
    line = lines["finished: right, within 48 h"]
    assert (line.value, line.count, line.met) == (75.0, 4, True)


def test_quantiles_are_those_of_numpy() -> None:
    """Linear between the order statistics."""
    delays = [3.0, -4.0, 80.0, 31.5, 12.25, 55.0]
    lines = {line.name: line for line in table([scored(delay_h=delay) for delay in delays])}
    assert lines["finished: delay, median"].value == pytest.approx(np.median(delays))
    assert lines["finished: delay, 90th percentile"].value == pytest.approx(np.percentile(delays, 90))
    assert lines["finished: delay, 90th percentile"].met is True


def test_a_cover_may_be_too_high() -> None:
    """An interval that always covers is too wide: 100 % does not meet 85 to 95."""
    lines = {line.name: line for line in table([scored(half=ForecastScore(gravity_covers=True))] * 5)}
    line = lines["at 50 % of the drop: final gravity, 90 % interval covers"]
    assert (line.value, line.met, line.aim) == (100.0, False, "85 to 95")


def test_an_empty_table_judges_nothing() -> None:
    """No ferment: no figure, no aim met or missed."""
    for row in shown(table([])):
        assert row[1] == "not judged"
        assert row[3] == ""
