"""The picture of a chart: labels of what was done do not cover each other."""

from __future__ import annotations

from datetime import UTC
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar.shown import UnitSystem
from monitor.units import MS_PER_DAY
from monitor.web.course import (
    ChartView,
    CurveTrace,
    LevelTrace,
    Mark,
    RawTrace,
    SampleTrace,
    TemperatureTrace,
)
from monitor.web.picture import drawn, picture_png, spread_marks
from monitor.web.show import Show


def test_what_is_close_shares_a_label() -> None:
    """Two feeds and a racking within the width of a label are told in one, at the last of them."""
    marks = [Mark(100, "Fed"), Mark(104, "Racked"), Mark(102, "Fed"), Mark(120, "Fed")]
    assert spread_marks(marks, 10) == [(104, "Fed 2×, Racked"), (120, "Fed")]
    assert spread_marks(marks, 1) == [(100, "Fed"), (102, "Fed"), (104, "Racked"), (120, "Fed")]
    assert spread_marks([], 10) == []


def test_a_crowd_is_counted() -> None:
    """More than three kinds at once would not fit: two are named and the others counted."""
    marks = [Mark(n, word) for n, word in enumerate(("Fed", "Racked", "Stabilised", "Sweetened"))]
    assert spread_marks(marks, 10) == [(3, "Fed, Racked and 2 more")]


@given(st.lists(st.integers(0, 1_000)), st.integers(1, 50))
def test_labels_stand_apart(times: list[int], apart: int) -> None:
    """However many marks, no two labels are closer than the width of one."""
    places = [at for at, _ in spread_marks([Mark(at, "Fed") for at in times], apart)]
    assert all(after - at >= apart for at, after in pairwise(places))
    assert bool(places) == bool(times)


def test_without_a_float_the_picture_has_samples_alone() -> None:
    """One panel, and a key with nothing in it that has no data."""
    view = ChartView(
        0, MS_PER_DAY, MS_PER_DAY, RawTrace(), LevelTrace(), CurveTrace(), SampleTrace((0,), (1.05,)),
        TemperatureTrace(), (), (), (15.0, 24.0),
    )  # fmt: skip
    show = Show(UnitSystem.METRIC, UTC, MS_PER_DAY)
    (axes,) = drawn(view, show, 800, 400).axes
    assert axes.get_legend_handles_labels()[1] == ["hand sample"]
    assert picture_png(view, show, 800, 400).startswith(b"\x89PNG")
