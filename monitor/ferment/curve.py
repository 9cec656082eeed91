"""Attenuation curves and their fit: Levenberg-Marquardt with analytic derivatives, many vessels at once.

The shapes are published ones. A fit minimises sum(w (y - f(x))^2) + sum((p - prior)^2 * precision); the
second part, the prior rows, carries the days in which the data alone cannot say where a curve will end. Every
problem of a batch has its own damping and stops by itself; nothing here is ever given up: a fit that cannot
improve returns the best point it saw, and says how many rounds it took.

Shapes write their derivatives and values into rows that the fit keeps, so that one product of matrices gives
everything a step needs. A single problem and a batch are the same algorithm written twice: over a few hundred
points the cost of one fit lies in the number of calls, that of a batch in the memory it walks through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

Floats = npt.NDArray[np.float64]


class Shape(Protocol):
    """Parameters (k,) and x (n,), or those of a batch, (b, k) and (b, n), to values and derivatives.

    Values are (n,) or (b, n), derivatives (k, n) or (b, k, n). Both are views of `rows`, where given an array
    (k + 1, n) or (k + 1, b, n) to write into: derivatives first, values last.
    """

    def __call__(self, p: Floats, x: Floats, rows: Floats | None = None, /) -> tuple[Floats, Floats]: ...


MAX_ROUNDS: Final = 400
TOLERANCE: Final = 5e-7
"""A fit ends when the next step promises to lower the objective by a smaller share than this."""
_FIRST_DAMPING: Final = 1e-7
_MOST_DAMPING: Final = 1e14
_EXPONENT: Final = 300.0
_MOST_LOG: Final = np.array([30.0, 12.0])
"""Of rate and shape, either way."""
_LEAST_DAMPING: Final = 1e-13
_LEAST: Final = 1e-9
"""What stands in for a parameter of nought that is divided by."""
_LEAST_SQUARE: Final = 1e-200
"""Least sum of squared derivatives: what is below it has no say."""
_LEAST_SHARE: Final = 1e-12
"""Least eigenvalue of a scaled matrix when inverted."""
_MOST: Final = float(np.finfo(np.float64).max)
_PORTION: Final = 131_072
"""How many numbers the rows of a batch hold at once: a megabyte stays in most processors' second cache."""


def logistic(p: Floats, x: Floats, rows: Floats | None = None, /) -> tuple[Floats, Floats]:
    """b1 / (1 + exp(b2 - b3 x)): the three-parameter logistic (Ratkowsky 1983)."""
    b1, b2, b3 = _columns(p)
    rows = _rows(p, x) if rows is None else rows
    by_1, by_2, by_3, value = rows
    u = np.exp(np.minimum(b2 - b3 * x, _EXPONENT))
    np.reciprocal(1.0 + u, out=by_1)
    np.multiply(b1, by_1, out=value)
    np.multiply(value, by_1 - 1.0, out=by_2)
    np.multiply(by_2, -x, out=by_3)
    return rows[-1], _by_problem(rows[:-1])


def richards(p: Floats, x: Floats, rows: Floats | None = None, /) -> tuple[Floats, Floats]:
    """b1 / (1 + exp(b2 - b3 x))^(1/b4): the generalised logistic (Richards; Ratkowsky 1983)."""
    b1, b2, b3, b4 = _columns(p)
    b4 = _nonzero(b4)
    rows = _rows(p, x) if rows is None else rows
    by_1, by_2, by_3, by_4, value = rows
    u = np.exp(np.minimum(b2 - b3 * x, _EXPONENT))
    q = 1.0 + u
    log_f = np.log(q) / -b4
    np.exp(np.clip(log_f, -_EXPONENT, _EXPONENT), out=by_1)
    np.multiply(b1, by_1, out=value)
    np.divide(value * u, -b4 * q, out=by_2)
    np.multiply(by_2, -x, out=by_3)
    np.multiply(value, log_f / -b4, out=by_4)
    return rows[-1], _by_problem(rows[:-1])


