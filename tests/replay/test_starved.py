"""The mechanism against the published models it is made of, and against the balance of mass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.replay.kinetics import Deed, pace_at
from monitor.replay.starved import (
    CARDINAL,
    ETHANOL_YIELD,
    STEP_H,
    STEPS_PER_HOUR,
    Fall,
    Must,
    Room,
    Yeast,
    death_pace,
    first_hour,
    follow,
    stalls_of,
    survivors,
    tail_hours,
    uptake_pace,
)

MUST = Must(start_points=40.0, attainable_points=-3.0, sugar_g_l=93.0, nitrogen_g_l=0.12)
YEAST = Yeast(
    growth=0.13, cells_per_nitrogen=22.0, uptake=0.22, first_half_g_l=8.0, second_share=0.1,
    second_half_g_l=12.0, second_time_h=33.0, repressed_at_g_l=6.0, ethanol_limit_g_l=110.0, limit_power=0.8,
    death_per_g_h=2.0e-5, waning=0.0007, pitch_g_l=0.25, readiness=0.15, sleeps_below_c=11.0,
)  # fmt: skip


def still(days: float, celsius: float = 20.0) -> Room:
    """A room that stays as it is, and a carboy that takes its warmth within the hour."""
    return Room(np.full(int(days * 24 / STEP_H) + 1, celsius), 2.0 * STEP_H, celsius)


def gone_by(fall: Fall, share: float) -> float | None:
    """The hour at which this share of the sugar is gone."""
    return first_hour(fall.left_points <= (1.0 - share) * fall.left_points[0])


@pytest.mark.parametrize(
    ("sugar", "nitrogen", "half_h", "all_h"),
    [(240.0, 0.30, 40.18, 71.16), (104.0, 0.15, 34.41, 65.89), (104.0, 0.05, 64.39, 167.48)],
)
def test_bare_of_what_is_added_it_keeps_the_published_times(
    sugar: float, nitrogen: float, half_h: float, all_h: float
) -> None:
    """Half and 99 % gone by Cramer, Vlassides & Block (2002), by LSODA at 1e-10; within 3 %."""
    bare = replace(
        YEAST, growth=0.16, cells_per_nitrogen=31.0, uptake=0.3 / 0.47, first_half_g_l=10.0, second_share=0.0,
        ethanol_limit_g_l=1.0e9, death_per_g_h=1.0e-4, waning=0.0, pitch_g_l=0.2, readiness=1.0e6,
    )  # fmt: skip
    fall = follow(Must(90.0, 0.0, sugar, nitrogen), bare, still(10))
    assert gone_by(fall, 0.5) == pytest.approx(half_h, rel=0.03)
    assert gone_by(fall, 0.99) == pytest.approx(all_h, rel=0.03)


def test_pace_follows_the_published_temperatures() -> None:
    """Coleman, Fish & Block (2007): from 11 to 35 degC uptake six times, death at least thirteen times.

    Growth lies between the two strains of Salvado et al. (2011): 0.0779 to 0.2718 and 0.0334 to 0.1829 from
    10 to 20 degC.
    """
    assert uptake_pace(35.0) / uptake_pace(11.0) == pytest.approx(6.0, rel=0.01)
    assert death_pace(25.0) / death_pace(11.0) == pytest.approx(13.0 ** (14.0 / 24.0), rel=0.01)
    assert death_pace(35.0) / death_pace(11.0) > 13.0
    assert 0.0334 / 0.1829 < pace_at(CARDINAL, 10.0) < 0.0779 / 0.2718
    assert uptake_pace(20.0) == death_pace(20.0) == pace_at(CARDINAL, 20.0) == 1.0


def test_ethanol_is_the_sugar_gone_and_below_what_chemistry_allows() -> None:
    """A mole of hexose, 180.16 g, gives at most two of ethanol, 46.07 g (Gay-Lussac); cells want some."""
    fall = follow(MUST, YEAST, still(20))
    gone = np.array([MUST.sugar_g_l - state.first - state.second for state in fall.states])
    ethanol = np.array([state.ethanol for state in fall.states])
    assert np.allclose(ethanol, ETHANOL_YIELD * gone, atol=1e-9)
    assert ETHANOL_YIELD < 2.0 * 46.07 / 180.16


def test_cells_are_the_nitrogen_gone() -> None:
    """Where nothing dies, what grew is what the nitrogen taken up gives."""
    immortal = replace(YEAST, death_per_g_h=0.0)
    for state in follow(MUST, immortal, still(10)).states[::50]:
        grown = immortal.cells_per_nitrogen * (MUST.nitrogen_g_l - state.nitrogen)
        assert state.cells - immortal.pitch_g_l == pytest.approx(grown, abs=1e-9)


@pytest.mark.parametrize("celsius", [5.0, 20.0, 40.0])
def test_no_sugar_and_no_share_leaves_its_bounds(celsius: float) -> None:
    """Sugars, nitrogen and cells are never negative, shares between none and all; gravity never rises."""
    fall = follow(MUST, YEAST, still(20, celsius))
    states = np.array(fall.states)
    assert states.min() >= 0.0
    assert all(0.0 <= share <= 1.0 for state in fall.states for share in (state.able, state.awake))
    assert np.all(np.diff(fall.points) <= 0.0)


def test_an_ordinary_ferment_falls_to_what_it_can_reach() -> None:
    """From the must's gravity to its end, within a fifth of a point; at the last the rate is the fall."""
    fall = follow(MUST, YEAST, still(25))
    assert fall.points[0] == pytest.approx(MUST.start_points)
    assert fall.points[-1] == pytest.approx(MUST.attainable_points, abs=0.2)
    assert fall.rate[:-1].sum() * STEP_H / 24.0 == pytest.approx(fall.points[0] - fall.points[-1])
    assert not stalls_of(fall)


