"""The mechanism against the published models it is made of, and against the balance of mass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose

from monitor.must.density import ethanol_water_density_kg_m3, sucrose_density_kg_m3
from monitor.replay.kinetics import (
    WATER_KG_M3,
    Deed,
    Strain,
    Sugar,
    Wort,
    extract_for,
    gravity_of,
    integrate,
    pace_at,
    rates_of,
)

Follow = Callable[..., list[float]]

# Cramer, Vlassides & Block (2002) with one published-style set of constants (its 0.3 is grams of ethanol,
# 0.47 the yield); what this project adds to it is switched off: nobody sleeps, starves, settles or heats
BARE = Strain(
    growth=0.16, growth_half_g_l=0.0, uptake=0.3 / 0.47, lag_h=1.0, coldest_c=0.74, best_c=32.8,
    hottest_c=45.9, ethanol_limit_g_l=1000.0, limit_power=0.0, death_per_g_h=1.0e-4, turnover=0.0,
    sleeps_below_c=-50.0, settle=0.0,
)  # fmt: skip


def still(hours: float, celsius: float = 20.0) -> np.ndarray:
    """A room that stays as it is."""
    return np.full(int(hours * 4) + 1, celsius)


@pytest.mark.parametrize(
    ("start", "hours", "expected"),
    [
        ((240.0, 0.30), 24.0, (7.7450, 0.0554, 14.5487, 209.0454)),
        ((240.0, 0.30), 96.0, (5.1265, 0.0, 112.7999, 0.0003)),
        ((240.0, 0.08), 96.0, (2.0739, 0.0, 58.4149, 115.7131)),
        ((104.0, 0.15), 24.0, (4.8210, 0.0001, 11.4950, 79.5425)),
        ((104.0, 0.05), 96.0, (1.4851, 0.0, 36.1917, 26.9965)),
    ],
)
def test_the_nitrogen_limited_model_keeps_its_published_course(
    follow: Follow, start: tuple[float, float], hours: float, expected: tuple[float, float, float, float]
) -> None:
    """Cells, nitrogen, ethanol, sugar of the published form, by LSODA at a tolerance of 1e-10."""
    sugar, nitrogen = start
    wort = Wort((Sugar(sugar, 1.0, 10.0),), 0.0, nitrogen, 0.2, ethanol_yield=0.47, glycerol_yield=0.0)
    state = follow(
        rates_of(BARE, wort, 1.0e9, 0.0), [0.0, 0.2, 0.0, nitrogen, 1.0, 0.0, 0.0, 20.0, sugar], hours, 20.0
    )
    assert (state[1], state[3], state[5], state[8]) == pytest.approx(expected, abs=2e-3)


def test_pace_follows_the_cardinal_temperatures() -> None:
    """Growth of strain 1 of Salvado et al. (2011): 0.0779 at 10, 0.2718 at 20, 0.4369 at 30 degC."""
    assert pace_at(BARE, 20.0) == 1.0
    assert pace_at(BARE, 10.0) == pytest.approx(0.0779 / 0.2718, rel=2e-3)
    assert pace_at(BARE, 30.0) == pytest.approx(0.4369 / 0.2718, rel=2e-3)
    assert pace_at(BARE, 0.5) == 0.0
    assert pace_at(BARE, 46.0) == 0.0


@pytest.mark.parametrize("grams", [20.0, 60.0, 104.0, 180.0])
def test_gravity_of_sugar_agrees_with_the_sugar_tables(grams: float) -> None:
    """Within 0.8 points of the ICUMSA sucrose polynomial: glucose and fructose are that close to sucrose."""
    zero = np.zeros(1)
    density = 998.2 * float(gravity_of(np.array([grams]), zero, zero, 0.0)[0])
    fraction = grams / density
    assert density == pytest.approx(float(sucrose_density_kg_m3(fraction)), abs=0.8)


@pytest.mark.parametrize("grams", [20.0, 50.0, 100.0])
def test_gravity_of_ethanol_agrees_with_the_alcohol_tables(grams: float) -> None:
    """Within 0.6 points of OIML R 22."""
    zero = np.zeros(1)
    density = 998.2 * float(gravity_of(zero, np.array([grams]), zero, 0.0)[0])
    assert density == pytest.approx(float(ethanol_water_density_kg_m3(grams / density)), abs=0.6)


def test_extract_and_gravity_undo_each_other() -> None:
    """The must that is asked for is the must that is made."""
    zero = np.zeros(1)
    extract = np.array([extract_for(1.043, 0.7)])
    assert float(gravity_of(extract, zero, zero, 0.7)[0]) == pytest.approx(1.043, abs=1e-12)


def test_a_healthy_ferment_ends_where_its_sugar_ends() -> None:
    """Gravity never rises, and meets the attainable gravity, which does not move."""
    wort = Wort((Sugar(45.0), Sugar(50.0, 0.8, 6.0, 30.0)), 8.0, 0.2, 0.3)
    course = integrate(wort, Strain(), still(30 * 24), (), cooling_h=12.0, start_c=20.0)
    assert np.all(np.diff(course.gravity_sg) <= 1e-9)
    assert course.gravity_sg[-1] == pytest.approx(course.attainable_sg[-1], abs=3e-5)
    assert_allclose(course.attainable_sg, course.attainable_sg[0], atol=3e-5)


def test_the_ferment_warms_itself() -> None:
    """The liquid is warmer than a still room while it works, and takes the room's temperature after."""
    wort = Wort((Sugar(100.0),), 8.0, 0.2, 0.3)
    course = integrate(wort, Strain(), still(30 * 24), (), cooling_h=12.0, start_c=20.0)
    assert 20.5 < course.temperature_c.max() < 26.0
    assert course.temperature_c[-1] == pytest.approx(20.0, abs=0.01)


