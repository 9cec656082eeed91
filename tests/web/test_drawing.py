"""Geometry of the ruler and the small curve."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.emission import Interval, Phase
from monitor.web.drawing import CURVE_HEIGHT, CURVE_WIDTH, Ruler, Scale, common_scale, curve_points
from monitor.web.view import BatchView

gravities = st.floats(0.98, 1.15)


def a_batch(**values: object) -> BatchView:
    return replace(BatchView("a", "A", "", 0, None, Phase.ACTIVE, ""), **values)  # type: ignore[arg-type]


@given(st.lists(st.tuples(gravities, gravities, gravities), min_size=1, max_size=5))
def test_everything_lies_on_the_common_scale(numbers: list[tuple[float, float, float]]) -> None:
    """Whatever the batches, begin, now and end lie on the ruler in the order of their gravities."""
    batches = [
        a_batch(
            original_gravity_sg=max(three),
            gravity_sg=sorted(three)[1],
            final_gravity_sg=Interval(min(three), None, min(three)),
        )
        for three in numbers
    ]
    scale = common_scale(batches)
    for batch in batches:
        ruler = Ruler.of(batch, scale)
        assert ruler.begun is not None
        assert ruler.now is not None
        assert ruler.end is not None
        assert 0.0 <= ruler.begun <= ruler.now <= ruler.end[1] <= 100.0
        assert scale.dry_sg <= min(batch.gravity_sg or 0, 0.99)


def test_ticks_stand_at_round_gravities() -> None:
    """From 1.050 to 0.990 there is a tick every 10 points, at its own place."""
    ticks = Scale(1.050, 0.990).ticks
    assert [label for _, label in ticks] == ["1.050", "1.040", "1.030", "1.020", "1.010", "1.000", "0.990"]
    assert [place for place, _ in ticks] == [0.0, 16.67, 33.33, 50.0, 66.67, 83.33, 100.0]


def test_a_long_ruler_has_few_ticks() -> None:
    """From a strong must at 1.170 they stand every 50 points; no ruler has more than eight."""
    assert [label for _, label in Scale(1.170, 0.980).ticks] == ["1.150", "1.100", "1.050", "1.000"]
    for sweet in range(1050, 1260, 10):
        for dry in range(960, 1000, 10):
            assert 3 <= len(Scale(sweet / 1000.0, dry / 1000.0).ticks) <= 8


def test_unknown_numbers_leave_their_mark_out() -> None:
    """A batch that has told nothing yet has an empty ruler."""
    assert Ruler.of(a_batch(), Scale(1.05, 0.99)) == Ruler(None, None, None)


@given(
    st.lists(st.tuples(st.integers(0, 10**10), gravities), min_size=2, max_size=90, unique_by=lambda p: p[0])
)
def test_the_small_curve_stays_in_its_box(curve: list[tuple[int, float]]) -> None:
    """Every point lies within the box, and time runs from left to right."""
    pairs = [tuple(map(float, pair.split(","))) for pair in curve_points(tuple(sorted(curve))).split()]
    assert len(pairs) == len(curve)
    assert all(0.0 <= x <= CURVE_WIDTH and 0.0 <= y <= CURVE_HEIGHT for x, y in pairs)
    assert pairs == sorted(pairs, key=lambda pair: pair[0])


def test_noise_of_a_still_mead_looks_still() -> None:
    """Half a point of noise takes less than a fifth of the height."""
    points = curve_points(((0, 1.0), (1, 1.0005), (2, 1.0)))
    heights = [float(pair.split(",")[1]) for pair in points.split()]
    assert max(heights) - min(heights) < CURVE_HEIGHT / 5
    assert curve_points(((0, 1.0),)) == ""
