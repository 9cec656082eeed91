"""The mechanism against closed forms of the models it is made of."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import lambertw

from monitor.replay.grown import COLDEST_C, HOTTEST_C, Yeast, follow, growth_pace, work_left
from monitor.replay.kinetics import Course, Deed
from monitor.replay.starved import STEP_H, Must, Room

MUST = Must(start_points=40.0, attainable_points=-3.0, sugar_g_l=86.0, nitrogen_g_l=0.12)
"""Two grams per litre are a point."""
CROWDED = Yeast(
    growth=0.0, pitch_g_l=4.0, crowd_g_l=4.0, lag_h=1.0e-6, by_growth=0.0, by_living=0.25, half_g_l=1.0e-9,
    kept_g_l=0.0, crowding=0.0, slowed_at_g_l=1.0e9, exponential=False, loss_h=1.0e9, loss_power=1.0,
    bound_share=0.0, freed_per_h=0.0, sleeps_below_c=-50.0,
)  # fmt: skip
"""As many cells as there can be, which take a gram per litre an hour, whatever else there is."""


def still(days: float, celsius: float = 20.0) -> Room:
    """A room that stays as it is, and a vessel that takes its warmth at once."""
    return Room(np.full(int(days * 24 / STEP_H) + 1, celsius), STEP_H, celsius)


def sugar(course: Course) -> np.ndarray:
    """What is left of the sugar, grams per litre."""
    return (course.gravity_sg - course.attainable_sg) * 1000.0 * MUST.sugar_g_l / MUST.drop_points


def at(course: Course, hour: float) -> float:
    """The same at an hour."""
    return float(np.interp(hour, course.hours, sugar(course)))


def test_a_crowd_with_plenty_takes_the_same_every_hour() -> None:
    """By Luedeking & Piret without growth: a gram an hour, until the must is empty."""
    course = follow(MUST, CROWDED, still(6, 20.0))
    assert [at(course, hour) for hour in (0.0, 24.0, 60.0, 100.0)] == pytest.approx(
        [86.0, 62.0, 26.0, 0.0], abs=0.5
    )


@pytest.mark.parametrize("crowding", [0.0, 1.0])
def test_a_half_saturation_gives_the_closed_form(crowding: float) -> None:
    """Michaelis & Menten's S = K W(S0/K exp((S0 - V t)/K)) (Schnell & Mendoza, J. Theor. Biol. 187
    (1997) 207), within half a gram per litre; in a full crowd Contois' law is the same as Monod's."""
    course = follow(MUST, replace(CROWDED, half_g_l=12.0, crowding=crowding), still(10))
    hours = np.array([12.0, 48.0, 96.0, 140.0, 200.0])
    closed = 12.0 * lambertw(86.0 / 12.0 * np.exp((86.0 - hours) / 12.0)).real
    assert np.interp(hours, course.hours, sugar(course)) == pytest.approx(closed, abs=0.5)


def test_growth_takes_its_share_and_ends_with_the_nutrient() -> None:
    """With uptake by growth alone 3.9 g/L of cells take 10 g/L of sugar each, and the rest stays."""
    grows = replace(CROWDED, growth=0.2, pitch_g_l=0.1, by_growth=10.0, by_living=0.0)
    assert at(follow(MUST, grows, still(20)), 480.0) == pytest.approx(86.0 - 39.0, abs=0.2)


def test_bound_sugar_comes_free_by_the_first_order() -> None:
    """What hungry cells take is what is freed: half of the bound sugar by ln 2 / k."""
    bound = replace(CROWDED, bound_share=0.25, freed_per_h=0.01, by_living=5.0)
    course = follow(MUST, bound, still(20))
    assert at(course, math.log(2.0) / 0.01) == pytest.approx(0.25 * 86.0 / 2.0, rel=0.03)
    assert at(course, 300.0) == pytest.approx(0.25 * 86.0 * math.exp(-3.0), rel=0.06)


def test_cells_are_lost_by_weibull() -> None:
    """The pace an hour at t is exp(-(t / delta)^p) of the first one's: Mafart et al. (2002)."""
    dying = replace(CROWDED, loss_h=40.0, loss_power=2.0)
    course = follow(MUST, dying, still(6))
    slope = -np.gradient(sugar(course), course.hours)
    for hour in (20.0, 40.0, 60.0):
        then = float(np.interp(hour, course.hours, slope))
        assert then == pytest.approx(math.exp(-((hour / 40.0) ** 2)), rel=0.1)


def test_nutrient_given_later_brings_work_back() -> None:
    """What had all but stopped goes on."""
    dying = replace(CROWDED, loss_h=20.0, loss_power=2.0)
    left, fed = (
        at(follow(MUST, dying, still(10), deeds), 200.0) for deeds in ((), (Deed(100.0, "nutrient", 0.1),))
    )
    assert fed < left - 5.0


def test_what_the_yeast_keeps_stays() -> None:
    """Three grams per litre of it."""
    assert at(follow(MUST, replace(CROWDED, kept_g_l=3.0), still(10)), 240.0) == pytest.approx(3.0, abs=0.01)


def test_growth_follows_the_square_root_law() -> None:
    """The root is straight in the cold and 0 at both ends (Ratkowsky et al. 1983)."""
    roots = [math.sqrt(growth_pace(celsius)) for celsius in (6.0, 10.0, 14.0)]
    assert roots[1] - roots[0] == pytest.approx(roots[2] - roots[1], rel=0.01)
    assert growth_pace(20.0) == 1.0
    assert growth_pace(COLDEST_C) == growth_pace(HOTTEST_C) == growth_pace(-5.0) == 0.0
    assert max(range(45), key=growth_pace) in range(30, 40)


def test_ethanol_slows_it_as_either_law_has_it() -> None:
    """At its constant a half by Hoppe & Hansford (1982), 1/e by Aiba et al. (1968)."""
    slowed = replace(CROWDED, slowed_at_g_l=50.0)
    assert work_left(slowed, 0.0) == 1.0
    assert work_left(slowed, 50.0) == 0.5
    assert work_left(replace(slowed, exponential=True), 50.0) == pytest.approx(math.exp(-1.0))


def test_a_sleeping_yeast_takes_next_to_nothing() -> None:
    """Five degrees below where it falls asleep."""
    assert at(follow(MUST, replace(CROWDED, sleeps_below_c=15.0), still(4, 10.0)), 96.0) > 85.0


def test_sugar_that_is_added_is_there() -> None:
    """Ten grams per litre more."""
    added = follow(MUST, CROWDED, still(3), (Deed(24.0, "sugar", 10.0),))
    assert at(added, 48.0) - at(follow(MUST, CROWDED, still(3)), 48.0) == pytest.approx(10.0, abs=0.1)


def test_another_deed_is_refused() -> None:
    """Racking is not followed here."""
    with pytest.raises(ValueError, match="rack"):
        follow(MUST, CROWDED, still(2), (Deed(24.0, "rack", 0.5),))
