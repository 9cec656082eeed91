"""The marks of a course are those of its definitions, on courses whose marks can be worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.replay.kinetics import STEP_H, Course
from monitor.replay.marks import fallen_points, lost_marks, marks_of, runs, spells_beyond
from monitor.units import MS_PER_HOUR


def course(points: np.ndarray, attainable: float = 0.0, celsius: np.ndarray | None = None) -> Course:
    """A course of gravity points above water, a value a step."""
    hours = np.arange(len(points)) * STEP_H
    warmth = np.full(len(points), 20.0) if celsius is None else celsius
    return Course(hours, 1.0 + points / 1000.0, warmth, np.full(len(points), 1.0 + attainable / 1000.0))


HOURS = np.arange(0.0, 1000.0, STEP_H)


def test_an_exponential_ends_where_its_logarithm_says() -> None:
    """40 exp(-t/48): one point is left at 48 ln 40, two at 48 ln 20, half is done at 48 ln 2."""
    marks = marks_of(course(40.0 * np.exp(-HOURS / 48.0)))
    assert marks.finished_h == pytest.approx(48.0 * math.log(40.0), abs=STEP_H)
    assert marks.near_h == pytest.approx(48.0 * math.log(20.0), abs=STEP_H)
    assert marks.half_h == pytest.approx(48.0 * math.log(2.0), abs=STEP_H)
    assert marks.three_quarters_h == pytest.approx(48.0 * math.log(4.0), abs=STEP_H)
    assert marks.final_sg == pytest.approx(1.0, abs=1e-6)
    assert marks.stalls == ()


def test_a_stall_is_where_it_stands_high() -> None:
    """Falls 10 a day for two days, stands for five at 20 points, falls again."""
    points = np.interp(HOURS, (0.0, 48.0, 168.0, 216.0), (40.0, 20.0, 20.0, 0.0))
    ((start, end),) = marks_of(course(points)).stalls
    # by the mean of a day about each moment, so half a day in from either side
    assert start == pytest.approx(60.0, abs=1.0)
    assert end == pytest.approx(156.0, abs=1.0)


def test_standing_low_or_before_the_start_is_no_stall() -> None:
    """Within five points of what the must can reach it is an end; before the first fall it is a lag."""
    lag = np.interp(HOURS, (0.0, 100.0, 200.0), (40.0, 40.0, 4.0))
    assert marks_of(course(lag)).stalls == ()
    assert marks_of(course(lag)).finished_h is not None


def test_a_ferment_stuck_for_good_never_finishes() -> None:
    """It stands more than five points above what it could reach."""
    stuck = np.interp(HOURS, (0.0, 100.0), (40.0, 20.0))
    marks = marks_of(course(stuck))
    assert marks.finished_h is None
    assert len(marks.stalls) == 1


def test_added_sugar_is_not_taken_off_what_has_fallen() -> None:
    """Down 10, up 8, down 12 is a fall of 22."""
    assert fallen_points(1.0 + np.array([0.030, 0.020, 0.028, 0.016]))[-1] == pytest.approx(22.0)


def test_runs_are_the_stretches_of_true() -> None:
    """At both ends and in the middle."""
    assert runs(np.array([True, True, False, True, False, False, True])) == [(0, 2), (3, 4), (6, 7)]
    assert runs(np.array([False])) == []


def test_spells_say_how_far_beyond_for_six_hours() -> None:
    """Four degrees for an hour and one for a day: what holds for six hours is the one."""
    celsius = np.full(len(HOURS), 20.0)
    celsius[100:150] = 13.0
    celsius[110:112] = 10.0
    (spell,) = spells_beyond(course(HOURS * 0.0, celsius=celsius), 14.0, below=True, pitched_ms=0)
    assert (spell.from_ms, spell.until_ms) == (50 * MS_PER_HOUR, round(74.5 * MS_PER_HOUR))
    assert spell.by_c == pytest.approx(1.0)
    assert spells_beyond(course(HOURS * 0.0, celsius=celsius), 25.0, below=False, pitched_ms=0) == ()


def test_near_the_limit_is_a_spell_of_less_than_nothing() -> None:
    """A quarter of a degree inside the range may be told or not."""
    celsius = np.full(len(HOURS), 20.0)
    celsius[100:150] = 14.25
    (spell,) = spells_beyond(course(HOURS * 0.0, celsius=celsius), 14.0, below=True, pitched_ms=0)
    assert spell.by_c == pytest.approx(-0.25)


def test_lost_points_are_counted_from_the_sweetening() -> None:
    """A point a day after hour 240: a point and a half is lost at hour 276."""
    points = np.interp(HOURS, (0.0, 100.0, 239.5, 240.0, 480.0), (40.0, 0.0, 0.0, 10.0, 0.0))
    marks = {lost: at for at, lost in lost_marks(course(points), 240.0, 0)}
    assert marks[1.5] / MS_PER_HOUR == pytest.approx(276.0, abs=STEP_H)
    assert max(marks) == 8.0
