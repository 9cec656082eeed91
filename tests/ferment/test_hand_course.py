"""Hand samples over time: standing still, creeping on, lost at rest. Days and points."""

from __future__ import annotations

import math

import pytest

from monitor.ferment.doubt import Sample
from monitor.ferment.hand_course import at_rest, creep, lost
from monitor.units import MS_PER_DAY, MS_PER_HOUR

FAST = [(0, 50.0), (10, 10.0)]
"""A ferment that falls by four points a day."""


def taken(*days_and_points: tuple[float, float]) -> list[Sample]:
    """Samples from days and points."""
    return [(round(day * MS_PER_DAY), points) for day, points in days_and_points]


@pytest.mark.parametrize("days", [3.0, 6.0, 10.0])
def test_a_point_at_a_time_creeps_and_is_measured_over_a_week(days: float) -> None:
    """One point every so many days: never more than a point apart, and no end."""
    found = creep(taken(*((days * place, 20.0 - place) for place in range(10))))
    assert found.hours >= 168.0
    assert found.points == pytest.approx(found.hours / 24.0 / days)


def test_whole_points_read_every_day_creep_too() -> None:
    """A third of a point a day, rounded to whole points: the pace is not taken from two neighbours."""
    rounded = [(day, math.floor(20.0 - day / 3.0)) for day in range(30)]
    for last in range(12, 30):
        assert creep(taken(*rounded[:last])).points > 0.0


@pytest.mark.parametrize(
    "after",
    [
        [(14, 0.0), (17, 0.0)],
        [(14, 0.0), (16, 0.0)],
        [(14, 1.0), (17, 0.0)],
        [(14, 0.0), (17, 1.0), (20, 0.0), (23, 0.5)],
        [(14, 1.0), (17, 0.0), (30, 0.0)],
        [(14, 2.0), (20, 1.0), (27, 0.0), (48, 0.0)],
    ],
)
def test_what_stands_after_a_fall_does_not_creep(after: list[tuple[float, float]]) -> None:
    """Two days within a point are enough after a fast fall, three weeks after a slow one."""
    assert math.isnan(creep(taken(*FAST, *after)).points)


def test_nothing_creeps_that_no_sample_precedes() -> None:
    """One sample, none, or two that are equal."""
    for samples in ([], [(0, 5.0)], [(0, 5.0), (3, 5.0)], [(0, 5.0), (3, 4.0)]):
        assert math.isnan(creep(taken(*samples)).points)


def test_a_fall_at_rest_is_counted_from_the_highest_that_is_believed() -> None:
    """The first sample counts as it is; a later one that reads high alone is an error of reading."""
    assert lost(taken((0, 12.0), (30, 4.0), (34, 2.0))).points == 10.0
    assert lost(taken((0, 12.0), (30, 4.0), (34, 2.0))).before_points == 8.0
    assert lost(taken((0, 11.0), (5, 12.5), (9, 11.0), (14, 11.0))).points == 0.0
    assert lost(taken((0, 11.0), (5, 12.0), (9, 12.0), (14, 10.0))).points == 2.0
    assert math.isnan(lost(taken((0, 12.0))).points)


def test_a_sample_of_honey_that_is_not_stirred_in_yet_has_to_be_farther_off() -> None:
    """Three points instead of two; what was read after it is compared by itself."""
    mixed_ms = 6 * MS_PER_HOUR
    assert lost(taken((0, 12.0), (3, 9.5)), mixed_ms).error_points == 3.0
    assert lost(taken((1, 12.0), (3, 9.5)), mixed_ms).error_points == 2.0
    later = lost(taken((0, 12.0), (3, 12.0), (20, 10.0)), mixed_ms)
    assert (later.points, later.error_points) == (2.0, 2.0)


def test_what_was_read_just_before_it_was_put_to_rest_counts() -> None:
    """A day before, or a fortnight where it stood; not through sugar, and not of a ferment at work."""
    day = MS_PER_DAY
    after = taken((30, -3.0))
    assert at_rest([*taken((19.5, 0.0)), *after], 20 * day, 0)[0] == (round(19.5 * day), 0.0)
    assert list(at_rest([*taken((17, 0.0)), *after], 20 * day, 0)) == after
    stood = taken((0, 50.0), (13, 0.0), (17, 0.0))
    assert at_rest([*stood, *after], 20 * day, 0)[0] == (17 * day, 0.0)
    assert list(at_rest([*stood, *after], 20 * day, 21 * day)) == after
