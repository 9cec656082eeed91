"""How long a refit takes beside scipy's curve_fit and lmfit, on the same data, model and optimum.

Run `python tests/bench/bench_fit.py`. Aims: a warm refit with covariance on hourly means at most 0.45 of a
warm
curve_fit and 0.05 of lmfit; a batch of 64 vessels at most 0.10 of a curve_fit each.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import lmfit
import numpy as np
from scipy.optimize import curve_fit

from monitor.ferment.curve import attenuation4, attenuation5, fit

VESSELS = 64
HOURS = 14 * 24
ROUNDS = 15


def five(x: np.ndarray, end: float, fall: float, log_rate: float, middle: float, log_s: float) -> np.ndarray:
    """The same shape as plain scipy and lmfit users write it."""
    s = np.exp(log_s)
    return end + fall * (1.0 + s * np.exp(np.exp(log_rate) * (x - middle))) ** (-1.0 / s)


def four(x: np.ndarray, start: float, end: float, rate: float, middle: float) -> np.ndarray:
    """The four-parameter logistic."""
    return end + (start - end) / (1.0 + np.exp(rate * (x - middle)))


def seconds(work: Callable[[], object]) -> float:
    """Best of several runs of work."""
    best = np.inf
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begin)
    return best


def compare(name: str, shape: Callable, plain: Callable, truth: np.ndarray) -> None:
    """Print the times and ratios of one model."""
    rng = np.random.default_rng(11)
    x = np.tile(np.arange(HOURS, dtype=np.float64), (VESSELS, 1))
    spread = 1.0 + 0.05 * rng.normal(size=(VESSELS, truth.size))
    y = shape(truth * spread, x)[0] + rng.normal(0.0, 0.4, x.shape)
    # warm: the optimum of the hour before
    before = fit(shape, x[:, :-1], y[:, :-1], np.tile(truth, (VESSELS, 1))).parameters
    one = slice(0, 1)
    ours = seconds(lambda: fit(shape, x[one], y[one], before[one]))
    batch = seconds(lambda: fit(shape, x, y, before)) / VESSELS
    scipy_s = seconds(lambda: curve_fit(plain, x[0], y[0], p0=before[0]))
    model = lmfit.Model(plain)
    names = model.param_names
    guess = dict(zip(names, before[0], strict=True))
    lmfit_s = seconds(lambda: model.fit(y[0], x=x[0], **guess))
    found = fit(shape, x, y, before)
    worst = 0.0
    for k in range(VESSELS):
        best = curve_fit(plain, x[k], y[k], p0=before[k])[0]
        theirs = float(np.sum((y[k] - plain(x[k], *best)) ** 2))
        worst = max(worst, (found.objective[k] - theirs) / theirs)
    print(
        f"{name}: ours {ours * 1e3:.3f} ms, batch {batch * 1e3:.3f} ms each,"
        f" curve_fit {scipy_s * 1e3:.3f} ms,"
    )
    print(f"  lmfit {lmfit_s * 1e3:.2f} ms; ours/curve_fit {ours / scipy_s:.2f} (aim 0.45), ours/lmfit")
    print(f"  {ours / lmfit_s:.3f} (aim 0.05), batch/curve_fit {batch / scipy_s:.3f} (aim 0.10);")
    print(f"  objective above scipy's by at most {worst:.1e} (aim 1e-6)")


if __name__ == "__main__":
    compare("five parameters", attenuation5, five, np.array([-2.0, 45.0, np.log(0.05), 70.0, np.log(1.6)]))
    compare("four parameters", attenuation4, four, np.array([42.0, -2.0, 0.06, 60.0]))
