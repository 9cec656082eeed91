"""Rows kept once for each difference give what whole arrays would."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.tune.spread import Spread, merged, spread, together

SEEDS = st.integers(0, 2**32 - 1)


def a_spread(rng: np.random.Generator, sets: int, different: int, moments: int) -> Spread:
    """Rows with some booleans the same by chance."""
    return Spread(rng.integers(0, different, sets), rng.normal(size=(different, moments)).round(1))


def whole(one: Spread) -> np.ndarray:
    """The array that it stands for."""
    return one.rows[one.codes]


@settings(max_examples=40)
@given(SEEDS)
def test_arithmetic_is_that_of_whole_arrays(seed: int) -> None:
    """Between spreads, arrays over moments and numbers, to the last bit."""
    rng = np.random.default_rng(seed)
    sets, moments = int(rng.integers(1, 60)), int(rng.integers(1, 9))
    a = a_spread(rng, sets, int(rng.integers(1, 9)), moments)
    b = a_spread(rng, sets, int(rng.integers(1, 9)), 1)
    plain = rng.normal(size=moments)
    wide = np.broadcast_to(whole(b), (sets, moments))
    assert np.array_equal(whole(a * b + plain), whole(a) * wide + plain)
    flags = (plain - 0.5 * a > -b) | ~(a < 0.3) & (plain > 0.0)
    assert np.array_equal(whole(flags), (plain - 0.5 * whole(a) > -wide) | ~(whole(a) < 0.3) & (plain > 0.0))
    assert np.array_equal(whole(np.fmax(a, b)), np.fmax(whole(a), wide))
    assert np.array_equal(whole(np.where(a > b, plain, b)), np.where(whole(a) > wide, plain, wide))
    assert np.array_equal(
        whole(np.clip(plain, b, b + 1.0)), np.clip(np.tile(plain, (sets, 1)), wide, wide + 1.0)
    )


def test_rows_of_booleans_that_are_the_same_are_kept_once() -> None:
    """Six values of a threshold that compare alike are two rows."""
    values = Spread(np.arange(6), np.arange(6.0)[:, None])
    flags = values > np.array([2.5, 2.5])
    assert len(flags.rows) == 2
    assert flags.codes.tolist() == [0, 0, 0, 1, 1, 1]
    assert np.array_equal(merged(np.array([1, 0]), np.array([[True], [False]])).codes, [1, 0])


@pytest.mark.parametrize("sizes", [(3, 4), (40, 50), (1, 5), (5, 1)])
def test_combinations_are_those_that_occur(sizes: tuple[int, int]) -> None:
    """Whether there are few of them or many."""
    rng = np.random.default_rng(7)
    codes = [rng.integers(0, size, 90) for size in sizes]
    joint, taken = together(codes, list(sizes))
    for code, index in zip(codes, taken, strict=True):
        assert np.array_equal(index[joint], code)
    assert len(taken[0]) == len({*zip(*(code.tolist() for code in codes), strict=True)}) or 1 in sizes


def test_a_branch_on_many_sets_is_refused() -> None:
    """It would be true for some and false for others."""
    with pytest.raises(TypeError, match="neither true nor false"):
        bool(spread(np.array([True]), 3))
    with pytest.raises(TypeError):
        np.median(spread(np.array([1.0]), 3))
    with pytest.raises(TypeError):
        np.add.reduce(Spread(np.zeros(2, dtype=np.int64), np.ones((1, 3))))
