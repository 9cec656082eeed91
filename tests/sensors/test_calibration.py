"""Angle to gravity, checked against certified regression data and against brute force."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import CalibrationError
from monitor.sensors.calibration import Calibration, Pair, fit_calibration, parse_pairs

# NIST StRD "Pontius" (quadratic, 40 observations): data and certified values from memory; that
# the certified digits come out below is what confirms them.
PONTIUS_X = [150_000.0 * k for k in range(1, 21)] * 2
PONTIUS_Y = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
    1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
]  # fmt: skip
PONTIUS = (0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14)
PONTIUS_SD = 0.205177424076185e-3


def curve(angle: float) -> float:
    """A float of our own: it rises faster as it lies down."""
    return 1.0 + 1.1e-3 * (angle - 25.0) + 1.3e-5 * (angle - 25.0) ** 2


def pairs_of(angles, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    return [Pair(float(a), curve(a) + noise * rng.standard_normal()) for a in angles]


def test_certified_quadratic_regression_is_reproduced():
    """NIST StRD Pontius, scaled into angles and gravities: residual sd to 9 digits, curve to 1e-12."""
    pairs = [Pair(x / 3e6 * 60.0 + 20.0, 1.0 + y / 20.0) for x, y in zip(PONTIUS_X, PONTIUS_Y, strict=True)]
    found = fit_calibration("float-a", pairs, 0, degrees=(2,))
    assert found.residual_sd_sg * 20.0 == pytest.approx(PONTIUS_SD, rel=1e-9)
    for x in (150_000.0, 1_234_567.0, 3_000_000.0):
        certified = PONTIUS[0] + PONTIUS[1] * x + PONTIUS[2] * x * x
        assert (found.gravity_sg(x / 3e6 * 60.0 + 20.0) - 1.0) * 20.0 == pytest.approx(certified, abs=1e-11)


def test_the_left_out_error_is_that_of_fits_without_the_pair():
    """The error by leverage equals that of refitting without each pair (numpy's polyfit)."""
    pairs = pairs_of(np.linspace(25, 70, 9), noise=4e-4, seed=3)
    found = fit_calibration("float-a", pairs, 0)
    x = np.array([p.angle_deg for p in pairs])
    y = np.array([p.gravity_sg for p in pairs])
    for candidate in found.candidates:
        errors = []
        for i in range(len(x)):
            keep = np.arange(len(x)) != i
            fit = np.polynomial.Polynomial.fit(x[keep], y[keep], candidate.degree)
            errors.append(y[i] - fit(x[i]))
        assert candidate.left_out_sg == pytest.approx(math.sqrt(np.mean(np.square(errors))), rel=1e-9)


@pytest.mark.parametrize(
    ("function", "degree"),
    [
        (lambda a: 0.98 + 1.5e-3 * a, 1),
        (lambda a: 0.99 + 1e-5 * a**2, 2),
        (lambda a: 1.05 + 4e-7 * (a - 45.0) ** 3 + 2e-4 * (a - 45.0), 3),
    ],
)
def test_the_degree_is_that_of_the_curve_behind_the_pairs(function, degree):
    """Exact pairs of a line, a parabola and a cubic get just that degree."""
    pairs = [Pair(a, function(a)) for a in np.linspace(20, 70, 8).tolist()]
    found = fit_calibration("float-a", pairs, 0)
    assert found.degree == degree
    assert max(map(abs, found.residuals_sg)) < 1e-12


def test_a_curve_that_turns_back_is_not_taken():
    """The parabola fits better and bends back at the heavy end: it is refused."""
    pairs = [Pair(a, g) for a, g in [(20, 1.0), (30, 1.03), (40, 1.05), (50, 1.06), (60, 1.06), (70, 1.058)]]
    found = fit_calibration("float-a", pairs, 0)
    assert any(not candidate.monotonic for candidate in found.candidates)
    steps = np.diff([found.gravity_sg(a) for a in np.linspace(20, 70, 400)])
    assert (steps > 0).all()


@given(
    gravities=st.lists(st.floats(0.98, 1.15), min_size=5, max_size=12),
    start=st.floats(5, 40),
    step=st.floats(0.5, 5),
)
def test_whatever_the_pairs_the_curve_is_monotonic_or_refused(gravities, start, step):
    """No set of pairs gives a curve that turns back anywhere, within the range or beyond it."""
    pairs = [Pair(start + step * k, g) for k, g in enumerate(gravities)]
    try:
        found = fit_calibration("float-a", pairs, 0)
    except CalibrationError:
        return
    low, high = found.angle_range_deg
    steps = np.diff([found.gravity_sg(a) for a in np.linspace(low - 10, high + 10, 300)])
    assert (steps > -1e-13).all() or (steps < 1e-13).all()


def test_beyond_the_range_it_goes_on_straight_and_says_so():
    """Outside the measured angles the end's tangent is followed, without a jump."""
    found = fit_calibration("float-a", pairs_of(np.linspace(25, 70, 8)), 0)
    slope = 1.1e-3 + 2 * 1.3e-5 * 45.0
    assert found.gravity_sg(75.0) == pytest.approx(curve(70.0) + 5 * slope, abs=1e-9)
    assert found.extrapolates(75.0)
    assert found.extrapolates(24.9)
    assert not found.extrapolates(25.0)
    assert not found.extrapolates(70.0)


def test_noise_shows_in_the_residuals():
    """The residual standard deviation estimates the noise that was put in (100 pairs: within 25 %)."""
    found = fit_calibration("float-a", pairs_of(np.linspace(25, 70, 100), noise=5e-4, seed=1), 0)
    assert found.residual_sd_sg == pytest.approx(5e-4, rel=0.25)


def test_it_survives_json():
    """A calibration written as JSON and read again is the same one."""
    found = fit_calibration("float-a", pairs_of(np.linspace(25, 70, 8), noise=3e-4), 1_764_000_000_000)
    assert Calibration.from_dict(json.loads(json.dumps(found.to_dict(), allow_nan=False))) == found


@pytest.mark.parametrize(
    "values", [{}, {"sensor": "a"}, {"angle_range_deg": [1, 2, 3]}, {"coefficients": None}]
)
def test_a_foreign_document_is_refused(values):
    """What is not a stored calibration is named as such."""
    good = fit_calibration("float-a", pairs_of([25, 40, 60]), 0).to_dict()
    with pytest.raises(CalibrationError):
        Calibration.from_dict({**good, **values} if len(values) == 1 and "sensor" not in values else values)


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([], "0 different angles"),
        ([Pair(25, 1.0), Pair(25, 1.0), Pair(30, 1.01)], "2 different angles"),
        ([Pair(25, 1.0), Pair(30, 1.0), Pair(40, 1.0)], "do not tell"),
        ([Pair(25, 1.0), Pair(30, 1.05), Pair(40, 1.0), Pair(50, 1.05)], "do not tell"),
        ([Pair(25, 1.0), Pair(30, math.nan), Pair(40, 1.02)], "possible"),
        ([Pair(25, 1.0), Pair(300, 1.01), Pair(40, 1.02)], "possible"),
    ],
)
def test_pairs_that_give_no_calibration_are_refused_with_the_reason(pairs, words):
    """Too few angles, impossible values, and angles that do not tell the gravity."""
    with pytest.raises(CalibrationError, match=words) as caught:
        fit_calibration("float-a", pairs, 0)
    assert caught.value.hint


def test_three_pairs_give_a_line():
    """With three pairs there is nothing to judge a higher degree by."""
    assert fit_calibration("float-a", pairs_of([25, 40, 60]), 0).degree == 1


def test_pairs_are_read_as_makers_write_them():
    """Commas, semicolons or blanks, a heading, comments, Plato behind the number."""
    text = "\ufeffangle,gravity\n25.3, 1.000\n# sugar water\n\n41.7;1.040\n50 15 plato\n"
    pairs = parse_pairs(text)
    assert [pair.angle_deg for pair in pairs] == [25.3, 41.7, 50.0]
    assert pairs[2].gravity_sg == pytest.approx(1.061069, abs=1e-6)  # ICUMSA SPS-4 in vacuo


@pytest.mark.parametrize(
    "line", ["25.3", "25.3, one", "25.3, 1.0, furlong", "25.3, 7.0", "25,3, 1.000, sg", "nan 1.0"]
)
def test_a_line_that_is_no_pair_is_named(line):
    """The line's number and text are in the message."""
    with pytest.raises(CalibrationError, match="line 2"):
        parse_pairs(f"20 1.0\n{line}")
