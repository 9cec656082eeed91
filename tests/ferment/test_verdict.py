"""Comparisons of evidence with thresholds, by single moments and by arrays of them."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.evidence import Evidence
from monitor.ferment.verdict import Signs, Thresholds, decide, stuck

from .states import RESTING


def changed(**values: float) -> Evidence:
    """The resting batch with some figures changed."""
    return dataclasses.replace(RESTING, **values)  # type: ignore[arg-type]


def test_rest_at_the_expected_end_is_done() -> None:
    """A fall that has long ended where it should is finished, and nothing else."""
    signs = decide(RESTING, Thresholds())
    assert signs.done
    assert not signs.stuck
    assert not signs.moving


@pytest.mark.parametrize(
    "values",
    [
        {"data_age_hours": 12.0},
        {"readings": 5.0},
        {"fallen_points": 1.0},
        {"epoch_hours": 10.0},
        {"slowed_hours": 2.0},
        {"unfinished": float("nan")},
        {"unfinished": 0.6},
        {"level_points": RESTING.expected_points + 5.0 + 1.3 * RESTING.expected_sd},
        {"slope_two": 0.13 + 1.5 * RESTING.slope_two_se},
        {"slope_four": 0.13 + 1.5 * RESTING.slope_four_se},
    ],
)
def test_what_forbids_a_finish(values: dict[str, float]) -> None:
    """Silence, no fall, new sugar, haste, an unknown or likely rest, a level too high, a rise: not done."""
    assert not decide(changed(**values), Thresholds()).done


def test_rest_high_up_is_a_stall_and_a_fall_there_is_not() -> None:
    """Twenty points over its end a flat line is stuck; at two points a day it ferments."""
    high = changed(level_points=20.0, fallen_points=30.0, left_p50=15.0, left_p95=25.0)
    assert decide(high, Thresholds()).stuck
    falling = dataclasses.replace(high, slope_day=-2.0, slope_two=-2.0, slope_four=-2.0)
    assert not decide(falling, Thresholds()).stuck


WEEK_OF_REST = {
    "slowed_hours": 200.0,
    "epoch_hours": 400.0,
    "slope_two": 0.0,
    "slope_four": 0.0,
    "slope_seven": -0.05,
    "slope_seven_se": 0.04,
}


def test_a_week_of_rest_is_finished_at_more_doubt() -> None:
    """What may be unfinished by two in five is not done after five days, and is after a week."""
    assert decide(changed(**WEEK_OF_REST, unfinished=0.4), Thresholds()).done
    assert not decide(changed(**{**WEEK_OF_REST, "slowed_hours": 120.0}, unfinished=0.4), Thresholds()).done
    assert not decide(changed(**WEEK_OF_REST, unfinished=0.6), Thresholds()).done
    creeping = {**WEEK_OF_REST, "slope_seven": -0.14}
    assert not decide(changed(**creeping, unfinished=0.4), Thresholds()).done


def test_a_week_of_rest_too_high_for_an_end_is_a_stall() -> None:
    """Five points and one and a half standard deviations above its end: neither done nor surely stuck, until
    it has stood for a week."""
    sd = 4.0
    level = RESTING.expected_points + 5.0 + 1.5 * sd
    high = {"level_points": level, "expected_sd": sd, "fallen_points": 90.0, "unfinished": 0.2}
    before = decide(changed(**{**WEEK_OF_REST, "slowed_hours": 160.0}, **high), Thresholds(stalled_doubt=0.0))
    assert not before.done
    assert not before.stuck
    after = decide(changed(**WEEK_OF_REST, **high), Thresholds(stalled_doubt=0.0))
    assert not after.done
    assert after.stuck


def test_what_rises_is_neither_finished_nor_stalled() -> None:
    """Sugar that nobody wrote down lifts the gravity by a point a day: the float says no more than that."""
    stands = {"level_points": 16.0, "slope_day": 0.0, "slope_two": 0.0}
    assert decide(changed(**stands, unfinished=1.0), Thresholds()).stuck
    assert not decide(changed(**{**stands, "slope_two": 1.0}, unfinished=1.0), Thresholds()).stuck
    assert decide(RESTING, Thresholds()).done
    assert not decide(changed(slope_two=1.0), Thresholds()).done


def test_nothing_known_decides_nothing() -> None:
    """Of evidence that is all nan every sign is False."""
    signs = decide(Evidence(at_ms=0), Thresholds())
    assert not any(bool(value) for value in dataclasses.astuple(signs))


moments = st.lists(
    st.tuples(
        st.floats(-5.0, 40.0),
        st.floats(-6.0, 1.0),
        st.floats(0.0, 1.0),
        st.floats(0.0, 600.0),
        st.floats(0.0, 12.0),
    ),
    min_size=1,
    max_size=20,
)


@given(moments)
def test_arrays_of_moments_are_decided_like_single_ones(
    drawn: list[tuple[float, float, float, float, float]],
) -> None:
    """A sweep over arrays of evidence says at each moment what `decide` says of that moment alone."""
    names = ("level_points", "slope_two", "unfinished", "slowed_hours", "data_age_hours")
    single = [changed(**dict(zip(names, values, strict=True))) for values in drawn]
    fields = [f.name for f in dataclasses.fields(Evidence)]
    arrays = SimpleNamespace(**{n: np.array([getattr(e, n) for e in single], dtype=float) for n in fields})
    together = decide(arrays, Thresholds())  # type: ignore[arg-type]
    for sign in dataclasses.fields(Signs):
        alone = [bool(getattr(decide(e, Thresholds()), sign.name)) for e in single]
        assert np.asarray(getattr(together, sign.name)).tolist() == alone


@given(st.floats(-20.0, 60.0), st.floats(-20.0, 5.0), st.floats(0.3, 15.0))
def test_a_probability_is_one(level: float, slope: float, spread: float) -> None:
    """It lies between nought and one for any figures."""
    e = changed(level_points=level, slope_two=slope, slope_four=slope, expected_sd=spread)
    assert 0.0 <= stuck(e) <= 1.0


def test_no_standard_errors_at_all_is_a_setting_like_any_other() -> None:
    """With `refermenting_z` at zero the fall alone decides."""
    e = changed(watch_hours=48.0, watch_fall=2.0, watch_fall_se=5.0)
    assert not decide(e, Thresholds()).going_again
    assert decide(e, Thresholds(refermenting_z=0.0)).going_again