def attenuation4(p: Floats, x: Floats, rows: Floats | None = None, /) -> tuple[Floats, Floats]:
    """Pe + (Pi - Pe) / (1 + exp(B (x - M))), p = (Pi, Pe, B, M): the four-parameter logistic of brewing
    (Speers, Rogers & Smith, J. Inst. Brew. 109 (2003) 229)."""
    start, end, rate, middle = _columns(p)
    rows = _rows(p, x) if rows is None else rows
    by_start, by_end, by_rate, by_middle, value = rows
    # each row is worked out in place; what it holds on the way has the first name
    away = np.subtract(middle, x, out=by_rate)
    u = np.multiply(away, -rate, out=by_start)
    np.exp(np.minimum(u, _EXPONENT, out=u), out=u)
    by_start += 1.0
    np.reciprocal(by_start, out=by_start)
    np.subtract(1.0, by_start, out=by_end)
    np.multiply(start - end, by_start, out=value)
    slope = np.multiply(value, by_end, out=by_middle)
    by_rate *= slope
    by_middle *= rate
    value += end
    return rows[-1], _by_problem(rows[:-1])


def attenuation5(p: Floats, x: Floats, rows: Floats | None = None, /) -> tuple[Floats, Floats]:
    """Pe + D / (1 + s exp(B (x - M)))^(1/s), p = (Pe, D, ln B, M, ln s): its five-parameter extension.

    s = 1 is the four-parameter logistic; s -> 0 tends to Gompertz. The logarithms keep B and s positive.
    """
    end, fall, _, middle, _ = _columns(p)
    # B and s, kept from overflow; their logarithms are every second parameter from the third on
    minus_rate, minus_s = _columns(-np.exp(np.maximum(np.minimum(p[..., 2::2], _MOST_LOG), -_MOST_LOG)))
    rows = _rows(p, x) if rows is None else rows
    by_end, by_fall, by_rate, by_middle, by_s, value = rows
    # each row is worked out in place; what it holds on the way has the first name
    away = np.subtract(middle, x, out=by_rate)
    u = np.multiply(away, minus_rate, out=by_middle)
    np.exp(np.minimum(u, _EXPONENT, out=u), out=u)
    q = np.multiply(u, minus_s, out=by_s)
    np.subtract(1.0, q, out=q)
    u /= q
    log_f = np.log(q, out=by_s)
    log_f /= minus_s
    np.exp(log_f, out=by_fall)
    fallen = np.multiply(by_fall, -fall, out=value)
    by_s += u
    by_s *= fallen
    by_middle *= fallen
    by_middle *= minus_rate
    by_rate *= by_middle
    np.subtract(end, fallen, out=value)
    by_end.fill(1.0)
    return rows[-1], _by_problem(rows[:-1])


def gompertz(p: Floats, x: Floats, rows: Floats | None = None, /) -> tuple[Floats, Floats]:
    """A exp(-exp(mu e (lam - x) / A + 1)), p = (A, mu, lam): Gompertz as in Zwietering et al. (1990)."""
    top, rate, lag = _columns(p)
    top = _nonzero(top)
    rows = _rows(p, x) if rows is None else rows
    by_top, by_rate, by_lag, value = rows
    pace = np.e * (lag - x) / top
    scaled = rate * pace
    inner = np.exp(np.minimum(scaled + 1.0, np.log(_EXPONENT)))
    share = np.exp(-inner)
    np.multiply(top, share, out=value)
    slope = -value * inner
    np.subtract(share, slope * scaled / top, out=by_top)
    np.multiply(slope, pace, out=by_rate)
    np.multiply(slope, rate * np.e / top, out=by_lag)
    return rows[-1], _by_problem(rows[:-1])


def _columns(p: Floats) -> list[Floats]:
    """Each parameter as something to be combined with x."""
    if p.ndim == 1:
        return [p[i, ...] for i in range(p.size)]
    return [p[:, i, None] for i in range(p.shape[1])]


def _rows(p: Floats, x: Floats) -> Floats:
    """Room for the derivatives and the values."""
    return np.empty((p.shape[-1] + 1, *x.shape))


