"""Whitened windows and lines, beside numpy and scipy."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import stats

from monitor.ferment.noise import WANDER_HOURS, Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import LEAST_VAR, Window, build, lines, whitened


def made(points: Floats, noise: Noise, counts: float = 4.0) -> Window:
    """A window of hourly points at one temperature that nobody measured."""
    n = points.size
    return build(points, np.full(n, counts), np.full(n, np.nan), np.ones(n), noise)


def covariance(window: Window, noise: Noise) -> Floats:
    """White noise and exponential wander, written out."""
    age = np.abs(np.subtract.outer(window.hours, window.hours))
    k: Floats = noise.wander_points**2 * np.exp(-age / WANDER_HOURS)
    return k + np.diag(window.white_var + LEAST_VAR)


def test_whitening_makes_the_covariance_one() -> None:
    """W K W' is the identity and the log determinant is numpy's."""
    noise = Noise(0.8, 0.4, 0.1)
    window = made(np.random.default_rng(1).normal(10.0, 1.0, 96), noise)
    w, log_det = whitened(window, noise, np.eye(window.size))
    k = covariance(window, noise)
    assert np.allclose(w @ k @ w.T, np.eye(window.size), atol=1e-9)
    assert log_det == pytest.approx(np.linalg.slogdet(k)[1])


@pytest.mark.parametrize("size", [24, 48, 96, 192])
def test_without_wander_the_slope_is_scipys(size: int) -> None:
    """On every prefix the line is scipy.stats.linregress of the bins."""
    noise = Noise(0.8, 0.0, 0.0)
    points = 30.0 - np.arange(192) / 20.0 + np.random.default_rng(2).normal(0.0, 0.4, 192)
    window = made(points[:size], noise)
    (found,) = lines(window, noise, np.zeros(window.size))
    reference = stats.linregress(window.hours / 24.0, window.points)
    assert found.slope_per_day == pytest.approx(reference.slope, abs=1e-6)
    assert found.level_points == pytest.approx(reference.intercept, abs=1e-6)


def test_with_wander_the_errors_are_those_of_generalised_least_squares() -> None:
    """Slope and standard error are (X' K^-1 X)^-1 X' K^-1 y, written out with numpy."""
    noise = Noise(0.8, 0.5, 0.0)
    window = made(20.0 + np.random.default_rng(3).normal(0.0, 0.5, 120), noise)
    x = np.column_stack([np.ones(window.size), window.hours / 24.0])
    inverse = np.linalg.inv(covariance(window, noise))
    cov = np.linalg.inv(x.T @ inverse @ x)
    beta = cov @ x.T @ inverse @ window.points
    (found,) = lines(window, noise, np.zeros(window.size))
    assert found.slope_per_day == pytest.approx(beta[1], abs=1e-6)
    assert found.slope_se == pytest.approx(cov[1, 1] ** 0.5, rel=1e-4)


def test_wander_widens_the_error_of_a_slope() -> None:
    """A float that wanders knows its slope less well than one with white noise alone."""
    points = np.full(96, 12.0)
    calm, restless = Noise(0.5, 0.0, 0.0), Noise(0.5, 0.6, 0.0)
    errors = [lines(made(points, n), n, np.zeros(32))[0].slope_se for n in (calm, restless)]
    assert errors[1] > 2.0 * errors[0]


def test_too_few_bins_have_no_line() -> None:
    """Nine hours are three bins, and that is no line."""
    noise = Noise()
    assert np.isnan(lines(made(np.full(9, 5.0), noise), noise, np.zeros(3))[0].slope_per_day)


def test_a_line_through_the_last_days_is_that_of_the_last_days_alone() -> None:
    """The last two days, and the last four, of eight have the level, slope and errors of theirs alone."""
    noise = Noise(0.8, 0.5, 0.0)
    points = 30.0 - np.sqrt(np.arange(192)) + np.random.default_rng(4).normal(0.0, 0.4, 192)
    window = made(points, noise)
    both = lines(window, noise, np.zeros(window.size), (48.0, 96.0))
    for found, hours in zip(both, (48, 96), strict=True):
        alone = made(points[-hours:], noise)
        (reference,) = lines(alone, noise, np.zeros(alone.size))
        assert dataclasses.astuple(found) == pytest.approx(dataclasses.astuple(reference))
