"""The attenuation curve that the chart draws through what was measured."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.ferment.evidence import Evidence
from monitor.units import MS_PER_HOUR
from monitor.web.fitted import fitted_curve

NOW_H = 240
HOURS = np.arange(0, NOW_H)
TIMES = (HOURS * MS_PER_HOUR).astype(np.int64)
TRUE = -1.0 + 51.0 / (1.0 + np.exp(0.05 * (HOURS - 70.0)))
"""The four-parameter logistic of brewing (Speers, Rogers & Smith, J. Inst. Brew. 109 (2003) 229)."""


def evidence_of(**values: float) -> Evidence:
    given = {"final_p05": -3.0, "final_p50": -1.0, "final_p95": 1.0}
    given |= {"fallen_points": 50.0, "epoch_hours": 240.0}
    return Evidence(NOW_H * MS_PER_HOUR, **{**given, **values})


def noisy(points: np.ndarray, sd: float = 0.5) -> np.ndarray:
    return 1.0 + (points + np.random.default_rng(4).normal(0.0, sd, len(points))) / 1000.0


def test_a_known_curve_is_found_again() -> None:
    """Half a point of noise leaves the curve within half a point of the truth, and the truth in its band."""
    found = fitted_curve(TIMES, noisy(TRUE), evidence_of())
    assert found is not None
    times, middle, low, high = found
    truth = np.interp(times, TIMES, TRUE)
    assert np.abs(middle - truth).max() < 0.5
    assert np.mean((low <= truth) & (truth <= high)) > 0.8
    assert np.all((low <= middle) & (middle <= high))


def test_the_curve_begins_where_sugar_went_in() -> None:
    """After an addition only what came since is one curve."""
    fed = np.where(HOURS < 100, TRUE, -1.0 + 71.0 / (1.0 + np.exp(0.05 * (HOURS - 150.0))))
    found = fitted_curve(TIMES, noisy(fed), evidence_of(epoch_hours=140.0))
    assert found is not None
    assert found[0][0] >= 100 * MS_PER_HOUR
    assert fitted_curve(TIMES, noisy(fed), evidence_of()) is None  # not one curve


@pytest.mark.parametrize(
    ("name", "value"),
    [("final_p50", math.nan), ("fallen_points", 2.0), ("fallen_points", math.nan), ("epoch_hours", 10.0)],
)
def test_too_little_gives_no_curve(name: str, value: float) -> None:
    """Without a forecast, a fall, or hours enough since the last sugar nothing is drawn."""
    assert fitted_curve(TIMES, noisy(TRUE), evidence_of(**{name: value})) is None
