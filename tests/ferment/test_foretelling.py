"""Hours to the end by the kept tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.event import Reading
from monitor.ferment.evidence import Evidence, FitSettings
from monitor.ferment.foretelling import QUANTILES, hours_left, kept
from monitor.ferment.gauge import Gauge
from monitor.ferment.premise import Must, MustKind, Premise
from monitor.ferment.shape import TRAITS
from monitor.ferment.tables import Tables
from monitor.units import MS_PER_HOUR, Quantity

PITCHED_MS = 500_000 * MS_PER_HOUR
PREMISE = Premise(PITCHED_MS, Must(MustKind.HONEY, 1.080))


def flat(log_hours: float) -> Tables:
    """Tables that say the same of everything."""
    return Tables(log_hours, np.zeros((1, 1), dtype=np.int64), np.zeros((1, 1)), np.zeros((1, 2)))


def test_kept_tables_are_of_these_traits() -> None:
    """Three quantiles, whose questions are about traits that there are."""
    assert len(kept()) == len(QUANTILES)
    for tables in kept():
        assert tables.trait.max() < len(TRAITS)
        assert tables.value.shape[1] == 2 ** tables.trait.shape[1]


def test_hours_are_the_tables_powers_of_e() -> None:
    """Sums are logarithms of hours."""
    nothing = np.zeros(len(TRAITS))
    assert hours_left(nothing, (flat(1.0), flat(3.0), flat(4.0))) == pytest.approx(
        (math.e, math.e**3, math.e**4)
    )


def test_where_quantiles_cross_the_middle_is_believed() -> None:
    """An early 95 % and a late 5 % give way to the middle."""
    low, middle, high = hours_left(np.zeros(len(TRAITS)), (flat(4.0), flat(3.0), flat(2.0)))
    assert middle == pytest.approx(math.e**3)
    assert low < middle < high


@given(st.lists(st.floats(-200.0, 1000.0) | st.just(math.nan), min_size=len(TRAITS), max_size=len(TRAITS)))
def test_any_traits_give_hours_in_order(traits: list[float]) -> None:
    """However odd the traits, hours are finite, positive and in order."""
    low, middle, high = hours_left(np.array(traits))
    assert 0.0 < low < middle < high < 24.0 * 400.0


def looked(hours: int, admitted: int, per_day: float, noise_seed: int) -> Evidence:
    """The evidence at an hour, of a fall of which so many hourly readings were admitted."""
    rng = np.random.default_rng(noise_seed)
    gauge = Gauge(PREMISE, FitSettings())
    noise = rng.normal(0.0, 0.0005, 400)
    for hour in range(admitted):
        at_ms = PITCHED_MS + hour * MS_PER_HOUR + 1
        fallen = per_day * max(hour - 20, 0) / 24.0
        value = 1.0 + 0.080 * math.exp(-fallen / 60.0) + noise[hour]
        gauge.admit(Reading("float", Quantity.GRAVITY, at_ms, value, at_ms))
        gauge.admit(Reading("float", Quantity.TEMPERATURE, at_ms, 20.0 + hour / 200.0, at_ms))
    return gauge.measure(PITCHED_MS + hours * MS_PER_HOUR)


@given(st.integers(60, 200), st.integers(1, 150), st.floats(4.0, 20.0), st.integers(0, 99))
def test_nothing_later_than_now_is_looked_at(hours: int, more: int, per_day: float, seed: int) -> None:
    """Readings measured after the moment change no figure of the forecast."""
    now = looked(hours, hours, per_day, seed)
    later = looked(hours, hours + more, per_day, seed)
    for name in ("end_hours_p05", "end_hours_p50", "end_hours_p95", "final_p50"):
        assert getattr(now, name) == pytest.approx(getattr(later, name), nan_ok=True)


def test_a_slower_fall_ends_later() -> None:
    """Half done at half the pace takes longer to the end."""
    fast, slow = looked(120, 120, 12.0, 1), looked(220, 220, 6.0, 1)
    assert slow.end_hours_p50 > fast.end_hours_p50
