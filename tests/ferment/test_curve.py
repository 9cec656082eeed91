"""Curves and their fit, against certified and published values and general-purpose references."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime, least_squares

from monitor.ferment.curve import (
    PriorRows,
    Shape,
    attenuation4,
    attenuation5,
    fit,
    gompertz,
    logistic,
    richards,
)

# NIST StRD nonlinear regression, Rat42 and Rat43 (data of Ratkowsky 1983, pp. 62 and 88): data, certified
# values and standard deviations, from both published starts
RAT42_X = np.array([9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0])
RAT42_Y = np.array([8.930, 10.800, 18.590, 22.330, 39.350, 56.110, 61.730, 64.620, 67.080])
RAT42 = np.array([7.2462237576e01, 2.6180768402e00, 6.7359200066e-02])
RAT42_SD = np.array([1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03])
RAT43_X = np.arange(1.0, 16.0)
RAT43_Y = np.array(
    [
        *(16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56),
        *(689.96, 637.56, 717.41),
    ]
)
RAT43 = np.array([6.9964151270e02, 5.2771253025e00, 7.5962938329e-01, 1.2792483859e00])
RAT43_SD = np.array([1.6302297817e01, 2.0828735829e00, 1.9566123451e-01, 6.8761936385e-01])

SHAPES: list[tuple[Shape, list[float]]] = [
    (logistic, [70.0, 2.5, 0.07]),
    (richards, [700.0, 5.0, 0.75, 1.3]),
    (attenuation4, [42.0, -2.0, 0.06, 48.0]),
    (attenuation5, [-2.0, 42.0, -2.8, 48.0, 0.3]),
    (gompertz, [42.0, 0.63, 14.7]),
]
FINITE = st.floats(allow_nan=False, allow_infinity=False)
SENSIBLE = st.floats(-1e4, 1e4)
NEAR = st.floats(-3.0, 3.0)


@pytest.mark.parametrize("start", [[100.0, 1.0, 0.1], [75.0, 2.5, 0.07]])
def test_rat42_is_certified(start: list[float]) -> None:
    """Both starts of NIST's Rat42 reach the certified values to at least six digits."""
    found = fit(logistic, RAT42_X[None], RAT42_Y[None], np.array([start]), tolerance=1e-16)
    np.testing.assert_allclose(found.parameters[0], RAT42, rtol=2e-7)
    sd = np.sqrt(np.diag(found.scaled_covariance(RAT42_X.size)[0]))
    np.testing.assert_allclose(sd, RAT42_SD, rtol=1e-5)
    assert found.objective[0] == pytest.approx(8.0565229338, rel=1e-9)


@pytest.mark.parametrize("start", [[100.0, 10.0, 1.0, 1.0], [700.0, 5.0, 0.75, 1.3]])
def test_rat43_is_certified(start: list[float]) -> None:
    """Both starts of NIST's Rat43 reach the certified values to at least six digits."""
    found = fit(richards, RAT43_X[None], RAT43_Y[None], np.array([start]), tolerance=1e-16)
    np.testing.assert_allclose(found.parameters[0], RAT43, rtol=2e-7)
    sd = np.sqrt(np.diag(found.scaled_covariance(RAT43_X.size)[0]))
    np.testing.assert_allclose(sd, RAT43_SD, rtol=1e-5)
    assert found.objective[0] == pytest.approx(8786.4049080, rel=1e-9)


def test_a_perturbed_attenuation_curve_gives_scipys_errors() -> None:
    """Eleven perturbed points of a 4PL give the estimates and standard errors of scipy 1.17's curve_fit."""
    x = np.arange(0.0, 241.0, 24.0)
    exact = attenuation4(np.array([[40.0, -2.0, 0.06, 48.0]]), x[None])[0][0]
    off = np.array([0.4, -0.3, 0.2, -0.5, 0.3, -0.1, 0.2, -0.3, 0.1, 0.2, -0.2])
    found = fit(
        attenuation4, x[None], (exact + off)[None], np.array([[42.0, 0.0, 0.05, 50.0]]), tolerance=1e-16
    )
    # computed once with curve_fit, unweighted, 7 degrees of freedom; gravities in points
    np.testing.assert_allclose(
        found.parameters[0], [40.3998, -2.00348, 0.059546251, 47.417054], rtol=2e-6, atol=1e-5
    )
    sd = np.sqrt(np.diag(found.scaled_covariance(x.size)[0]))
    np.testing.assert_allclose(sd, [0.548102, 0.138381, 0.00198821, 0.717642], rtol=1e-4)


