"""What is left by the precedents, on ends whose answer is known, and beside scipy's own densities."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from monitor.ferment import precedent
from monitor.ferment.left import UNFINISHED_POINTS, Left
from monitor.ferment.noise import WANDER_HOURS, Noise
from monitor.ferment.precedent import BINS, Collection, Likeness, collection, look_up
from monitor.ferment.series import Floats
from monitor.ferment.window import LEAST_VAR, Window, build

NOISE = Noise(0.5, 0.15, 0.1)
ORDINARY = Likeness(fallen_points=42.0, age_hours=300.0, chill_c=0.0)


def made(points: Floats) -> Window:
    """A window of hourly points at 20 degC."""
    n = points.size
    return build(points, np.full(n, 4.0), np.full(n, 20.0), np.ones(n), NOISE)


def left_of(fall: Floats, seed: int = 0, expected: tuple[float, float] = (0.0, 3.0)) -> Left:
    """What is left by the precedents after a noise-free fall (hourly, points above the end)."""
    noisy = fall + np.random.default_rng(seed).normal(0.0, 0.25, fall.size)
    window = made(noisy)
    return look_up(window, NOISE, np.zeros(window.size), expected, ORDINARY)


AGE = np.arange(-180 + 0.5, 0.0)


@pytest.mark.parametrize(("left", "constant"), [(6.0, 60.0), (3.0, 50.0), (1.5, 40.0)])
def test_first_order_kinetics_are_covered(left: float, constant: float) -> None:
    """Of R = R0 exp(-t/c) what is left lies between the 5th and the 95th percentile."""
    found = left_of(left * np.exp(-AGE / constant))
    assert found.p05 - 0.2 <= left <= found.p95 + 0.2
    assert abs(found.p50 - left) < 3.0


def test_rest_has_little_left_and_a_creep_may_have_more() -> None:
    """Days at standstill leave little doubt; a third of a point a day for six days leaves much more."""
    rest = left_of(0.05 * np.exp(-AGE / 25.0))
    creep = left_of(np.where(AGE < -144.0, 2.5 * np.exp(-(AGE + 144.0) / 12.0) - 0.5, -AGE / 72.0))
    assert rest.unfinished < 0.05
    assert creep.unfinished > 4.0 * rest.unfinished


def test_where_it_should_end_matters() -> None:
    """The same fall is doubted more eight points above where the must should end."""
    fall = 1.0 * np.exp(-AGE / 40.0)
    assert left_of(fall, expected=(-8.0, 2.0)).unfinished > left_of(fall, expected=(0.0, 2.0)).unfinished


@settings(max_examples=25)
@given(st.floats(0.0, 20.0), st.floats(10.0, 120.0), st.floats(-5.0, 15.0), st.integers(0, 50))
def test_percentiles_and_probabilities_are_in_order(
    left: float, constant: float, expected: float, seed: int
) -> None:
    """Quantiles rise from zero on; probabilities lie in [0, 1] and fall with what they ask for."""
    found = left_of(left * np.exp(-np.maximum(AGE, -100.0) / constant), seed, (expected, 3.0))
    assert 0.0 <= found.p05 <= found.p50 <= found.p95
    assert -1e-9 <= found.unfinished <= 1.0 + 1e-9


def test_the_collection_is_in_order_and_spans_what_there_is() -> None:
    """Thousands of precedents, by rising rest, from the finished to the hardly begun."""
    kept = collection()
    assert np.all(np.diff(kept.left_points) >= 0.0)
    assert kept.left_points.size > 10_000
    assert kept.left_points[0] < 0.1
    assert kept.left_points[-1] > 30.0
    assert all(np.isfinite(a).all() for a in (kept.table, kept.shapes, kept.log_prior, kept.chill_c))


def few(rng: np.random.Generator, count: int = 7) -> Collection:
    """A small collection of arbitrary courses."""
    shapes = np.linalg.qr(rng.normal(size=(BINS.size, 3)))[0].T
    table = rng.normal(0.0, 20.0, (count, 3)).astype(np.float32)
    flat = np.zeros(count, dtype=np.float32)
    return Collection(shapes, table, np.sort(rng.uniform(0.0, 9.0, count)), flat, flat, flat, flat)


def test_likelihoods_are_those_of_the_normal_distribution() -> None:
    """Ratios of likelihoods are those of scipy's multivariate normal, the level given a vast variance."""
    rng = np.random.default_rng(5)
    kept = few(rng)
    hours = BINS[-20:]
    window = Window(hours, hours, rng.normal(5.0, 2.0, 20), rng.normal(0.0, 1.0, 20), np.full(20, 0.04))
    fit = precedent._fit(precedent._whitened(window, NOISE, np.zeros(20), kept), kept.table)
    ours = precedent._log_likelihood(fit, kept.left_points, expected=1.0, expected_sd=2.0)
    apart = np.abs(hours[:, None] - hours)
    high = precedent.MISFIT * (window.points - np.median(window.points[-4:]))
    covariance = np.zeros((21, 21))
    covariance[:20, :20] = NOISE.wander_points**2 * np.exp(-apart / WANDER_HOURS)
    covariance[:20, :20] += np.exp(-apart / precedent.MISFIT_HOURS) * np.abs(np.outer(high, high))
    covariance[:20, :20] += precedent.TEMPERATURE_SD**2 * np.outer(window.temperature_c, window.temperature_c)
    smooth = np.convolve(np.pad(window.points, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    steep = np.gradient(smooth, window.hours)
    covariance[:20, :20] += np.diag(window.white_var + LEAST_VAR + (precedent.TIMING_HOURS * steep) ** 2)
    covariance[20, 20] = 2.0**2
    covariance += 1e6  # the level, unknown and common to all
    seen = np.append(window.points, 1.0)
    theirs = np.array(
        [
            multivariate_normal.logpdf(
                seen, np.append(row @ kept.shapes[:, -20:], -left), covariance, allow_singular=True
            )
            for row, left in zip(kept.table.astype(float), kept.left_points, strict=True)
        ]
    )
    assert ours - ours[0] == pytest.approx(theirs - theirs[0], rel=1e-3, abs=0.02)


@pytest.mark.parametrize("counts", [0.02, 0.4, 0.9])
def test_another_word_moves_what_is_left(counts: float) -> None:
    """Where something beside the precedents makes it more or less sure that it is over, the percentiles say
    so too; with the precedents' own probability they stay.
    """
    hours = np.arange(96.0)
    window = made(6.0 * np.exp(-hours / 40.0))
    course = (window, NOISE, np.zeros(window.size), (0.0, 3.0), ORDINARY)
    alone = look_up(*course)
    same = look_up(*course, beside=lambda own: own)
    assert dataclasses.astuple(same) == pytest.approx(dataclasses.astuple(alone))
    moved = look_up(*course, beside=lambda _own: counts)
    assert moved.unfinished == counts
    assert (moved.p50 > UNFINISHED_POINTS) == (counts > 0.5)
    assert (moved.p95 > UNFINISHED_POINTS) == (counts > 0.05)
    assert (moved.p95 > alone.p95) == (counts > alone.unfinished)


def test_too_short_a_window_says_nothing() -> None:
    """Twelve hours are four bins, and there is nothing to lay a precedent over."""
    window = made(np.linspace(3.0, 2.0, 12))
    found = look_up(window, NOISE, np.zeros(window.size), (0.0, 3.0), ORDINARY)
    assert math.isnan(found.p50)