def _by_problem(rows: Floats) -> Floats:
    """Rows as matrices, (k, n) or (b, k, n)."""
    return rows if rows.ndim == 2 else rows.swapaxes(0, 1)


def _nonzero(parameter: Floats) -> Floats:
    return np.where(np.abs(parameter) < _LEAST, _LEAST, parameter)


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
    objective by less than `tolerance`, relative. What is finite gives a finite answer: a parameter the data
    say nothing of keeps its start, with a variance as large as they come.
    """
    p = np.array(start, dtype=np.float64)
    root = None if weights is None else np.sqrt(weights)
    mean = None if prior is None else np.broadcast_to(prior.mean, p.shape)
    precision = None if prior is None else np.broadcast_to(prior.precision, p.shape)
    data = _Data(shape, x, y, root, mean, precision)
    with np.errstate(all="ignore"):
        if len(p) == 1:
            return _alone(data.part(0), p[0], tolerance)
        return _together(data, p, tolerance)


@dataclass(frozen=True, slots=True)
class _Data:
    """What is fitted: of a batch, (b, n) and (b, k), or of one problem, (n,) and (k,)."""

    shape: Shape
    x: Floats
    y: Floats
    root_weights: Floats | None
    mean: Floats | None
    precision: Floats | None

    def part(self, at: int | slice | npt.NDArray[np.intp]) -> _Data:
        """These problems of the batch."""
        root = None if self.root_weights is None else self.root_weights[at]
        mean = None if self.mean is None else self.mean[at]
        precision = None if self.precision is None else self.precision[at]
        return _Data(self.shape, self.x[at], self.y[at], root, mean, precision)

    def linearised(self, p: Floats, rows: Floats) -> tuple[Floats, Floats]:
        """Objective and normal equations at p: Gauss-Newton matrix and, as last column, descent J'Wr."""
        value, jacobian = self.shape(p, self.x, rows)
        residual = np.subtract(self.y, value, out=value)
        if self.root_weights is not None:
            rows *= self.root_weights
        objective: Floats = np.vecdot(residual, residual)
        # derivatives by all rows: a product of an array with itself would take a slower way
        normal = np.matmul(jacobian, _by_problem(rows).swapaxes(-1, -2))
        if self.mean is not None and self.precision is not None:
            away = self.mean - p
            pull = self.precision * away
            objective = objective + np.vecdot(pull, away)
            normal[..., -1] += pull
            _diagonal(normal)[...] += self.precision
        return objective, normal


def _diagonal(normal: Floats) -> Floats:
    """The diagonal of the square part, to be read and written."""
    *batch, k, width = normal.shape
    return normal.reshape(*batch, k * width)[..., :: width + 1]


def _alone(data: _Data, p: Floats, tolerance: float) -> Fit:
    """The fit of one problem, given as a batch of one."""
    rows = _rows(p, data.x)
    objective, normal = data.linearised(p, rows)
    if not math.isfinite(objective + normal.sum()):
        objective, normal = np.nan_to_num(objective, nan=_MOST), np.zeros_like(normal)
    damping, grow, rounds = _FIRST_DAMPING, 2.0, 0
    while rounds < MAX_ROUNDS and damping < _MOST_DAMPING:
        damped = normal.copy()
        diagonal = damped.ravel()[:: p.size + 2]
        diagonal += diagonal * damping + _LEAST_SQUARE
        _, step, failed = lapack.dposv(damped[:, :-1], damped[:, -1])
        better = False
        if not failed:
            # while the damping is high a small step only says that the damping is high
            if damping <= 1.0 and not step.dot(normal[:, -1]) > tolerance * objective:
                break
            tried = p + step
            after, normal_there = data.linearised(tried, rows)
            better = bool(after <= objective) and math.isfinite(normal_there.sum())
        rounds += 1
        if better:
            p, objective, normal = tried, after, normal_there
            damping, grow = max(damping / 9.0, _LEAST_DAMPING), 2.0
        else:
            damping, grow = damping * grow, grow * 2.0
    _, covariance, failed = lapack.dposv(normal[:, :-1], np.eye(p.size))
    if failed or not math.isfinite(covariance.sum()):
        covariance = _bounded_inverse(normal[:, :-1])
    return Fit(p[None], covariance[None], np.array([objective]), rounds)


