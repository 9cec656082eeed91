"""The network that was shown simulated ferments and their ends."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment import lookback, network
from monitor.ferment.network import Answers, Network

KNOWN = lookback.Known(white_points=0.4, expected_points=-1.0, expected_sd=1.8, alcohol_room_abv=8.0)


def odds(points: np.ndarray) -> float:
    """What the kept network says of hourly points at 20 degC."""
    found = network.asked(points, np.full(points.size, 20.0), KNOWN)
    assert found is not None
    return found.log_odds


def said(log_odds: float) -> Answers:
    """An answer about what is left, and anything about the time."""
    return Answers(log_odds, 10.0, 20.0, 40.0)


def test_two_layers_by_hand() -> None:
    """Weights, SiLU and bias give what pencil and paper give; networks side by side are averaged."""
    two = Network(
        mean=np.array([1.0, 0.0]),
        spread=np.array([2.0, 1.0]),
        weights=(
            np.array([[[1.0, 1.0]], [[2.0, 0.0]]], dtype=np.float32),
            np.array([[[3.0], [0.0], [0.0], [0.0]], [[1.0], [0.0], [0.0], [0.0]]], dtype=np.float32),
        ),
        biases=(
            np.array([[0.5], [0.0]], dtype=np.float32),
            np.array([[-1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 5.0, 4.0]], dtype=np.float32),
        ),
    )
    # scaled: (3 - 1) / 2 = 1 and 0.5; first: 1 + 0.5 + 0.5 = 2, second: 2; SiLU(2) = 2 / (1 + e^-2)
    silu = 2.0 / (1.0 + math.exp(-2.0))
    found = two.answers(np.array([3.0, 0.5]))
    assert found.log_odds == pytest.approx(((3.0 * silu - 1.0) + (silu + 1.0)) / 2.0, rel=1e-6)
    # their answers about time are logarithms, and put in order
    assert found.hours_p05 == pytest.approx(math.exp(2.0))
    assert (found.hours_p50, found.hours_p95) == (pytest.approx(math.exp(4.0)), pytest.approx(math.exp(4.0)))


def test_the_kept_network_reads_the_figures() -> None:
    """Its first layer takes as many figures as are worked out."""
    kept = network.network()
    assert kept.mean.size == kept.spread.size == kept.weights[0].shape[2] == lookback.COUNT
    assert np.all(kept.spread > 0.0)


def test_what_falls_is_unfinished_and_what_has_long_stood_is_not() -> None:
    """Three points a day with twenty to go; and at rest for eight days where the must should end."""
    assert odds(42.0 - 3.0 * np.arange(168) / 24.0) > 3.0
    ended = np.concatenate([np.linspace(42.0, -1.0, 200), np.full(192, -1.0)])
    assert odds(ended) < -3.0


def test_a_week_more_at_rest_makes_it_surer() -> None:
    """The same end, looked at one day and six days after it."""
    fall = np.linspace(42.0, 0.0, 240)
    assert odds(np.concatenate([fall, np.zeros(144)])) < odds(np.concatenate([fall, np.zeros(24)]))


@given(unfinished=st.floats(0.0, 1.0), log_odds=st.floats(-20.0, 20.0))
def test_a_pool_lies_between(unfinished: float, log_odds: float) -> None:
    """What is pooled lies between the two opinions, and is a probability."""
    other = 1.0 / (1.0 + math.exp(-log_odds))
    pooled = network.pooled(unfinished, said(log_odds))
    assert min(unfinished, other) - 1e-5 <= pooled <= max(unfinished, other) + 1e-5


def test_equal_opinions_stay() -> None:
    """Two that say one in ten say one in ten together."""
    assert network.pooled(0.1, said(math.log(0.1 / 0.9))) == pytest.approx(0.1)


def test_where_one_has_no_opinion_the_other_is_not_put_in_its_place() -> None:
    """Without the network the precedents' word stands; without precedents there is none."""
    assert network.pooled(0.3, None) == 0.3
    assert math.isnan(network.pooled(math.nan, said(-3.0)))
    assert network.asked(np.full(60, np.nan), np.full(60, 20.0), KNOWN) is None
