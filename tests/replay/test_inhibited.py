"""Three inhibited sugars against the published models, the balance of mass, and common sense."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from monitor.replay.inhibited import (
    Carboy,
    Course,
    DeedKind,
    Must,
    Yeast,
    borne,
    follow,
    taken,
    work_at,
)
from monitor.replay.kinetics import Deed
from monitor.replay.kinetics_malt import GROWTH_PER_MOL

MUST = Must(gravity_points=43.0, sugars_g_l=(45.0, 45.0, 6.0), nitrogen_g_l=0.15, points_per_g=0.462)
YEAST = Yeast(
    pitched_g_l=0.3, readiness=0.2, growth=0.16, cells_per_nitrogen=25.0, coldest_c=3.0, best_c=31.0,
    hottest_c=42.0, uptakes=(0.4, 0.35, 0.5), halves_g_l=(2.0, 5.0, 40.0), first_holds_g_l=60.0,
    second_holds_g_l=30.0, q10=2.1, ethanol_limit_g_l=120.0, limit_power=1.0, death_per_g=3.0e-5,
    settle=1.0e-3, sleeps_below_c=6.0, wake_h=12.0,
)  # fmt: skip
HEXOSE_TO_ETHANOL = 2.0 * 46.068 / 180.156
"""Gay-Lussac: 0.5114 g of ethanol from a gram of hexose, and no more."""


def still(days: float, celsius: float = 20.0) -> Carboy:
    """A room that stays as it is."""
    return Carboy(np.full(int(days * 96) + 1, celsius), cooling_h=10.0)


def done_h(course: Course) -> float:
    """When nine tenths of the fall are done."""
    fallen = course.points[0] - course.points
    return float(course.hours[np.argmax(fallen >= 0.9 * (course.points[0] - course.attainable_points[0]))])


@pytest.fixture(scope="module")
def ordinary() -> Course:
    """A session mead in a still room."""
    return follow(MUST, YEAST, still(30.0))


@pytest.mark.parametrize(
    ("hours", "expected"),
    [
        (24.0, (24.707, 201.091, 37.141, 137.286)),
        (72.0, (0.0, 156.900, 30.480, 155.118)),
        (168.0, (0.0, 84.355, 19.236, 179.080)),
    ],
)
def test_uptake_keeps_the_published_course(hours: float, expected: tuple[float, ...]) -> None:
    """Gee & Ramirez (1994) at 12 degC from 70, 220 and 40 mol/m3 with 125 of cells, by LSODA."""
    published = replace(
        YEAST, uptakes=(0.015, 0.028, 0.130), halves_g_l=(1.8, 610.0, 4460.0), first_holds_g_l=240.0,
        second_holds_g_l=8010.0,
    )  # fmt: skip

    def rates(state: np.ndarray) -> np.ndarray:
        speeds = np.array(taken(published, np.maximum(state[:3], 0.0).tolist()))
        return state[3] * np.append(-speeds, speeds @ GROWTH_PER_MOL)

    state, step = np.array([70.0, 220.0, 40.0, 125.0]), 0.05
    for _ in range(round(hours / step)):
        # Heun
        first = rates(state)
        state = state + step / 2.0 * (first + rates(state + step * first))
    assert tuple(state) == pytest.approx(expected, abs=5e-3)


def test_warmth_speeds_uptake_as_published() -> None:
    """Sixfold from 11 to 35 degC (Coleman, Fish & Block 2007), where neither cold nor heat hinders."""
    yeast = replace(YEAST, q10=6.0 ** (10.0 / 24.0))
    assert work_at(yeast, 20.0) == pytest.approx(1.0)
    assert work_at(yeast, 29.0) / work_at(yeast, 11.0) == pytest.approx(6.0 ** (18.0 / 24.0), rel=1e-3)
    assert work_at(yeast, 3.0) < 0.01
    assert work_at(yeast, 41.0) == 0.0


def test_alcohol_is_borne_to_its_limit() -> None:
    """Levenspiel's law with a power of one is a straight line down to nothing."""
    assert [borne(YEAST, ethanol) for ethanol in (0.0, 60.0, 120.0, 130.0)] == [1.0, 0.5, 0.0, 0.0]


def test_sugar_becomes_the_alcohol_that_it_can(ordinary: Course) -> None:
    """Balling's gram from 2.0665, at every hour, which is less than the reaction could give."""
    gone = sum(MUST.sugars_g_l) - ordinary.sugars_g_l.sum(axis=1)
    assert ordinary.ethanol_g_l == pytest.approx(gone / 2.0665, abs=1e-9)
    assert ordinary.ethanol_g_l[-1] < HEXOSE_TO_ETHANOL * gone[-1]
    assert ordinary.points[0] - ordinary.points == pytest.approx(MUST.points_per_g * gone, abs=1e-9)


