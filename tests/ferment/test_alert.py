"""Dwell and hysteresis of alerts, as a table."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.alert import Rule, Standing, transition
from monitor.units import MS_PER_HOUR


def run(marks: str, dwell: float, clear: float) -> str:
    """Hourly looks: `x` holds, `.` clears, `-` neither; for each, `F` where it stands fired, else `.`."""
    standing, shown = Standing(), ""
    for hour, mark in enumerate(marks):
        standing = transition(standing, Rule(mark == "x", mark == ".", dwell, clear), hour * MS_PER_HOUR)
        shown += "." if standing.fired_ms is None else "F"
    return shown


@pytest.mark.parametrize(
    ("marks", "dwell", "clear", "shown"),
    [
        ("xxxx", 0.0, 0.0, "FFFF"),
        ("xxxxx", 3.0, 0.0, "...FF"),
        ("xx.xxxx", 3.0, 0.0, "......F"),
        ("xx-xxxx", 3.0, 0.0, "......F"),
        ("xxx---", 2.0, 1.0, "..FFFF"),
        ("xxx....", 2.0, 2.0, "..FFF.."),
        ("xxx.-.-.", 2.0, 2.0, "..FFFFFF"),
        ("xxx.x..x", 2.0, 2.0, "..FFFFFF"),
    ],
)
def test_dwell_and_hysteresis(marks: str, dwell: float, clear: float, shown: str) -> None:
    """An alert fires after holding for its dwell without a break, and ends after clearing likewise."""
    assert run(marks, dwell, clear) == shown


@given(st.text("x.-", max_size=60), st.integers(1, 6), st.integers(1, 6))
def test_nothing_flaps_faster_than_its_dwell(marks: str, dwell: int, clear: int) -> None:
    """Between the beginning of one spell and the next lie at least the dwell and the clearing time."""
    shown = "." + run(marks, float(dwell), float(clear))
    begun = [k for k in range(1, len(shown)) if shown[k] == "F" and shown[k - 1] == "."]
    assert all(later - sooner >= dwell + clear for sooner, later in pairwise(begun))
