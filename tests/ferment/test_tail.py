"""What is left to fall, on ends whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.ferment import tail
from monitor.ferment.noise import Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import Window, build

NOISE = Noise(0.5, 0.15, 0.1)


def first_order(left: float, constant: float, hours: int = 120, seed: int = 0) -> Floats:
    """Hourly points of dR/dt = -R/c that end at zero with `left` still to fall now, and the float's noise."""
    age = np.arange(-hours + 0.5, 0.0)
    fall = left * np.exp(-age / constant)
    return np.asarray(fall + np.random.default_rng(seed).normal(0.0, 0.25, hours))


def made(points: Floats) -> Window:
    """A window of hourly points at 20 degC."""
    n = points.size
    return build(points, np.full(n, 4.0), np.full(n, 20.0), np.ones(n), NOISE)


@pytest.mark.parametrize(("left", "constant"), [(6.0, 80.0), (3.0, 60.0), (1.5, 45.0)])
def test_first_order_kinetics_are_foretold_on_the_wary_side(left: float, constant: float) -> None:
    """Of R = R0 exp(-t/c) no more is left than the 95th percentile; the middle is at most 1.5 over."""
    last_days, _ = tail.measure(made(first_order(left, constant)), NOISE, (0.0, 4.0), 40.0)
    found = tail.remaining(last_days)
    assert left <= found.p95
    assert -0.5 <= found.p50 - left <= 1.5
    assert last_days.level_points == pytest.approx(left, abs=0.7)


def test_a_line_that_stands_has_little_left() -> None:
    """Five days at standstill where the must should end: it is hardly unfinished."""
    found = tail.remaining(tail.measure(made(first_order(0.05, 30.0)), NOISE, (0.0, 3.0), 40.0)[0])
    assert found.unfinished < 0.15


@settings(max_examples=25)
@given(st.floats(0.0, 20.0), st.floats(10.0, 120.0), st.floats(-5.0, 15.0), st.integers(0, 50))
def test_percentiles_and_probabilities_are_in_order(
    left: float, constant: float, expected: float, seed: int
) -> None:
    """Quantiles rise from zero on; probabilities lie in [0, 1] and fall with what they ask for."""
    window = made(first_order(min(left, 20.0), constant, seed=seed))
    found = tail.remaining(tail.measure(window, NOISE, (expected, 3.0), 40.0)[0])
    assert 0.0 <= found.p05 <= found.p50 <= found.p95
    assert -1e-9 <= found.unfinished <= 1.0 + 1e-9


def test_foam_in_the_window_hardly_counts() -> None:
    """Nine hours of foam, 8 points high, move the level by less than half a point."""
    clean = first_order(3.0, 60.0)
    foamy = clean.copy()
    foamy[84:93] += 8.0
    levels = [tail.measure(made(p), NOISE, (0.0, 4.0), 40.0)[0].level_points for p in (clean, foamy)]
    assert levels[1] == pytest.approx(levels[0], abs=0.5)


def test_too_short_a_window_says_nothing() -> None:
    """Twelve hours are four bins, and that is no tail."""
    found, extra = tail.measure(made(first_order(3.0, 60.0, hours=12)), NOISE, (0.0, 4.0), 40.0)
    assert math.isnan(found.level_points)
    assert math.isnan(tail.remaining(found).p50)
    assert extra.tolist() == [0.0] * 4


def test_the_wander_put_in_is_told_from_none() -> None:
    """An autoregressive wander of 0.8 points is found larger than that of a float with white noise alone."""
    rng = np.random.default_rng(9)
    shocks = rng.normal(0.0, 0.8 * math.sqrt(1.0 - math.exp(-2.0 / 7.0)), 192)
    wander = np.zeros(192)
    for k in range(1, 192):
        wander[k] = wander[k - 1] * math.exp(-1.0 / 7.0) + shocks[k]
    calm = first_order(0.5, 60.0, hours=192)
    sizes = [tail.wander_size(made(p), NOISE, (0.0, 3.0), 40.0) for p in (calm, calm + wander)]
    assert sizes[0] < 0.3 < sizes[1]
