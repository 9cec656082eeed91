"""How far the gravity has fallen since a batch was put to rest, with the knocks of its float taken out.

A float that was knocked hangs elsewhere from one bin to the next; a ferment falls on. So the line through the
rest may jump at a few places and turn down at one, whichever explains most first: a fall that set in late is
told from a knock by going on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.ferment.noise import Noise
from monitor.ferment.series import Floats
from monitor.ferment.window import LEAST_VAR, Window, outlier_variance, unchanged, whitened

LEAST_BINS: Final = 4
EARLY_HOURS: Final = 72.0
"""In so long a rest what settles at its beginning could pass for a fall."""
SETTLING_HOURS: Final = 9.0
"""Honey has mostly settled so many hours after those that the gauge leaves out already (assumed);"""
GOES_ON_Z: Final = 0.5
"""what falls on from then on, by so many standard errors, is a fall."""
BEND_Z: Final = 3.5
"""How sure a jump must be,"""
TURN_TOLL: Final = 1.05
"""and a turn by so much surer: what could be either is a knock until it goes on."""
JUMP_POINTS: Final = 0.8
MOST_JUMPS: Final = 3
"""A knock that came free again takes two."""
ROUNDS: Final = 4
DRIFT_PER_DAY: Final = 0.07
"""Standard deviation of a float's own drift, points a day: a point or so in weeks (common practice)."""
LEAST_WANDER: Final = 0.2
"""Points: how far a float wanders shows over days, and at first it may seem not to."""
CREEP, TEMPERATURE, POINTS = 1, 2, 3
"""Columns after the first, which is the level."""


@dataclass(frozen=True, slots=True)
class Fall:
    """Points fallen over the window, and its standard error by noise and drift; nan of too few bins."""

    points: float = math.nan
    se: float = math.nan


def fall(window: Window, noise: Noise, hours: float, coefficient: tuple[float, float]) -> Fall:
    """The fall over so many hours that the window spans.

    In its first days a fall must go on: some of it is left without the first hours, in which what was
    poured in settles, or else there has been none. `coefficient` is mean and sd of the float's temperature
    coefficient, points per degC.
    """
    whole = _fall(window, noise, hours, coefficient)
    if hours > EARLY_HOURS or math.isnan(whole.points):
        return whole
    later = window.last(hours - SETTLING_HOURS)
    after = _fall(later, noise, hours - SETTLING_HOURS, coefficient)
    return whole if after.points > GOES_ON_Z * after.se else after


def _fall(window: Window, noise: Noise, hours: float, coefficient: tuple[float, float]) -> Fall:
    if window.size < LEAST_BINS:
        return Fall()
    wander = max(noise.wander_points, LEAST_WANDER)
    course = _Course(window, replace(noise, wander_points=wander), coefficient)
    days = window.hours / 24.0
    after = np.arange(window.size)[:, None] >= np.arange(1, window.size)
    # jumps first, then turns; and what a point of each coefficient takes away over these hours
    bends = np.column_stack([after.astype(np.float64), after * (days[:, None] - days[:-1])])
    bend_takes = np.concatenate([np.zeros(window.size - 1), days[:-1]])
    is_jump = np.arange(bend_takes.size) < window.size - 1
    table = np.column_stack([np.ones(window.size), days, window.temperature_c, window.points])
    takes = [0.0, -hours / 24.0, 0.0]
    jumped, turned = 0, False
    beta, covariance, extra = course.line(table, np.zeros(window.size))
    # the first bend is looked for with no bin taken for an outlier: beyond it many would be
    weights = np.zeros(window.size)
    while True:
        size, z = course.beside(table, bends, weights)
        may_jump = is_jump & (np.abs(size) > JUMP_POINTS) & (jumped < MOST_JUMPS)
        may_turn = ~is_jump & (size < 0.0) & (not turned)
        sure = np.where(may_jump, z, np.where(may_turn, z / TURN_TOLL, 0.0))
        best = int(np.argmax(sure))
        if sure[best] < BEND_Z:
            break
        table = np.column_stack([table, bends[:, best]])
        takes.append(float(bend_takes[best]))
        if is_jump[best]:
            jumped += 1
        else:
            turned = True
        beta, covariance, extra = course.line(table, extra)
        weights = extra
    by = np.array(takes)
    se = math.sqrt(float(by @ covariance @ by))
    return Fall(float(by @ beta), math.hypot(se, DRIFT_PER_DAY * hours / 24.0))


@dataclass(frozen=True, slots=True)
class _Course:
    """What every line through one window shares."""

    window: Window
    noise: Noise
    coefficient: tuple[float, float]

    def _normal(self, white: Floats) -> tuple[Floats, Floats, Floats]:
        """The white columns but the data, the inverse of their Gram matrix, and their product with the data;
        the temperature coefficient's prior counted in."""
        mean, sd = self.coefficient
        by = np.delete(white, POINTS, axis=1)
        gram = by.T @ by
        gram[TEMPERATURE, TEMPERATURE] += sd**-2.0
        gram[CREEP, CREEP] += 1e-8
        pull = by.T @ white[:, POINTS]
        pull[TEMPERATURE] += mean * sd**-2.0
        return by, np.asarray(np.linalg.inv(gram), dtype=np.float64), pull

    def line(self, table: Floats, extra: Floats) -> tuple[Floats, Floats, Floats]:
        """Coefficients of all columns but the data, their covariance, and what outlying bins get added."""
        usual = self.window.white_var + self.noise.wander_points**2 + LEAST_VAR
        for _ in range(ROUNDS):
            white, _ = whitened(self.window, self.noise, table, extra)
            _, covariance, pull = self._normal(white)
            beta = covariance @ pull
            residual = self.window.points - np.delete(table, POINTS, axis=1) @ beta
            fresh = outlier_variance(residual, usual)
            if unchanged(fresh, extra):
                break
            extra = fresh
        return beta, covariance, extra

    def beside(self, table: Floats, columns: Floats, extra: Floats) -> tuple[Floats, Floats]:
        """Coefficient of each column, were it alone beside the table's, and how many errors that is."""
        width = table.shape[1]
        white, _ = whitened(self.window, self.noise, np.column_stack([table, columns]), extra)
        by, covariance, pull = self._normal(white[:, :width])
        more = white[:, width:]
        shared = by.T @ more
        own = np.einsum("ij,ij->j", more, more) - np.einsum("ij,ij->j", shared, covariance @ shared)
        own = np.maximum(own, 1e-9)
        pulled = more.T @ white[:, POINTS] - shared.T @ (covariance @ pull)
        return pulled / own, np.abs(pulled) / np.sqrt(own)