def test_the_noise_free_attenuation_vector() -> None:
    """The 4PL of Pi 1.040, Pe 0.998, B 0.06/h, M 48 h passes through its computed values."""
    hours = np.array([0.0, 12.0, 24.0, 36.0, 48.0, 60.0, 72.0, 96.0, 120.0, 168.0, 240.0])
    sg = [1.037768, 1.035657, 1.031955, 1.026249, 1.019, 1.011751, 1.006045, 1.000232, 0.998551]
    found = attenuation4(np.array([[40.0, -2.0, 0.06, 48.0]]), hours[None])[0][0]
    np.testing.assert_allclose(1.0 + found / 1000.0, [*sg, 0.998031, 0.998], atol=5e-7)


def test_five_parameters_hold_the_four() -> None:
    """With s = 1 the five-parameter curve is the four-parameter one."""
    x = np.linspace(0.0, 200.0, 41)[None]
    four = attenuation4(np.array([[40.0, -2.0, 0.06, 48.0]]), x)[0]
    five = attenuation5(np.array([[-2.0, 42.0, np.log(0.06), 48.0, 0.0]]), x)[0]
    np.testing.assert_allclose(five, four, rtol=1e-12)


def test_gompertz_passes_through_published_form() -> None:
    """Zwietering's Gompertz with A 42, mu 0.63, lambda 14.6667 has its computed values."""
    x = np.array([[10.0, 20.0, 40.0, 60.0, 100.0]])
    found = gompertz(np.array([[42.0, 0.63, 14.6667]]), x)[0][0]
    np.testing.assert_allclose(found, [1.56779, 4.71454, 15.95989, 27.37371, 38.62409], atol=2e-4)


@pytest.mark.parametrize(("shape", "at"), SHAPES)
def test_derivatives_are_those_of_the_curve(shape: Shape, at: list[float]) -> None:
    """Every analytic derivative equals the finite difference of its curve."""
    x = np.array([[3.0, 9.0, 14.0]])
    p = np.array(at)
    found = shape(p[None], x)[1][0].T
    expected = approx_fprime(p, lambda q: shape(q[None], x)[0][0], 1e-7)
    np.testing.assert_allclose(found, expected, rtol=2e-4, atol=1e-5)


@pytest.mark.parametrize(("shape", "at"), SHAPES)
@pytest.mark.parametrize("edge", [-1e6, 0.0, 1e6])
def test_curves_are_finite_far_out(shape: Shape, at: list[float], edge: float) -> None:
    """Values and derivatives stay finite however far from the data."""
    value, jacobian = shape(np.array([at]), np.array([[edge]]))
    assert np.isfinite(value).all()
    assert np.isfinite(jacobian).all()


@settings(max_examples=30)
@given(
    end=st.floats(-6.0, 12.0),
    fall=st.floats(25.0, 110.0),
    rate=st.floats(0.02, 0.15),
    middle=st.floats(30.0, 120.0),
    seed=st.integers(0, 10_000),
)
def test_a_fit_reaches_scipys_optimum(end: float, fall: float, rate: float, middle: float, seed: int) -> None:
    """On noisy curves of any pace the objective is that of scipy's least_squares, or lower."""
    rng = np.random.default_rng(seed)
    x = np.arange(0.0, 336.0, 2.0)
    truth = np.array([end + fall, end, rate, middle])
    y = attenuation4(truth[None], x[None])[0][0] + rng.normal(0.0, 0.4, x.size)

    def plain(t: np.ndarray, *p: float) -> np.ndarray:
        return attenuation4(np.array([p]), t[None])[0][0]

    best = least_squares(lambda p: plain(x, *p) - y, truth, x_scale=[40.0, 5.0, 0.05, 50.0]).x
    theirs = float(np.sum((y - plain(x, *best)) ** 2))
    found = fit(attenuation4, x[None], y[None], truth[None] * 1.1)
    assert found.objective[0] <= theirs * (1.0 + 1e-6)