def test_an_ordinary_ferment_falls_to_what_it_can_reach(ordinary: Course) -> None:
    """Never up, never below, and at its end within a tenth of a point."""
    assert np.all(np.diff(ordinary.points) <= 0.0)
    assert ordinary.sugars_g_l.min() >= 0.0
    above = ordinary.points - ordinary.attainable_points
    assert 0.0 <= above.min() == above[-1] < 0.1


def test_the_later_sugars_wait(ordinary: Course) -> None:
    """When half of the first is gone, less of the second is, and least of the third."""
    shares = ordinary.sugars_g_l[np.argmax(ordinary.sugars_g_l[:, 0] < 22.5)] / np.array(MUST.sugars_g_l)
    assert shares[0] < shares[1] < shares[2]


def test_the_ferment_warms_itself(ordinary: Course) -> None:
    """Warmer than the room at its fastest, by less than all of its heat at once, and not at its end."""
    assert 20.5 < ordinary.temperature_c.max() < 20.0 + 0.14 * 96.0
    assert ordinary.temperature_c[-1] == pytest.approx(20.0, abs=0.02)


def test_colder_is_slower_and_coldest_stands() -> None:
    """At 15 degC it takes longer than at 20 degC; below its threshold the yeast sleeps."""
    warm, cool, cold = (follow(MUST, YEAST, still(20.0, celsius)) for celsius in (20.0, 15.0, 1.0))
    assert done_h(cool) > 1.3 * done_h(warm)
    assert np.ptp(cold.points[10 * 96 :]) < 0.1
    assert cold.points[-1] > 40.0


def test_hunger_is_slower() -> None:
    """With a third of the nitrogen there are fewer cells for the same sugar."""
    hungry = follow(replace(MUST, nitrogen_g_l=0.05), YEAST, still(30.0))
    assert done_h(hungry) > 1.3 * done_h(follow(MUST, YEAST, still(30.0)))


def fed(*deeds: Deed) -> Course:
    """Eight days of the ordinary must with these deeds."""
    return follow(MUST, YEAST, still(8.0), deeds)


def lift(deeds: Sequence[Deed]) -> float:
    """What these deeds add to the attainable gravity."""
    attainable = fed(*deeds).attainable_points
    return float(attainable[-1] - attainable[0])


def test_sugar_lifts_gravity_by_its_points_and_sinks_the_attainable() -> None:
    """20 g/L are 7.7 points more at once, and go on to 1.5 points less than before."""
    sugar = Deed(96.0, DeedKind.SUGAR, 20.0)
    assert lift([sugar]) == pytest.approx(20.0 * (0.385 - MUST.points_per_g))
    course = fed(sugar)
    dissolved = course.points + MUST.points_per_g * 2.0665 * course.ethanol_g_l
    assert dissolved[-1] - dissolved[0] == pytest.approx(7.7)


def test_racking_and_stabilising_slow_and_stop() -> None:
    """With a quarter of the cells it is slower; stabilised, nothing moves any more."""
    racked = fed(Deed(60.0, DeedKind.RACK, 0.25))
    assert done_h(racked) > done_h(fed())
    stopped = fed(Deed(60.0, DeedKind.STABILISE, 0.0))
    assert np.ptp(stopped.points[240:]) == 0.0


def test_nutrient_and_yeast_help_the_hungry() -> None:
    """What is starved goes faster once it is fed, and faster still with fresh cells."""
    starved = replace(MUST, nitrogen_g_l=0.02)
    nutrient, yeast = Deed(72.0, DeedKind.NUTRIENT, 0.1), Deed(72.0, DeedKind.YEAST, 0.4)
    left = [
        follow(starved, YEAST, still(8.0), deeds).points[-1] for deeds in ((), (nutrient,), (nutrient, yeast))
    ]
    assert left[0] > left[1] > left[2]


def test_a_restart_has_the_pace_asked_for() -> None:
    """A point a day of what was sweetened, once the cells are ready: half of the sugar is the first one."""
    deeds = (Deed(480.0, DeedKind.SUGAR, 30.0), Deed(480.0, DeedKind.RESTART, 1.0))
    course = follow(MUST, YEAST, still(40.0), deeds)
    used = MUST.points_per_g * 2.0665 * course.ethanol_g_l[4 * 480 :]
    assert 0.4 < float((used[96:] - used[:-96]).max()) < 2.5
