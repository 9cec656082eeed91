"""How long a refit takes beside scipy's curve_fit and lmfit, on the same data, model and optimum.

Run `python tests/bench/bench_fit.py`. Aims on hourly means: a warm refit with covariance at most 0.45 of a
warm curve_fit and 0.05 of lmfit's Model.fit; a batch of 64 vessels at most 0.10 of a curve_fit each. The
peers take turns, a few runs each, many times over, and the best run of each counts: what else the machine
does meets all of them alike. The figure is the median ratio of several rounds. With RUNS_A_TURN = 1 every
run finds the caches as its peers left them: a curve_fit then takes half as long again, ours nearly twice.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable

import lmfit
import numpy as np
from scipy.optimize import curve_fit

from monitor.ferment.curve import Shape, attenuation4, attenuation5, fit

VESSELS = 64
DAYS = (14, 60)
ROUNDS = 9
TURNS = 8
RUNS_A_TURN = 4
FIVE = np.array([-2.0, 45.0, np.log(0.05), 70.0, np.log(1.6)])
FOUR = np.array([42.0, -2.0, 0.06, 60.0])


def five(x: np.ndarray, end: float, fall: float, log_rate: float, middle: float, log_s: float) -> np.ndarray:
    """The same shape as plain scipy and lmfit users write it."""
    s = np.exp(log_s)
    return end + fall * (1.0 + s * np.exp(np.exp(log_rate) * (x - middle))) ** (-1.0 / s)


def four(x: np.ndarray, start: float, end: float, rate: float, middle: float) -> np.ndarray:
    """The four-parameter logistic."""
    return end + (start - end) / (1.0 + np.exp(rate * (x - middle)))


def seconds(work: list[Callable[[], object]]) -> np.ndarray:
    """Best time of each piece of work."""
    best = np.full(len(work), np.inf)
    for _ in range(TURNS):
        for k, run in enumerate(work):
            for _ in range(RUNS_A_TURN):
                begin = time.perf_counter()
                run()
                best[k] = min(best[k], time.perf_counter() - begin)
    return best


def compare(name: str, days: int, shape: Shape, plain: Callable, truth: np.ndarray) -> None:
    """Print the times and ratios of one model."""
    rng = np.random.default_rng(11)
    x = np.tile(np.arange(days * 24, dtype=np.float64), (VESSELS, 1))
    spread = 1.0 + 0.05 * rng.normal(size=(VESSELS, truth.size))
    y = shape(truth * spread, x)[0] + rng.normal(0.0, 0.4, x.shape)
    # warm: the optimum of the hour before
    before = fit(shape, x[:, :-1], y[:, :-1], np.tile(truth, (VESSELS, 1))).parameters
    model = lmfit.Model(plain)
    rounds = []
    for turn in range(ROUNDS):
        # another vessel each round: some need one step, some two
        k = turn * VESSELS // ROUNDS
        one, at, data, p = slice(k, k + 1), x[k], y[k], before[k]
        guess = dict(zip(model.param_names, p, strict=True))
        work: list[Callable[[], object]] = [
            lambda one=one: fit(shape, x[one], y[one], before[one]),
            lambda: fit(shape, x, y, before),
            lambda at=at, data=data, p=p: curve_fit(plain, at, data, p0=p),
            lambda at=at, data=data, guess=guess: model.fit(data, x=at, **guess),
        ]
        rounds.append(seconds(work) / (1.0, VESSELS, 1.0, 1.0))
    ours, batch, scipy_s, lmfit_s = np.array(rounds).T
    alone, in_batch, beside_lmfit = (
        float(np.median(ratio)) for ratio in (ours / scipy_s, batch / scipy_s, ours / lmfit_s)
    )
    times = ", ".join(f"{np.median(t) * 1e6:.0f}" for t in (ours, batch, scipy_s, lmfit_s))
    print(f"{name}, {days} days: ours, in a batch, curve_fit, lmfit {times} us")
    print(f"  {alone:.2f} of curve_fit (aim 0.45), {beside_lmfit:.3f} of lmfit (aim 0.05),")
    print(f"  in a batch {in_batch:.3f} of curve_fit (aim 0.10); {same_optimum(shape, plain, x, y, before)}")


def same_optimum(shape: Shape, plain: Callable, x: np.ndarray, y: np.ndarray, before: np.ndarray) -> str:
    """By how much our objectives and standard errors differ from scipy's, at most."""
    found = fit(shape, x, y, before)
    ours_sd = np.sqrt(np.einsum("bii->bi", found.scaled_covariance(x.shape[1])))
    above, apart = -np.inf, 0.0
    for k in range(VESSELS):
        best, covariance = curve_fit(plain, x[k], y[k], p0=before[k])
        theirs = float(np.sum((y[k] - plain(x[k], *best)) ** 2))
        above = max(above, (found.objective[k] - theirs) / theirs)
        apart = max(apart, float(np.abs(ours_sd[k] / np.sqrt(np.diag(covariance)) - 1.0).max()))
    return f"objective above by {above:.1e} at most (aim 1e-6), errors apart by {apart:.1e}"


if __name__ == "__main__":
    gc.disable()
    for days in DAYS:
        compare("five parameters", days, attenuation5, five, FIVE)
        compare("four parameters", days, attenuation4, four, FOUR)
