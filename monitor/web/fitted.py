"""The attenuation curve through what was measured so far, for the chart."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.curve import PriorRows, attenuation5, fit
from monitor.ferment.evidence import Evidence
from monitor.ferment.outlook import NINETY
from monitor.units import MS_PER_HOUR, POINTS_PER_SG

LEAST_POINTS: Final = 24
LEAST_FALL: Final = 6.0
"""Gravity points; before that a curve says nothing."""
LEVEL_SD: Final = 0.8
"""Points by which a float's hourly level strays from any smooth curve (common practice)."""
MOST_MISFIT: Final = 2.0
"""Points, root mean square; what misses by more has not followed one curve, and none is drawn."""
STEPS: Final = 96
_BROAD: Final = np.array([0.0, 30.0, 1.5, 200.0, 1.0])
"""Spread of fall, log rate, middle and log shape about their first guesses; the end has the forecast's."""

Floats = NDArray[np.float64]


def fitted_curve(
    times_ms: NDArray[np.int64], level_sg: Floats, evidence: Evidence
) -> tuple[NDArray[np.int64], Floats, Floats, Floats] | None:
    """Times, curve and its 5th and 95th percentile in gravity points, up to the evidence's moment.

    `level_sg` is the robust level, corrected. The curve begins where sugar was added last; its end leans on
    the forecast's. None where there is too little to fit, or where it has not followed one curve.
    """
    if not (math.isfinite(evidence.final_p50) and evidence.fallen_points >= LEAST_FALL):
        return None
    since_ms = evidence.at_ms - round(evidence.epoch_hours * MS_PER_HOUR)
    shown = times_ms >= since_ms
    if int(shown.sum()) < LEAST_POINTS:
        return None
    hours = (times_ms[shown] - since_ms) / MS_PER_HOUR
    points = (level_sg[shown] - 1.0) * POINTS_PER_SG
    guess = _guess(hours, points, evidence.final_p50)
    spread = _BROAD.copy()
    spread[0] = max(0.3, (evidence.final_p95 - evidence.final_p05) / (2 * NINETY))
    weights = np.full((1, len(hours)), LEVEL_SD**-2)
    prior = PriorRows(guess, spread**-2.0)
    found = fit(attenuation5, hours[None], points[None], guess[None], weights, prior)
    misfit = attenuation5(found.parameters, hours[None])[0][0] - points
    if float(np.sqrt(np.mean(misfit**2))) > MOST_MISFIT:
        return None
    at = np.linspace(hours[0], (evidence.at_ms - since_ms) / MS_PER_HOUR, STEPS)
    curve, slope = attenuation5(found.parameters, at[None])
    sd = np.sqrt(np.einsum("kn,kl,ln->n", slope[0], found.covariance[0], slope[0]))
    moments = since_ms + (at * MS_PER_HOUR).astype(np.int64)
    return moments, curve[0], curve[0] - NINETY * sd, curve[0] + NINETY * sd


def _guess(hours: Floats, points: Floats, end: float) -> Floats:
    fall = max(float(points[:6].mean()) - end, LEAST_FALL)
    below = np.flatnonzero(points <= end + fall / 2.0)
    middle = float(hours[below[0]]) if len(below) else float(hours[-1])
    rate = 4.0 / max(12.0, middle)
    return np.array([end, fall, math.log(rate), middle, 0.0])
