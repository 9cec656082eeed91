"""The fall of a batch at rest, beside numpy's least squares and courses with known knocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.noise import WANDER_HOURS, Noise
from monitor.ferment.series import Floats
from monitor.ferment.watch import DRIFT_PER_DAY, Fall, fall
from monitor.ferment.window import LEAST_VAR, TEMPERATURE_SD, build

QUIET = Noise(0.5, 0.1, 0.0)
UNKNOWN = (0.0, TEMPERATURE_SD)


def fallen(points: Floats, noise: Noise = QUIET) -> Fall:
    """The fall over hourly points, four readings an hour, at a temperature that nobody measured."""
    n = points.size
    window = build(points, np.full(n, 4.0), np.full(n, np.nan), np.ones(n), noise)
    return fall(window, noise, float(n), UNKNOWN)


def noisy(points: Floats, seed: int = 1) -> Floats:
    """With the noise of medians of four readings."""
    return np.asarray(points + np.random.default_rng(seed).normal(0.0, 0.3, points.size))


def test_without_knocks_it_is_generalised_least_squares() -> None:
    """Fall and error are those of (X' K^-1 X)^-1 X' K^-1 y, written out with numpy, the drift beside it."""
    noise = Noise(0.8, 0.5, 0.0)
    points = 12.0 - np.arange(120) / 96.0 + np.random.default_rng(3).normal(0.0, 0.3, 120)
    window = build(points, np.full(120, 4.0), np.full(120, np.nan), np.ones(120), noise)
    age = np.abs(np.subtract.outer(window.hours, window.hours))
    k = noise.wander_points**2 * np.exp(-age / WANDER_HOURS) + np.diag(window.white_var + LEAST_VAR)
    x = np.column_stack([np.ones(window.size), window.hours / 24.0])
    cov = np.linalg.inv(x.T @ np.linalg.solve(k, x))
    beta = cov @ x.T @ np.linalg.solve(k, window.points)
    found = fall(window, noise, 120.0, UNKNOWN)
    assert found.points == pytest.approx(-5.0 * beta[1], abs=1e-6)
    assert found.se == pytest.approx(5.0 * float(np.hypot(cov[1, 1] ** 0.5, DRIFT_PER_DAY)), rel=1e-6)


@pytest.mark.parametrize("size", [-4.0, -1.6, 3.0])
def test_a_knock_is_no_fall(size: float) -> None:
    """A float that hangs elsewhere from the third day on has fallen by less than three errors."""
    points = np.full(120, 12.0)
    points[60:] += size
    found = fallen(noisy(points))
    assert abs(found.points) < 3.0 * found.se
    assert abs(found.points) < 0.8


def test_a_knock_that_comes_free_hides_no_fall() -> None:
    """Four points down for a day, amid a fall of a point a day: the fall is told right to a fifth."""
    points = 12.0 - np.arange(144) / 24.0
    points[48:72] -= 4.0
    found = fallen(noisy(points))
    assert found.points == pytest.approx(6.0, rel=0.2)
    assert found.points > 3.0 * found.se


@pytest.mark.parametrize("per_day", [0.5, 1.0, 2.0, 5.0, 10.0, 20.0])
def test_a_fall_is_told_by_the_time_that_three_points_went(per_day: float) -> None:
    """Two days at rest, then any pace: three points (or three bins) later the fall is sure, however fast."""
    hours = max(int(24.0 * 3.0 / per_day), 9)
    at = np.arange(48 + hours // 3 * 3)
    found = fallen(noisy(12.0 - per_day / 24.0 * np.maximum(at - 48.0, 0.0)))
    assert found.points > 0.8
    assert found.points > 3.0 * found.se


def test_foam_hardly_counts() -> None:
    """Nine hours of foam, 8 points high, move the fall of four days by less than half a point."""
    points = 20.0 - np.arange(96) / 24.0
    points[60:69] += 8.0
    assert fallen(noisy(points)).points == pytest.approx(4.0, abs=0.5)


def test_too_few_bins_tell_no_fall() -> None:
    """Nine hours are three bins, and that is no line; nor are the nine after what settles."""
    assert np.isnan(fallen(np.full(9, 5.0)).points)
    assert np.isnan(fallen(np.full(18, 5.0)).points)
    assert fallen(np.full(21, 5.0)).points == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("hours", [30, 48, 72])
def test_what_settles_in_its_first_hours_is_no_fall(hours: int) -> None:
    """Eight points too high for nine hours after honey went in, and at rest from then on."""
    points = np.full(hours, 2.5)
    points[:9] = (10.0, 10.0, 10.0, 10.0, 10.0, 9.0, 6.0, 3.0, 2.5)
    found = fallen(noisy(points))
    assert found.points < 0.8 or found.points < 2.9 * found.se


def test_what_settles_hides_no_fall_that_goes_on() -> None:
    """The same, and two points a day from the start: told after two days."""
    points = 2.5 - np.arange(48) / 12.0
    points[:9] += (7.5, 7.5, 7.5, 7.5, 7.5, 6.5, 3.5, 0.5, 0.0)
    found = fallen(noisy(points))
    assert found.points > 0.8
    assert found.points > 2.9 * found.se


@given(st.lists(st.floats(-20.0, 40.0), min_size=24, max_size=96), st.floats(-30.0, 30.0))
def test_a_level_changes_no_fall(points: list[float], by: float) -> None:
    """A float that reads higher throughout has fallen as far, as surely; any course has a fall."""
    course = np.array(points)[: len(points) // 3 * 3]
    found, higher = fallen(course), fallen(course + by)
    assert found.se > 0.0
    assert higher.points == pytest.approx(found.points, abs=1e-4)
    assert higher.se == pytest.approx(found.se, rel=1e-4)
