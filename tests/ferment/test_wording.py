"""Reasons say what the numbers say, and no more."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment import wording
from monitor.ferment.emission import AlertKind, Phase

from . import states

FALLING = dataclasses.replace(states.RESTING, slope_two=-6.0, level_points=20.0, fallen_points=30.0)


def test_a_fall_of_two_days_is_told_as_such() -> None:
    """Six points a day are twelve in 48 h, to the level now."""
    assert wording.reason(Phase.ACTIVE, FALLING).startswith("has fallen 12.0 points in 48 h to 1.0200, ")


def test_a_week_of_rest_is_told_as_a_week() -> None:
    """A twentieth of a point a day is 0.4 in 7 days; what fell in that week is told by its last two days."""
    rests = dataclasses.replace(
        states.RESTING, slope_two=-0.3, slope_seven=-0.05, slowed_hours=170.0, epoch_hours=400.0
    )
    for phase in (Phase.FINISHED, Phase.STALLED):
        assert wording.reason(phase, rests).startswith("has fallen 0.4 points in 7 days")
        for change in ({"slope_seven": -0.5}, {"slowed_hours": 160.0}):
            told = wording.reason(phase, dataclasses.replace(rests, **change))  # type: ignore[arg-type]
            assert told.startswith("has fallen 0.6 points in 48 h")
    assert wording.reason(Phase.REFERMENTING, rests).startswith("has fallen 0.6 points in 48 h")


def test_no_more_hours_are_told_than_there_were() -> None:
    """A day after pitching nobody knows how much fell in two days."""
    young = dataclasses.replace(FALLING, epoch_hours=24.0)
    assert "has fallen 6.0 points in 24 h" in wording.reason(Phase.ACTIVE, young)


def test_no_more_fall_is_told_than_there_was() -> None:
    """A line through lag and fall is steeper than the fall itself: the whole fall is the most told."""
    young = dataclasses.replace(FALLING, epoch_hours=40.0, slope_two=-18.0, fallen_points=12.0)
    assert "has fallen 12.0 points in 40 h" in wording.reason(Phase.ACTIVE, young)


def test_the_level_is_told_once() -> None:
    """With too few readings for a slope only the level is known."""
    gap = dataclasses.replace(states.RESTING, slope_two=math.nan)
    for phase in (Phase.ACTIVE, Phase.FINISHED, Phase.REFERMENTING):
        assert wording.reason(phase, gap).count("1.0000") == 1
    assert wording.reason(Phase.FINISHED, states.RESTING).count("1.0000") == 1


@pytest.mark.parametrize("phase", [Phase.LAG, Phase.ACTIVE, Phase.SLOWING, Phase.FINISHED, Phase.STALLED])
@given(
    unknown=st.sets(
        st.sampled_from(
            ("slope_two", "peak_per_day", "expected_points", "left_p50", "left_p95", "cold_hours",
             "temperature_drop_c", "alcohol_room_abv", "fallen_points")
        )
    )
)  # fmt: skip
def test_what_is_not_known_is_not_said(phase: Phase, unknown: set[str]) -> None:
    """Whichever figures are missing, no reason holds a number that is none."""
    e = dataclasses.replace(states.RESTING, **dict.fromkeys(unknown, math.nan))
    assert "nan" not in wording.reason(phase, e)


def test_what_no_float_could_show_is_hardly_anything() -> None:
    """Nothing at most is more than anybody can know."""
    e = dataclasses.replace(states.RESTING, left_p50=0.0, left_p95=0.04)
    assert "; hardly anything still to fall." in wording.reason(Phase.FINISHED, e)


def test_a_float_first_heard_at_the_end_is_not_called_unmoved() -> None:
    """Where it stands near its end the fall is evident: it was not seen, and that is what is said."""
    late = dataclasses.replace(states.RESTING, fallen_points=0.2, level_points=-2.3, expected_points=-2.0)
    assert "not fallen" not in wording.reason(Phase.LAG, late)
    assert "0.9977, 0.3 points below where such a must usually ends" in wording.reason(Phase.LAG, late)
    assert "has not fallen 3 points yet" in wording.reason(
        Phase.LAG, dataclasses.replace(late, level_points=52.0)
    )


def test_a_limit_is_told_without_the_digits_of_its_conversion() -> None:
    """65 degF are 18.3333 degC."""
    said = wording.temperature(AlertKind.TEMPERATURE_LOW, states.RESTING, 65.0 / 1.8 - 32.0 / 1.8)
    assert "limit is 18.33 degC." in said
    assert "limit is 18 degC." in wording.temperature(AlertKind.TEMPERATURE_LOW, states.RESTING, 18.0)


STUCK = dataclasses.replace(
    states.RESTING, level_points=15.0, fallen_points=35.0, cold_hours=0.0, below_c=-4.0, above_c=-8.0
)


@pytest.mark.parametrize(
    ("changes", "cause", "advice"),
    [
        ({"cold_hours": 30.0, "below_c": 2.0}, "stalled by cold", "warm it slowly into the yeast's range"),
        ({"cold_hours": 30.0}, "stalled by cold", "keep it as warm as it is now and rouse it gently"),
        ({"temperature_drop_c": 5.0}, "stalled by cold", "warm it slowly to what it was"),
        ({"above_c": 2.0}, "stopped by heat", "cool it into the yeast's range"),
        ({"alcohol_room_abv": 0.3}, "likely stopped by it", "pitch a yeast that bears more"),
        ({}, "the temperature was not the cause", "pitch fresh yeast"),
    ],
)
def test_the_advice_for_a_stall_is_for_its_cause(changes: dict[str, float], cause: str, advice: str) -> None:
    """Each cause has its own; what is within the yeast's range is not to be brought into it."""
    said = wording.stalled(dataclasses.replace(STUCK, **changes))
    assert cause in said
    assert advice in said
    assert ("the yeast's range" in said.partition("hand sample")[2]) == ("range" in advice)
    assert "do not bottle" in said


def test_where_such_musts_end_is_not_called_this_ones_end() -> None:
    """Beside the forecast of this ferment there is what is usual for its must, under its own name."""
    assert "15.0 points above where such a must usually ends" in wording.stalled(STUCK)


def test_what_was_put_to_rest_has_nothing_left_to_fall() -> None:
    """A batch that was stabilised and sweetened neither falls on nor ends above its must's end, and nothing
    more is asked of its maker."""
    sweet = dataclasses.replace(
        states.RESTING, level_points=10.0, left_p50=9.7, left_p95=14.0, watch_hours=80.0
    )
    said = wording.finished(sweet, rests=True)
    for words in ("to fall", "usually ends", "hand sample", "sweeten"):
        assert words not in said
    assert "hand sample" in wording.finished(states.RESTING, rests=False)
