"""Pasteurising units against published values and numerical integration."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from monitor.cellar import pasteurising as p
from monitor.cellar.caution import Hazard
from monitor.cellar.pasteurising import HeatRefusal, HeatRefusalReason, Hold
from monitor.errors import QuantityError

from .checks import Check

DEFINITION = (
    "Del Vecchio, Dayharsh & Baselt (1951): t 1.393^(T - 60), worked out apart (half a printed digit)"
)
Z7 = "the variant 10^((T - 60)/7), quoted second-hand (2 %: another z)"


def steady_pu(minutes: float, temperature_c: float) -> float:
    return p.pasteurising_units([0.0, minutes], [temperature_c, temperature_c])


CHECKS = [
    *(
        Check(partial(steady_pu, minutes, t), pu, 0.06, DEFINITION)
        for minutes, t, pu in (
            (15.0, 60.0, 15.0),
            (10.0, 65.0, 52.5),
            (20.0, 63.0, 54.1),
            (0.5, 70.0, 13.8),
            (0.5, 72.0, 26.7),
        )
    ),
    Check(partial(steady_pu, 10.0, 65.0), 51.8, 0.02 * 51.8, Z7),
    Check(
        lambda: math.log(10.0) / math.log(p.BASE_PER_K),
        6.947,
        5e-4,
        "z of the 1951 definition (printed digits)",
    ),
    Check(partial(p.units_per_minute, 60.0), 1.0, 1e-12, "one unit is one minute at 60 degC (by definition)"),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Units of steady holds are those of the published definition."""
    check.hold()


temperatures = st.floats(15.0, 80.0)


@given(st.lists(st.tuples(st.floats(0.1, 20.0), temperatures), min_size=2, max_size=6))
def test_histories_are_integrated_exactly(steps: list[tuple[float, float]]) -> None:
    """Between readings the units are the integral of the rate along a straight line, as scipy finds it."""
    times = np.cumsum([step for step, _ in steps])
    degrees = np.array([t for _, t in steps])
    expected = sum(
        quad(
            lambda minute, k=k: 1.393 ** (np.interp(minute, times[k : k + 2], degrees[k : k + 2]) - 60.0),
            times[k],
            times[k + 1],
        )[0]
        for k in range(len(steps) - 1)
    )
    assert p.pasteurising_units(times, degrees) == pytest.approx(expected, rel=1e-6)


@given(st.floats(1.0, 100.0), st.floats(58.0, 72.0))
def test_a_hold_reaches_its_target(target: float, temperature_c: float) -> None:
    """Held for the minutes worked out, a temperature makes the units asked for."""
    assert steady_pu(p.minutes_at(target, temperature_c), temperature_c) == pytest.approx(target)


@given(temperatures, st.floats(0.1, 10.0))
def test_warmer_does_more(temperature_c: float, warmer: float) -> None:
    """The rate rises with temperature."""
    assert p.units_per_minute(temperature_c + warmer) > p.units_per_minute(temperature_c)


def test_a_reading_between_changes_nothing() -> None:
    """One more reading on the same straight line leaves the units as they were."""
    two = p.pasteurising_units([0.0, 30.0], [20.0, 65.0])
    three = p.pasteurising_units([0.0, 10.0, 30.0], [20.0, 35.0, 65.0])
    assert three == pytest.approx(two, rel=1e-12)


def test_sealed_and_carbonated_is_refused() -> None:
    """3 volumes at 65 degC would be above 7 bar: no time is given, the pressure is."""
    result = p.hold(50.0, 65.0, sealed=True, dissolved_volumes=3.0)
    assert isinstance(result, HeatRefusal)
    assert result.reason is HeatRefusalReason.SEALED_AND_CARBONATED
    assert result.gauge_kpa > 700.0
    assert result.cautions[0].hazard is Hazard.PRESSURE


@pytest.mark.parametrize(("sealed", "volumes"), [(True, 0.86), (False, 3.0), (True, 1.0), (True, 0.0)])
def test_still_or_open_gets_a_time(sealed: bool, volumes: float) -> None:
    """Still bottles and open vessels get their minutes, and warnings; a sealed one hears of its pressure."""
    result = p.hold(50.0, 65.0, sealed=sealed, dissolved_volumes=volumes)
    assert isinstance(result, Hold)
    assert result.minutes == pytest.approx(9.53, abs=0.01)
    hazards = {caution.hazard for caution in result.cautions}
    assert {Hazard.PRESSURE, Hazard.HEAT, Hazard.ALCOHOL} <= hazards
    assert "Never heat anything carbonated in a sealed vessel" in result.cautions[0].text
    assert any("Even still, a full sealed bottle" in c.text for c in result.cautions) == sealed
    assert any("Stir the gas out" in c.text for c in result.cautions) == (volumes > 1.0)


def test_even_still_bottles_are_under_pressure_when_hot() -> None:
    """What an open ferment left dissolved presses with more than 1 bar at 65 degC, by Henry's law."""
    result = p.hold(50.0, 65.0, sealed=True, dissolved_volumes=0.86)
    assert isinstance(result, Hold)
    assert result.sealed_gauge_kpa == pytest.approx(150.0, abs=30.0)


@pytest.mark.parametrize(
    ("times", "degrees"),
    [
        ([0.0], [60.0]),
        ([0.0, 1.0], [60.0]),
        ([0.0, 0.0], [60.0, 60.0]),
        ([1.0, 0.0], [60.0, 60.0]),
        ([0.0, math.nan], [60.0, 60.0]),
        ([0.0, 1.0], [60.0, math.nan]),
        ([0.0, 1.0], [60.0, 140.0]),
    ],
)
def test_broken_histories_are_refused(times: list[float], degrees: list[float]) -> None:
    """Too few, unequal, unordered or impossible readings raise QuantityError."""
    with pytest.raises(QuantityError):
        p.pasteurising_units(times, degrees)


def test_useless_temperatures_are_refused() -> None:
    """Too cool to pasteurise and too hot to drink raise QuantityError that names the range."""
    for temperature_c in (50.0, 57.9, 72.1, 80.0):
        with pytest.raises(QuantityError, match="58 to 72 degC"):
            p.minutes_at(50.0, temperature_c)
