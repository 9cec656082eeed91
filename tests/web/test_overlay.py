"""Batches laid over each other, on a wide drawing and on a phone's."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.emission import Phase
from monitor.units import MS_PER_HOUR
from monitor.web.overlay import MOST, NARROW, WIDE, Box, overlay
from monitor.web.view import BatchView

curves = st.lists(st.floats(0.985, 1.15), min_size=2, max_size=12)


def a_batch(number: int, values: list[float]) -> BatchView:
    """A batch with a value every eight hours."""
    curve = tuple((step * 8 * MS_PER_HOUR, value) for step, value in enumerate(values))
    bare = BatchView(f"b{number}", f"B{number}", "", 0, None, Phase.ACTIVE, "")
    return replace(bare, curve=curve)


@pytest.mark.parametrize("box", [WIDE, NARROW], ids=lambda box: box.name)
@given(drawn=st.lists(curves, min_size=1, max_size=MOST))
def test_all_of_it_lies_inside_and_numbers_stand_apart(box: Box, drawn: list[list[float]]) -> None:
    """Lines and ticks stay within the margins; the numbers at the lines' ends never cover each other."""
    made = overlay([a_batch(number, values) for number, values in enumerate(drawn)], box)
    for line in made.lines:
        for x, y in (point.split(",") for point in line.points.split()):
            assert box.left <= float(x) <= box.inner_right
            assert box.top <= float(y) <= box.inner_bottom
        assert line.end[0] <= box.inner_right
    ends = [line.end for line in made.lines]
    for place, (x, y) in enumerate(ends):
        assert not any(abs(x - other) < 30 and abs(y - at) < 16.9 for other, at in ends[place + 1 :])
    assert all(box.left <= at <= box.inner_right for at, _ in made.day_ticks)
    assert 1 <= len(made.day_ticks) <= box.most_days + 2


def test_a_batch_without_a_curve_keeps_its_number() -> None:
    """The table numbers all of them, so the drawing must number them alike."""
    made = overlay([a_batch(1, [1.05]), a_batch(2, [1.05, 1.04])])
    assert [line.number for line in made.lines] == [2]
    assert overlay([a_batch(1, [1.05])]).lines == ()


def test_hand_samples_are_points_where_there_is_no_curve() -> None:
    """One is enough; beside a curve they are left out."""
    samples = {"b1": ((0, 1.05),), "b2": ((0, 1.06), (MS_PER_HOUR, 1.05))}
    made = overlay([a_batch(1, []), a_batch(2, [1.05, 1.04])], WIDE, samples)
    assert [(line.number, len(line.dots)) for line in made.lines] == [(1, 1), (2, 0)]
