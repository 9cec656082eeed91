"""The course so far, as figures for the network."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment import lookback
from monitor.ferment.lookback import BINS, COUNT, EDGES, FINE, Known
from monitor.ferment.premise import MustKind

KNOWN = Known(white_points=0.5, expected_points=-1.0, expected_sd=1.8, alcohol_room_abv=8.0)
GAP, ROOM, ROOM_UNKNOWN = 3 * BINS + FINE + 2, 3 * BINS + FINE + 12, 3 * BINS + FINE + 13


def falling(hours: int, per_day: float = 2.0, start: float = 42.0) -> np.ndarray:
    """A straight fall by the hour."""
    return start - per_day * np.arange(hours) / 24.0


def warm(hours: int) -> np.ndarray:
    """Twenty degrees throughout."""
    return np.full(hours, 20.0)


def test_a_straight_fall_stands_in_its_bins() -> None:
    """Each bin holds how far its middle lies above the level now, by hand: 2 points a day."""
    found = lookback.figures(falling(480), warm(480), KNOWN)
    assert found is not None
    # the level is the median of the last twelve hours: 5.5 hours before the last one
    middles = (EDGES[:-1] + EDGES[1:] - 1) / 2.0
    reached = EDGES[1:] <= 480
    above = np.sinh(found[:BINS])
    assert above[reached] == pytest.approx((2.0 / 24.0 * (middles - 5.5))[reached])
    assert np.all(above[EDGES[:-1] >= 480] == 0.0)
    assert found[BINS + FINE : 2 * BINS + FINE] == pytest.approx((EDGES[:-1] < 480).astype(float))


def test_the_gap_is_to_where_it_should_end() -> None:
    """The level less the expected end, in fives."""
    found = lookback.figures(np.full(100, 6.0), warm(100), KNOWN)
    assert found is not None
    assert found[GAP] == pytest.approx((6.0 - -1.0) / 5.0)


def test_what_is_not_known_is_said_to_be() -> None:
    """Without the yeast's tolerance the room reads nothing, and a figure of its own says so."""
    found = lookback.figures(falling(100), warm(100), replace(KNOWN, alcohol_room_abv=float("nan")))
    assert found is not None
    assert (found[ROOM], found[ROOM_UNKNOWN]) == (0.0, 1.0)
    known = lookback.figures(falling(100), warm(100), KNOWN)
    assert known is not None
    assert (known[ROOM], known[ROOM_UNKNOWN]) == (pytest.approx(8.0 / 3.0), 0.0)


def test_the_kind_of_must_is_told_apart() -> None:
    """One of the last three figures stands for each kind that is told apart, none for another."""
    flags = []
    for kind in (*lookback.KINDS, MustKind.SUGAR, None):
        found = lookback.figures(falling(100), warm(100), replace(KNOWN, kind=kind))
        assert found is not None
        flags.append(found[-3:].tolist())
    assert flags == [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0] * 3, [0.0] * 3]


def test_silence_gives_nothing() -> None:
    """Two days without a reading leave nothing to look back from."""
    points = falling(200)
    points[-46:] = np.nan
    assert lookback.figures(points, warm(200), KNOWN) is None


@given(
    hours=st.integers(4, 1500),
    seed=st.integers(0, 1000),
    silent=st.floats(0.0, 0.9),
    no_temperature=st.booleans(),
)
def test_figures_are_finite_whatever_was_heard(
    hours: int, seed: int, silent: float, no_temperature: bool
) -> None:
    """Any readings, however few, give the same number of finite figures, or none."""
    rng = np.random.default_rng(seed)
    points = falling(hours) + rng.normal(0.0, 3.0, hours)
    points[rng.random(hours) < silent] = np.nan
    celsius = np.full(hours, np.nan) if no_temperature else warm(hours)
    found = lookback.figures(points, celsius, KNOWN)
    if found is not None:
        assert found.shape == (COUNT,)
        assert np.isfinite(found).all()


@given(shift=st.floats(-30.0, 30.0))
def test_only_differences_count(shift: float) -> None:
    """A float that reads so much higher, beside an end expected so much higher, says the same."""
    points = 30.0 * np.exp(-np.arange(300) / 60.0)
    here = lookback.figures(points, warm(300), KNOWN)
    there = lookback.figures(
        points + shift, warm(300), replace(KNOWN, expected_points=KNOWN.expected_points + shift)
    )
    assert here is not None
    assert there == pytest.approx(here, abs=1e-6)