def test_a_batch_is_its_fits_one_by_one() -> None:
    """Fitting many vessels at once gives what fitting each alone gives."""
    rng = np.random.default_rng(5)
    x = np.tile(np.arange(0.0, 240.0, 3.0), (6, 1))
    truth = np.array([42.0, -2.0, 0.06, 48.0]) * (1.0 + 0.1 * rng.normal(size=(6, 4)))
    y = attenuation4(truth, x)[0] + rng.normal(0.0, 0.3, x.shape)
    start = np.tile([42.0, -2.0, 0.06, 48.0], (6, 1))
    together = fit(attenuation4, x, y, start, tolerance=1e-14)
    for k in range(6):
        alone = fit(attenuation4, x[k : k + 1], y[k : k + 1], start[k : k + 1], tolerance=1e-14)
        np.testing.assert_allclose(together.parameters[k], alone.parameters[0], rtol=1e-5)


def test_prior_rows_carry_what_the_data_leave_open() -> None:
    """On the first third of a curve the end stays at its prior mean, with no more than its prior spread."""
    x = np.arange(0.0, 40.0, 2.0)[None]
    y = attenuation4(np.array([[42.0, -2.0, 0.06, 60.0]]), x)[0]
    prior = PriorRows(np.array([42.0, -3.0, 0.06, 60.0]), np.array([1.0, 1.0 / 4.0, 0.0, 0.0]))
    found = fit(attenuation4, x, y, np.array([[42.0, -3.0, 0.06, 60.0]]), np.full(x.shape, 4.0), prior)
    assert abs(found.parameters[0, 1] + 3.0) < 2.0
    assert found.covariance[0, 1, 1] ** 0.5 <= 2.0


def test_a_weight_of_nought_leaves_a_point_out() -> None:
    """A point without weight does not move the fit."""
    x = np.arange(0.0, 240.0, 6.0)[None]
    y = attenuation4(np.array([[42.0, -2.0, 0.06, 48.0]]), x)[0]
    wrong = y.copy()
    wrong[0, 7] += 30.0
    weights = np.ones_like(y)
    weights[0, 7] = 0.0
    found = fit(attenuation4, x, wrong, np.array([[40.0, 0.0, 0.05, 50.0]]), weights, tolerance=1e-14)
    np.testing.assert_allclose(found.parameters[0], [42.0, -2.0, 0.06, 48.0], rtol=1e-6)


@settings(max_examples=100)
@given(data=st.data(), which=st.sampled_from(SHAPES), count=st.sampled_from([1, 3]), weighted=st.booleans())
def test_no_fit_ever_fails(
    data: st.DataObject, which: tuple[Shape, list[float]], count: int, weighted: bool
) -> None:
    """From any finite data and any start the answer is finite, and its objective not above the start's."""
    shape, k = which[0], len(which[1])
    number = data.draw(st.sampled_from([FINITE, SENSIBLE, NEAR]))
    n = data.draw(st.integers(0, 9))

    def drawn(width: int, numbers: st.SearchStrategy[float] = number) -> np.ndarray:
        size = count * width
        return np.array(data.draw(st.lists(numbers, min_size=size, max_size=size))).reshape(count, width)

    x, y, start = drawn(n), drawn(n), drawn(k)
    weights = drawn(n, st.floats(0.0, 1e6)) if weighted else None
    found = fit(shape, x, y, start, weights)
    assert np.isfinite(found.parameters).all()
    assert np.isfinite(found.covariance).all()
    assert np.isfinite(found.objective).all()
    with np.errstate(all="ignore"):
        before = np.sum((y - shape(start, x)[0]) ** 2 * (1.0 if weights is None else weights), axis=1)
    # what overflows, or has no value at all, is as bad as can be
    before = np.nan_to_num(before, nan=np.inf, posinf=np.inf)
    assert (found.objective <= before * (1.0 + 1e-12) + np.finfo(np.float64).tiny).all()


