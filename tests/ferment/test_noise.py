"""The float's noise, learnt from the float itself."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.ferment.noise import LEAST_WHITE, rounding_step, white_sd


@pytest.mark.parametrize("points", [0.3, 0.7, 2.0])
def test_white_noise_is_found_under_a_steep_fall(points: float) -> None:
    """The standard deviation put in by numpy comes out within a sixth under a fall of a point an hour."""
    rng = np.random.default_rng(4)
    level = 1.08 - np.arange(192) / 4.0 / 1000.0
    found = white_sd(level + rng.normal(0.0, points / 1000.0, level.size))
    assert found == pytest.approx(points, rel=1.0 / 6.0)


def test_a_tenth_of_faulty_readings_hardly_counts() -> None:
    """Twenty readings in two hundred that lie 30 points off raise the estimate by less than a half."""
    rng = np.random.default_rng(5)
    values = 1.05 + rng.normal(0.0, 0.0007, 200)
    values[::10] += 0.03
    # robust only in its median part: the trimmed one is held to seven tenths of its value
    clean = white_sd(np.delete(values, np.arange(0, 200, 10)))
    alone = values.copy()
    alone[::10] -= 0.03
    assert white_sd(alone) == pytest.approx(clean, rel=0.2)
    values = alone
    values[100:105] += 0.03
    assert white_sd(values) < 1.5 * clean


def test_still_readings_have_the_least_noise() -> None:
    """A float that always says the same is not taken for a perfect one."""
    assert white_sd(np.full(50, 1.010)) == LEAST_WHITE


@pytest.mark.parametrize(("step", "digits"), [(1.0, 3), (0.1, 4)])
def test_the_rounding_step_is_found(step: float, digits: int) -> None:
    """Values rounded by numpy to three or four places lie on steps of 1 and 0.1 points."""
    values = np.round(1.04 + np.random.default_rng(6).normal(0.0, 0.004, 300), digits)
    assert rounding_step(values) == pytest.approx(step)


def test_unrounded_values_have_no_step() -> None:
    """Full floats lie on no step."""
    assert rounding_step(1.04 + np.random.default_rng(7).normal(0.0, 0.004, 300)) == 0.0