def test_the_lag_is_the_published_one() -> None:
    """Baranyi & Roberts (1994): cells grow by (1 + q exp(mu t)) / (1 + q) where nothing is short."""
    plenty, hour = replace(MUST, nitrogen_g_l=100.0), 40
    for readiness in (0.004, 0.15, 10.0):
        yeast = replace(YEAST, readiness=readiness, ethanol_limit_g_l=1.0e9, death_per_g_h=0.0)
        grown = follow(plenty, yeast, still(2)).states[hour * STEPS_PER_HOUR].cells / yeast.pitch_g_l
        expected = (1.0 + readiness * np.exp(yeast.growth * hour)) / (1.0 + readiness)
        assert grown == pytest.approx(expected, rel=0.1)


def test_colder_is_slower() -> None:
    """Half is gone later by every three degrees."""
    halves = [gone_by(follow(MUST, YEAST, still(20, celsius)), 0.5) for celsius in (23.0, 20.0, 17.0, 14.0)]
    assert None not in halves
    assert halves == sorted(halves)


def test_the_second_sugar_waits_for_the_first() -> None:
    """With half of the first gone most of the second is there, but for repression it would have gone before.

    Its end has the time constant that the yeast is given, and somewhat longer, as cells wane and die.
    """
    left = []
    for yeast in (YEAST, replace(YEAST, repressed_at_g_l=1.0e9)):
        states = np.array(follow(MUST, yeast, still(25)).states)
        first, second = states[:, 1], states[:, 2]
        left.append(second[np.argmax(first < 0.5 * first[0])] / second[0])
        late = int(np.argmax(second < 1.0))
        if yeast is YEAST:
            time_h = -YEAST.second_time_h / np.log(second[late + 33 * STEPS_PER_HOUR] / second[late])
            assert 33.0 < time_h < 50.0
    assert left[0] > 0.7
    assert left[1] < 0.1