@pytest.mark.parametrize("count", [1, 3])
def test_a_parameter_without_a_say_keeps_its_start(count: int) -> None:
    """What the data say nothing of stays where it was, with a large variance; the rest is fitted."""
    x = np.tile(np.arange(0.0, 48.0, 4.0), (count, 1))
    y = np.full(x.shape, 42.0)
    # the fall lies ten years ahead: only the first parameter, the start, meets the data
    found = fit(attenuation4, x, y, np.tile([40.0, -2.0, 0.06, 87_600.0], (count, 1)))
    np.testing.assert_allclose(found.parameters, np.tile([42.0, -2.0, 0.06, 87_600.0], (count, 1)))
    variance = np.einsum("bii->bi", found.covariance)
    np.testing.assert_allclose(variance[:, 0], 1.0 / x.shape[1])
    assert (variance[:, 1:] > 1e12).all()


def test_a_hopeless_vessel_leaves_the_others_alone() -> None:
    """A vessel whose objective overflows keeps its start; its neighbours are fitted as without it."""
    x = np.tile(np.arange(0.0, 240.0, 6.0), (3, 1))
    truth = np.array([42.0, -2.0, 0.06, 48.0])
    y = attenuation4(np.tile(truth, (3, 1)), x)[0]
    y[1] = 1e300
    start = np.tile([40.0, 0.0, 0.05, 50.0], (3, 1))
    found = fit(attenuation4, x, y, start, tolerance=1e-12)
    np.testing.assert_allclose(found.parameters[[0, 2]], [truth, truth], rtol=1e-6)
    np.testing.assert_array_equal(found.parameters[1], start[1])


@pytest.mark.parametrize("which", [3, 2])
def test_an_hour_more_costs_two_steps_at_most(which: int) -> None:
    """From the optimum of the hour before, a fit of hourly means is there within two steps."""
    shape, at = SHAPES[which]
    rng = np.random.default_rng(2)
    x = np.tile(np.arange(0.0, 336.0), (12, 1))
    truth = np.array(at) * (1.0 + 0.05 * rng.normal(size=(12, len(at))))
    y = shape(truth, x)[0] + rng.normal(0.0, 0.4, x.shape)
    before = fit(shape, x[:, :-1], y[:, :-1], truth).parameters
    found = fit(shape, x, y, before)
    close = fit(shape, x, y, before, tolerance=1e-14)
    assert found.rounds <= 2
    assert (found.objective <= close.objective * (1.0 + 1e-6)).all()


def test_many_vessels_are_worked_out_in_portions() -> None:
    """A batch too large for one portion is fitted like its halves."""
    rng = np.random.default_rng(3)
    x = np.tile(np.arange(0.0, 1440.0), (40, 1))
    truth = np.array([42.0, -2.0, 0.06, 48.0]) * (1.0 + 0.05 * rng.normal(size=(40, 4)))
    y = attenuation4(truth, x)[0] + rng.normal(0.0, 0.3, x.shape)
    start = np.tile([42.0, -2.0, 0.06, 48.0], (40, 1))
    weights = rng.uniform(0.5, 2.0, x.shape)
    prior = PriorRows(np.array([42.0, -2.0, 0.06, 48.0]), rng.uniform(0.0, 1.0, (40, 4)))
    found = fit(attenuation4, x, y, start, weights, prior, 1e-12)
    for half in (slice(0, 20), slice(20, 40)):
        part = PriorRows(prior.mean, prior.precision[half])
        alone = fit(attenuation4, x[half], y[half], start[half], weights[half], part, 1e-12)
        np.testing.assert_allclose(found.parameters[half], alone.parameters, rtol=1e-6)
        np.testing.assert_allclose(found.covariance[half], alone.covariance, rtol=1e-4, atol=1e-12)