def test_cold_puts_the_yeast_to_sleep_and_warmth_wakes_it() -> None:
    """Nothing falls in the cold; after it the ferment goes on to its end."""
    wort = Wort((Sugar(100.0),), 8.0, 0.2, 0.3)
    room = still(40 * 24)
    room[4 * 60 : 4 * 180] = 2.0
    course = integrate(wort, Strain(), room, (), cooling_h=8.0, start_c=20.0)
    in_cold = slice(2 * 110, 2 * 170)
    assert np.ptp(course.gravity_sg[in_cold]) < 2e-4
    assert course.gravity_sg[2 * 170] > course.attainable_sg[-1] + 0.005
    assert course.gravity_sg[-1] == pytest.approx(course.attainable_sg[-1], abs=2e-3)


def test_sugar_added_raises_gravity_and_what_it_can_reach() -> None:
    """20 g/L of sugar are 7.7 points more at once, and alcohol lowers what can be reached."""
    wort = Wort((Sugar(60.0),), 8.0, 0.2, 0.3)
    deeds = (Deed(100.0, "sugar", 20.0),)
    course = integrate(wort, Strain(), still(400), deeds, cooling_h=12.0, start_c=20.0)
    step = int(np.searchsorted(course.hours, 100.0))
    rise = 1000.0 * float(course.gravity_sg[step + 1] - course.gravity_sg[step])
    assert rise == pytest.approx(20.0 * 385.0 / WATER_KG_M3, abs=0.6)
    assert course.attainable_sg[-1] < course.attainable_sg[0]


def test_an_unknown_deed_is_refused() -> None:
    """A deed that does not exist is a mistake of the caller, and is named."""
    with pytest.raises(ValueError, match="sing"):
        integrate(
            Wort((Sugar(60.0),), 8.0, 0.2, 0.3), Strain(), still(10), (Deed(1.0, "sing", 1.0),),
            cooling_h=12.0, start_c=20.0,
        )  # fmt: skip