def test_tail_hours_are_those_of_a_line() -> None:
    """Five points at half a point a day take ten days, of which six have two points and more to go."""
    hours = np.arange(0.0, 480.0, STEP_H)
    left = np.interp(hours, (0.0, 48.0, 288.0), (43.0, 5.0, 0.0))
    rate = np.where(hours < 48.0, 19.0, np.where(hours < 288.0, 0.5, 0.0))
    assert tail_hours(Fall(MUST, (), rate, left, np.full(hours.size, 20.0))) == pytest.approx(144.0, abs=1.0)


def test_the_heat_is_that_of_the_sugar() -> None:
    """A carboy that loses none warms by 100 kJ a mole in 4.0 kJ/(L K): 93 g/L by 12.9 K."""
    closed = replace(still(25, 15.0), cooling_h=1.0e9)
    fall = follow(MUST, YEAST, closed)
    gone = MUST.sugar_g_l * (1.0 - fall.left_points[-1] / fall.left_points[0])
    assert fall.temperature_c[-1] - 15.0 == pytest.approx(gone * 100.0 / 180.16 / 4.0, rel=0.005)


def test_cold_puts_it_to_sleep_and_warmth_wakes_it() -> None:
    """It stalls in a cold week, and goes to its end after it."""
    room = still(40)
    room.air_c[60 * STEPS_PER_HOUR : 228 * STEPS_PER_HOUR] = 6.0
    fall = follow(MUST, YEAST, room)
    ((from_h, until_h),) = stalls_of(fall)
    assert 60.0 < from_h < 120.0
    assert 216.0 < until_h < 300.0
    assert fall.points[-1] == pytest.approx(MUST.attainable_points, abs=0.3)


def test_starved_yeast_wanes_and_nutrient_brings_it_back() -> None:
    """What stalls for want of nitrogen goes on once it is fed, for as long as it does not starve again."""
    starved, waning = replace(MUST, nitrogen_g_l=0.03), replace(YEAST, waning=0.03)
    hungry = follow(starved, waning, still(30))
    fed = follow(starved, waning, still(30), [Deed(400.0, "nutrient", 0.1)])
    at = 400 * STEPS_PER_HOUR
    assert hungry.states[at].able < 0.03
    assert max(state.able for state in fed.states[at:]) > 0.3
    ((from_h, until_h),) = stalls_of(hungry)
    assert from_h < 200.0
    assert until_h == hungry.hours[-1]
    assert stalls_of(fed)[0][1] == pytest.approx(400.0, abs=24.0)
    assert hungry.points[-1] - fed.points[-1] > 5.0


def test_deeds_are_done_at_their_hour() -> None:
    """Sugar lifts the gravity by its points, racking takes cells; nobody sings."""
    deeds = [Deed(60.0, "sugar", 10.0), Deed(70.0, "rack", 0.6)]
    fall = follow(MUST, YEAST, still(5), deeds)
    step = 60 * STEPS_PER_HOUR
    rise = fall.points[step] - fall.points[step - 1] + fall.rate[step - 1] * STEP_H / 24.0
    assert rise == pytest.approx(10.0 * MUST.points_per_g_l)
    step = 70 * STEPS_PER_HOUR
    assert fall.states[step].cells / fall.states[step - 1].cells == pytest.approx(0.6, abs=0.01)
    with pytest.raises(ValueError, match="sing"):
        follow(MUST, YEAST, still(1), [Deed(1.0, "sing", 1.0)])


def test_survivors_take_what_is_asked_for() -> None:
    """Awake at 20 degC, in the same sugar and ethanol, they take a point and a half a day."""
    then = follow(MUST, YEAST, still(20), [Deed(470.0, "sugar", 20.0)]).states[-1]
    yeast, then = survivors(MUST, YEAST, then, 1.5)
    fall = follow(MUST, yeast, still(1), start=then._replace(readiness=1.0e6, second=0.0))
    assert fall.rate[0] == pytest.approx(1.5, rel=1e-3)