def _together(data: _Data, p: Floats, tolerance: float) -> Fit:
    """The fits of a batch, in the steps of `_alone`."""
    count = len(p)
    objective, normal = _linearised(data, p)
    lost = ~np.isfinite(objective + normal.sum(axis=(1, 2)))
    objective[lost], normal[lost] = np.nan_to_num(objective[lost], nan=_MOST), 0.0
    damping, grow = np.full(count, _FIRST_DAMPING), np.full(count, 2.0)
    left, rounds = np.arange(count), 0
    while rounds < MAX_ROUNDS:
        step = _steps(normal[left], damping[left])
        promise = np.vecdot(step, normal[left, :, -1])
        open_ = ((promise > tolerance * objective[left]) | (damping[left] > 1.0)) & (
            damping[left] < _MOST_DAMPING
        )
        left, step = left[open_], step[open_]
        if not left.size:
            break
        rounds += 1
        tried = p[left] + step
        rest = data if left.size == count else data.part(left)
        after, normal_there = _linearised(rest, tried)
        better = (after <= objective[left]) & np.isfinite(normal_there.sum(axis=(1, 2)))
        good, bad = left[better], left[~better]
        p[good], objective[good], normal[good] = tried[better], after[better], normal_there[better]
        damping[good], grow[good] = np.maximum(damping[good] / 9.0, _LEAST_DAMPING), 2.0
        damping[bad] *= grow[bad]
        grow[bad] *= 2.0
    return Fit(p, _inverses(normal[:, :, :-1]), objective, rounds)


def _linearised(data: _Data, p: Floats) -> tuple[Floats, Floats]:
    """Objectives and normal equations of a batch, worked out in portions that stay in the cache."""
    (count, k), n = p.shape, data.x.shape[1]
    objective, normal = np.empty(count), np.empty((count, k, k + 1))
    size = max(1, min(count, _PORTION // max((k + 1) * n, 1)))
    room = np.empty((k + 1) * size * n)
    for first in range(0, count, size):
        at = slice(first, min(first + size, count))
        taken = at.stop - first
        # the last portion may be smaller: its rows too lie side by side
        rows = room[: (k + 1) * taken * n].reshape(k + 1, taken, n)
        objective[at], normal[at] = data.part(at).linearised(p[at], rows)
    return objective, normal


def _steps(normal: Floats, damping: Floats) -> Floats:
    """The damped step of each problem; scaled first, so that no matrix is singular."""
    diagonal = _diagonal(normal)
    scale = 1.0 / np.sqrt(np.maximum(diagonal, _LEAST_SQUARE))
    normal *= scale[:, :, None]
    normal[:, :, :-1] *= scale[:, None, :]
    diagonal[...] = 1.0 + damping[:, None]
    step: Floats = np.linalg.solve(normal[:, :, :-1], normal[:, :, -1:])[:, :, 0] * scale
    return step


def _inverses(matrices: Floats) -> Floats:
    """The inverse of each matrix."""
    try:
        found = np.asarray(np.linalg.inv(matrices), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.array([_bounded_inverse(matrix) for matrix in matrices])
    sound = np.isfinite(found.sum(axis=(1, 2))) & (np.einsum("bii->bi", found) > 0.0).all(axis=1)
    for k in np.flatnonzero(~sound):
        found[k] = _bounded_inverse(matrices[k])
    return found


def _bounded_inverse(matrix: Floats) -> Floats:
    """The inverse of a matrix that has none: what is not known gets a large variance, not an infinite one."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), _LEAST_SQUARE))
    values, vectors = np.linalg.eigh(matrix * np.outer(scale, scale))
    half: Floats = vectors * scale[:, None] / np.sqrt(np.maximum(values, _LEAST_SHARE))
    return half @ half.T
