"""The two malt models against values integrated from their published form."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.replay.kinetics_malt import MOLAR, TABLE, cell_rates, constants_at, three_sugar_rates

Follow = Callable[..., list[float]]


@pytest.mark.parametrize(
    ("celsius", "hours", "active", "lagging", "dead", "sugar", "ethanol"),
    [
        (12.0, 24, 2.7484, 0.3236, 0.1591, 117.4201, 10.1953),
        (12.0, 48, 4.3887, 0.0546, 0.3331, 86.9546, 28.7443),
        (12.0, 96, 3.8405, 0.0016, 0.4251, 14.2063, 51.4827),
        (8.0, 96, 2.4838, 0.0228, 0.0521, 27.7459, 33.6069),
        (16.0, 48, 8.4965, 0.0068, 4.2500, 50.4702, 56.3679),
        (16.0, 200, 0.0002, 0.0000, 0.0001, 22.8637, 60.7169),
    ],
)
def test_cells_keep_the_published_course(
    follow: Follow,
    celsius: float,
    hours: int,
    active: float,
    lagging: float,
    dead: float,
    sugar: float,
    ethanol: float,
) -> None:
    """De Andres-Toro et al. (1997) from 130 g/L, integrated with LSODA at a tolerance of 1e-10."""
    rates = cell_rates(1.0, 130.0, 0.47, 0.0, 1.0e9)
    state = follow(rates, [1.92, 0.08, 0.0, 2.0, 0.0, 0.0, 0.0, celsius, 130.0], hours, celsius)
    found = (state[1], state[0], state[3], state[8], state[4])
    assert found == pytest.approx((active, lagging, dead, sugar, ethanol), abs=2e-4)


@pytest.mark.parametrize(
    ("celsius", "hours", "expected"),
    [
        (12.0, 24, (24.707, 201.091, 37.141, 137.286)),
        (12.0, 72, (0.0, 156.900, 30.480, 155.118)),
        (12.0, 168, (0.0, 84.355, 19.236, 179.080)),
        (16.0, 72, (0.0, 102.638, 20.664, 173.606)),
    ],
)
def test_three_sugars_keep_the_published_course(
    follow: Follow, celsius: float, hours: int, expected: tuple[float, float, float, float]
) -> None:
    """Gee & Ramirez (1994) from 70, 220 and 40 mol/m3 with 125 of cells, integrated with LSODA."""
    start = [grams * molar / 1000.0 for grams, molar in zip((70.0, 220.0, 40.0), MOLAR, strict=True)]
    rates = three_sugar_rates(1.0, 0.47, 0.0, 1.0e9)
    state = follow(rates, [0.0, 125.0, 0.0, 0.0, 0.0, 0.0, 0.0, celsius, *start], hours, celsius)
    moles = [grams * 1000.0 / molar for grams, molar in zip(state[8:], MOLAR, strict=True)]
    assert (*moles, state[1]) == pytest.approx(expected, abs=2e-3)


def test_constants_meet_the_table_at_its_temperatures() -> None:
    """Between its temperatures the table is interpolated, at them it is itself."""
    for place, celsius in enumerate((4.0, 8.0, 12.0, 16.0)):
        assert constants_at(celsius) == pytest.approx({name: row[place] for name, row in TABLE.items()})
