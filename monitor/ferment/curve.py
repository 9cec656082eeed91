"""Attenuation curves and their fit: Levenberg-Marquardt with analytic derivatives, many vessels at once.

The shapes are published ones. A fit minimises sum(w (y - f(x))^2) + sum((p - prior)^2 * precision); the
second part, the prior rows, carries the days in which the data alone cannot say where a curve will end. Every
problem of a batch has its own damping and stops by itself; nothing here is ever given up: a fit that cannot
improve returns the best point it saw, and says how many rounds it took.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Shape = Callable[[Floats, Floats], tuple[Floats, Floats]]
"""(parameters (b, k), x (b, n)) to values (b, n) and derivatives (b, k, n)."""

MAX_ROUNDS: Final = 400
TOLERANCE: Final = 5e-7
"""A fit ends when the next step promises to lower the objective by a smaller share than this."""
_FIRST_DAMPING: Final = 1e-7
_MOST_DAMPING: Final = 1e14
_EXPONENT: Final = 300.0


def logistic(p: Floats, x: Floats) -> tuple[Floats, Floats]:
    """b1 / (1 + exp(b2 - b3 x)): the three-parameter logistic (Ratkowsky 1983)."""
    b1, b2, b3 = (p[:, i, None] for i in range(3))
    u = np.exp(np.minimum(b2 - b3 * x, _EXPONENT))
    f = 1.0 / (1.0 + u)
    slope = b1 * f * f * u
    return b1 * f, np.stack([f, -slope, slope * x], axis=1)


def richards(p: Floats, x: Floats) -> tuple[Floats, Floats]:
    """b1 / (1 + exp(b2 - b3 x))^(1/b4): the generalised logistic (Richards; Ratkowsky 1983)."""
    b1, b2, b3, b4 = (p[:, i, None] for i in range(4))
    b4 = np.where(np.abs(b4) < 1e-9, 1e-9, b4)
    u = np.exp(np.minimum(b2 - b3 * x, _EXPONENT))
    q = 1.0 + u
    f = np.exp(np.clip(-np.log(q) / b4, -_EXPONENT, _EXPONENT))
    slope = b1 * f * u / (q * b4)
    return b1 * f, np.stack([f, -slope, slope * x, b1 * f * np.log(q) / b4**2], axis=1)


def attenuation4(p: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Pe + (Pi - Pe) / (1 + exp(B (x - M))), p = (Pi, Pe, B, M): the four-parameter logistic of brewing
    (Speers, Rogers & Smith, J. Inst. Brew. 109 (2003) 229)."""
    start, end, rate, middle = (p[:, i, None] for i in range(4))
    away = x - middle
    u = np.exp(np.minimum(rate * away, _EXPONENT))
    f = 1.0 / (1.0 + u)
    slope = (start - end) * f * f * u
    jacobian = np.empty((*p.shape, x.shape[1]))
    jacobian[:, 0] = f
    jacobian[:, 1] = 1.0 - f
    jacobian[:, 2] = -slope * away
    jacobian[:, 3] = slope * rate
    return end + (start - end) * f, jacobian


