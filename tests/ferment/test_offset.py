"""How far a float reads off, by hand samples."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.ferment.offset import UNKNOWN_SD, from_samples


def test_without_samples_nothing_is_known() -> None:
    """No sample gives no correction and the full spread of unchecked floats."""
    found = from_samples([], np.full(48, 20.0), 48)
    assert (found.points, found.sd, found.samples) == (0.0, UNKNOWN_SD, 0)


def test_a_fresh_sample_is_the_reference() -> None:
    """A float that says 22 where the sample says 20 reads two points high."""
    found = from_samples([(46, 20.0)], np.full(48, 22.0), 48)
    assert found.points == pytest.approx(-2.0)
    assert found.sd < UNKNOWN_SD


def test_a_sample_while_the_float_is_silent_is_left_out() -> None:
    """With no reading within four hours there is nothing to compare."""
    points = np.full(48, 22.0)
    points[5:35] = np.nan
    assert from_samples([(20, 15.0)], points, 48).samples == 0


def test_more_samples_are_surer_and_old_ones_less_so() -> None:
    """The spread shrinks with each sample, grows with its age, and stays under that of an unchecked float."""
    points = np.full(2000, 22.0)
    one = from_samples([(40, 20.0)], points, 44).sd
    two = from_samples([(38, 20.0), (40, 20.0)], points, 44).sd
    old = from_samples([(40, 20.0)], points, 400).sd
    assert two < one < old <= UNKNOWN_SD


def test_zero_points_is_a_sample() -> None:
    """A sample of water, 1.000, corrects as any other."""
    assert from_samples([(4, 0.0)], np.full(8, 1.5), 8).points == pytest.approx(-1.5)
