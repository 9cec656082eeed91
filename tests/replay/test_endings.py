"""Examples that the network is taught with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.ferment import lookback
from monitor.replay import endings
from monitor.replay.floated import ferment_of
from monitor.replay.precedents import stretches

FIRST = endings.FAMILIES[0].first_seed


@pytest.fixture(scope="module")
def seen() -> endings.Reading:
    """One float beside one ferment."""
    past = endings.FAMILIES[0].past(FIRST)
    assert past is not None
    found = endings.reading(past, ferment_of(past), default_rng(1))
    assert found is not None
    return found


def test_a_float_reads_what_was_true(seen: endings.Reading) -> None:
    """Hourly medians lie about the course, and begin and end with its last stretch."""
    past = endings.FAMILIES[0].past(FIRST)
    assert past is not None
    begin, end = max(stretches(past))
    assert seen.hours_before == begin
    assert seen.points.size == seen.celsius.size == seen.white_points.size == end - begin
    # offset, drift and foam stay within the ranges that floats are drawn from
    assert float(np.nanmedian(np.abs(seen.points - seen.true_points))) < 6.0


def test_what_was_left_is_by_the_course_without_noise(seen: endings.Reading) -> None:
    """Every example of a ferment that was read without noise can be found on its course."""
    bare = replace(seen, points=seen.true_points)
    course = seen.true_points - seen.final_points
    found = list(endings.looks(bare, default_rng(2)))
    assert found
    for look in found:
        hour = int(np.argmin(np.abs(course - look.left_points)))
        assert course[hour] == look.left_points
        # a point is left after so many hours, and more than one in the hour before
        if not np.isnan(look.hours):
            assert course[hour + 1 + round(look.hours)] <= 1.0 < course[hour + round(look.hours)]


def test_what_stops_short_of_its_end_comes_to_none(seen: endings.Reading) -> None:
    """Of a ferment that gets stuck nothing is learnt about when it ends."""
    assert all(np.isnan(look.hours) for look in endings.looks(replace(seen, ends=False), default_rng(2)))


def test_a_varied_course_ends_where_the_other_did(seen: endings.Reading) -> None:
    """Stretched, smoothed and with a tail it still falls, towards the same end."""
    for seed in range(20):
        other = endings.varied(seen, default_rng(seed))
        above = other.true_points - other.final_points
        assert above.min() > -0.5
        assert np.all(np.diff(above) < 0.5)
        assert other.points.size == other.celsius.size == other.white_points.size == above.size


def test_the_same_examples_come_again() -> None:
    """A family's ferment gives the same examples for the same seed, all finite."""
    first, again = (endings.of_ferment(endings.FAMILIES[1], FIRST) for _ in range(2))
    assert len(first) > endings.LOOKS
    for one, other in zip(first, again, strict=True):
        assert one.figures.shape == (lookback.COUNT,)
        assert np.isfinite(one.figures).all()
        assert np.array_equal(one.figures, other.figures)
        assert one.left_points == other.left_points


def test_families_weigh_as_their_share() -> None:
    """Half of the weight is the simulator's own, however many looks a family gives."""
    few = [replace(family, ferments=3) for family in endings.FAMILIES]
    found = endings.collect(few)
    assert found.figures.shape == (found.weight.size, lookback.COUNT)
    assert found.weight.mean() == pytest.approx(1.0)
    of_first = found.weight[found.ferment < 3]
    of_second = found.weight[(found.ferment >= 3) & (found.ferment < 6)]
    assert of_first[0] / of_second[0] == pytest.approx(few[0].share / few[1].share)


def test_no_measurement_is_made_on_these_seeds() -> None:
    """They begin beyond those of the tests, the bench, the precedents and the foretellings."""
    assert all(family.first_seed >= 400_000 for family in endings.FAMILIES)