def attenuation5(p: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Pe + D / (1 + s exp(B (x - M)))^(1/s), p = (Pe, D, ln B, M, ln s): its five-parameter extension.

    s = 1 is the four-parameter logistic; s -> 0 tends to Gompertz. The logarithms keep B and s positive.
    """
    end, fall, log_rate, middle, log_s = (p[:, i, None] for i in range(5))
    rate, s = np.exp(np.clip(log_rate, -30.0, 30.0)), np.exp(np.clip(log_s, -12.0, 12.0))
    arg = np.clip(rate * (x - middle), -_EXPONENT, _EXPONENT)
    u = np.exp(arg)
    q = 1.0 + s * u
    log_q = np.log(q)
    f = np.exp(-log_q / s)
    slope = -fall * f * u / q
    jacobian = np.empty((*p.shape, x.shape[1]))
    jacobian[:, 0] = 1.0
    jacobian[:, 1] = f
    jacobian[:, 2] = slope * arg
    jacobian[:, 3] = -slope * rate
    jacobian[:, 4] = fall * f * (log_q / s - u / q)
    return end + fall * f, jacobian


def gompertz(p: Floats, x: Floats) -> tuple[Floats, Floats]:
    """A exp(-exp(mu e (lam - x) / A + 1)), p = (A, mu, lam): Gompertz as in Zwietering et al. (1990)."""
    top, rate, lag = (p[:, i, None] for i in range(3))
    scaled = rate * np.e * (lag - x) / top
    inner = np.exp(np.minimum(scaled + 1.0, np.log(_EXPONENT)))
    value: Floats = top * np.exp(-inner)
    slope = -value * inner
    d_top = value / top - slope * scaled / top
    return value, np.stack([d_top, slope * scaled / rate, slope * rate * np.e / top], axis=1)


@dataclass(frozen=True, slots=True)
class Fit:
    """Fits of a batch: parameters (b, k), covariance (b, k, k) for unit residual variance, objective (b,)."""

    parameters: Floats
    covariance: Floats
    objective: Floats
    rounds: int

    def scaled_covariance(self, points: int) -> Floats:
        """Covariance with the residual variance estimated from the fit, as for unweighted data."""
        freedom = max(points - self.parameters.shape[1], 1)
        return np.asarray(self.covariance * (self.objective / freedom)[:, None, None])


@dataclass(frozen=True, slots=True)
class PriorRows:
    """Independent normal priors: mean (b, k) or (k,), precision (b, k) or (k,); precision 0 says nothing."""

    mean: Floats
    precision: Floats


def fit(
    shape: Shape,
    x: Floats,
    y: Floats,
    start: Floats,
    weights: Floats | None = None,
    prior: PriorRows | None = None,
    tolerance: float = TOLERANCE,
) -> Fit:
    """Least-squares fits of a batch of problems.

    `x`, `y`, `weights` are (b, n), `start` (b, k); one problem is a batch of one. Weights are reciprocal
    variances; a weight of 0 leaves a point out. Marquardt's scaled damping, lowered on success and raised on
    failure (Marquardt 1963); the objective never rises. A problem is done when a step promises to lower its
    objective by less than `tolerance`, relative.
    """
    p = np.array(start, dtype=np.float64)
    count = p.shape[0]
    damping = np.full(count, _FIRST_DAMPING)
    grow = np.full(count, 2.0)
    objective, gradient, hessian = _linearised(shape, x, y, weights, prior, p)
    left = np.arange(count)
    rounds = 0
    while rounds < MAX_ROUNDS:
        k: npt.NDArray[np.intp] | slice = slice(None) if left.size == count else left
        step, promise = _step(hessian[k], gradient[k], damping[k])
        # while the damping is high a small step only says that the damping is high
        open_ = ((promise > tolerance * objective[k]) | (damping[k] > 1.0)) & (damping[k] < _MOST_DAMPING)
        if not open_.all():
            left, step = left[open_], step[open_]
            if not left.size:
                break
            k = left
        rounds += 1
        tried = p[k] + step
        part = None if weights is None else weights[k]
        after = _linearised(shape, x[k], y[k], part, _part(prior, k), tried)
        better = after[0] <= objective[k]  # false for nan
        if better.all():
            p[k], objective[k], gradient[k], hessian[k] = tried, *after
            damping[k] /= 9.0
            grow[k] = 2.0
            continue
        good, bad = left[better], left[~better]
        p[good] = tried[better]
        objective[good], gradient[good], hessian[good] = (values[better] for values in after)
        damping[good] /= 9.0
        grow[good] = 2.0
        damping[bad] *= grow[bad]
        grow[bad] *= 2.0
    return Fit(p, _inverse(hessian), objective, rounds)


def _step(hessian: Floats, gradient: Floats, damping: Floats) -> tuple[Floats, Floats]:
    """The damped step, and by how much it should lower the objective."""
    diagonal = np.einsum("bii->bi", hessian)
    scale = 1.0 / np.sqrt(np.maximum(diagonal, 1e-300))
    even = hessian * (scale[:, :, None] * scale[:, None, :])
    np.einsum("bii->bi", even)[...] = 1.0 + np.maximum(damping, 1e-13)[:, None]
    step = np.linalg.solve(even, (gradient * scale)[:, :, None])[:, :, 0] * scale
    return step, (step * gradient).sum(axis=1)


def _inverse(hessian: Floats) -> Floats:
    """Inverse of each matrix, scaled first; the pseudo-inverse where one cannot be inverted."""
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("bii->bi", hessian), 1e-300))
    both = scale[:, :, None] * scale[:, None, :]
    try:
        return np.asarray(np.linalg.inv(hessian * both) * both, dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(hessian * both, hermitian=True) * both, dtype=np.float64)


def _part(prior: PriorRows | None, k: npt.NDArray[np.intp] | slice) -> PriorRows | None:
    if prior is None or prior.mean.ndim < 2:
        return prior
    return PriorRows(prior.mean[k], prior.precision[k])


def _linearised(
    shape: Shape, x: Floats, y: Floats, w: Floats | None, prior: PriorRows | None, p: Floats
) -> tuple[Floats, Floats, Floats]:
    """Objective (b,), its descent J'Wr (b, k) and Gauss-Newton matrix (b, k, k) at p."""
    value, jacobian = shape(p, x)
    residual = (y - value)[:, :, None]
    if w is None:
        objective = np.matmul(residual.swapaxes(1, 2), residual)[:, 0, 0]
        gradient = np.matmul(jacobian, residual)[:, :, 0]
        hessian = np.matmul(jacobian, jacobian.swapaxes(1, 2))
    else:
        weighted = jacobian * w[:, None, :]
        objective = np.matmul(residual.swapaxes(1, 2) * w[:, None, :], residual)[:, 0, 0]
        gradient = np.matmul(weighted, residual)[:, :, 0]
        hessian = np.matmul(weighted, jacobian.swapaxes(1, 2))
    if prior is not None:
        away = prior.mean - p
        pull = prior.precision * away
        objective = objective + np.sum(pull * away, axis=-1)
        gradient = gradient + pull
        np.einsum("bii->bi", hessian)[...] += prior.precision
    return objective, gradient, hessian
