"""Musts, yeasts and rooms for the ferments of `inhibited`, drawn by scenario.

Published are how much of honey's solids ferments, and its glucose beside its fructose (White and others, USDA
Tech. Bull. 1261, 1962), and the order and shares of wort's sugars (Gee & Ramirez 1994). Rates, tolerances and
rooms are assumed, over the ranges that common practice knows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.random import Generator

from monitor.ferment.premise import MustKind
from monitor.replay.inhibited import STEP_H, SUGAR_PER_ETHANOL, Carboy, Must, Yeast, borne
from monitor.replay.kinetics import FloatArray
from monitor.replay.room import RoomSpell, spell_course, wander

HORIZON_H: Final = 60.0 * 24.0
"""As long as any ferment is followed."""
WEATHER_C: Final = 0.83
WEATHER_H: Final = 83.4
"""Its memory: three quarters are left after a day."""
SPELL_SETS_IN_H: Final = 2.5
LAST_DAYS: Final = (1.15, 2.2)
"""A strain that can takes the last sugar with a time constant of so many days."""

Span = tuple[float, float]


class Scenario(StrEnum):
    """What a ferment is an example of."""

    PLAIN = "plain"
    LAG = "lag"
    """Old or little yeast that is slow to show."""
    TAIL = "tail"
    """Three to twelve days at under a point a day before the end."""
    COLD = "cold"
    """The room turns cold for more than five days under way: a stall that ends by itself."""
    COLD_LATE = "cold late"
    """It turns cold for one to three nights just before the end."""
    NUTRIENT = "nutrient"
    """Hardly any nitrogen; half of the makers feed it, and fresh yeast, after some days."""
    ALCOHOL = "alcohol"
    """More sugar than the yeast can bear the alcohol of."""
    STEPS = "steps"
    """Sugar is added in one to three steps under way."""
    RACK = "rack"
    """Racked off most of its yeast around its end."""
    REFERMENT = "referment"
    """Sweetened after its end, and it goes again."""
    STABLE = "stable"
    """Stabilised and sweetened after its end, and it holds."""


@dataclass(frozen=True, slots=True)
class Style:
    """Ranges of what one kind of must, and the yeast that suits it, is drawn from."""

    kind: MustKind
    gravity_points: Span
    fermentable: Span
    """Share of the extract."""
    third: Span
    """Share of the last sugar in what ferments."""
    first: Span
    """Share of the first: in what ferments of wort, in what the last sugar leaves of honey and fruit."""
    nitrogen_g_l: Span
    second_uptake: Span
    """Relative to that of the first."""
    second_half_g_l: Span
    first_holds_g_l: Span
    second_holds_g_l: Span
    ethanol_limit_g_l: Span
    room_c: Span


SESSION: Final = Style(
    kind=MustKind.HONEY, gravity_points=(35.0, 50.0), fermentable=(0.845, 0.945), third=(0.04, 0.10),
    first=(0.43, 0.48), nitrogen_g_l=(0.10, 0.20), second_uptake=(0.75, 1.0), second_half_g_l=(1.5, 9.0),
    first_holds_g_l=(40.0, 200.0), second_holds_g_l=(10.0, 80.0), ethanol_limit_g_l=(112.0, 145.0),
    room_c=(17.0, 23.0),
)  # fmt: skip
MEAD: Final = replace(SESSION, gravity_points=(80.0, 112.0))
STRONGEST: Final = replace(SESSION, gravity_points=(98.0, 120.0))
WORT: Final = Style(
    kind=MustKind.MALT, gravity_points=(40.0, 65.0), fermentable=(0.59, 0.70), third=(0.13, 0.24),
    first=(0.12, 0.22), nitrogen_g_l=(0.14, 0.22), second_uptake=(0.7, 1.1), second_half_g_l=(8.0, 40.0),
    first_holds_g_l=(8.0, 45.0), second_holds_g_l=(20.0, 150.0), ethanol_limit_g_l=(72.0, 100.0),
    room_c=(17.0, 22.0),
)  # fmt: skip
CIDER: Final = Style(
    kind=MustKind.FRUIT, gravity_points=(45.0, 60.0), fermentable=(0.83, 0.93), third=(0.04, 0.11),
    first=(0.22, 0.42), nitrogen_g_l=(0.06, 0.14), second_uptake=(0.65, 1.0), second_half_g_l=(1.5, 12.0),
    first_holds_g_l=(30.0, 150.0), second_holds_g_l=(10.0, 80.0), ethanol_limit_g_l=(90.0, 125.0),
    room_c=(13.5, 20.5),
)  # fmt: skip

_FED = ((SESSION, 0.4), (MEAD, 0.4), (CIDER, 0.2))
_SWEETENED = ((SESSION, 0.4), (MEAD, 0.2), (CIDER, 0.4))
_USUAL = ((SESSION, 0.30), (MEAD, 0.20), (WORT, 0.26), (CIDER, 0.24))
STYLES: Final[dict[Scenario, tuple[tuple[Style, float], ...]]] = {
    Scenario.ALCOHOL: ((STRONGEST, 1.0),),
    Scenario.NUTRIENT: ((SESSION, 0.45), (MEAD, 0.35), (CIDER, 0.20)),
    Scenario.STEPS: _FED,
    Scenario.REFERMENT: _SWEETENED,
    Scenario.STABLE: _SWEETENED,
}
"""What a scenario befalls, with shares; all others any must."""


@dataclass(frozen=True, slots=True)
class Batch:
    """All that decides how a ferment goes until its maker does something."""

    kind: MustKind
    must: Must
    yeast: Yeast
    carboy: Carboy


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """A draw whose logarithm is uniform."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def extract_of(gravity_points: float) -> float:
    """Grams of extract per litre of a must of so many points: 104 at 40, 256 at 100 (sugar tables)."""
    return 2.61 * gravity_points * (1.0 - 0.0003 * (gravity_points - 40.0))


def draw_batch(rng: Generator, scenario: Scenario) -> Batch:
    """A batch that may become what the scenario says."""
    styles, shares = zip(*STYLES.get(scenario, _USUAL), strict=True)
    style: Style = styles[int(rng.choice(len(styles), p=shares))]
    must = _must(rng, style, tail=scenario is Scenario.TAIL)
    yeast = _yeast(rng, style)
    mean_c = rng.uniform(*style.room_c)
    must, yeast = _of_scenario(rng, scenario, style.kind, must, yeast)
    spells = [
        RoomSpell(from_h, from_h + rng.uniform(18.0, 80.0), -rng.uniform(2.0, 6.0))
        for from_h in 24.0 * rng.uniform(2.0, 30.0, rng.poisson(0.9))
    ]
    if scenario is not Scenario.TAIL:
        yeast = _able(rng, must, yeast, mean_c)
    if scenario is Scenario.COLD:
        mean_c = max(mean_c, 18.0)
        from_h = 24.0 * rng.uniform(1.8, 7.0)
        spells.append(RoomSpell(from_h, from_h + rng.uniform(120.0, 260.0), -rng.uniform(7.0, 11.0)))
    room_c = chilled(_room(rng, mean_c), spells)
    return Batch(style.kind, must, yeast, Carboy(room_c, cooling_h=log_uniform(rng, 5.0, 16.0)))


def chilled(room_c: FloatArray, spells: Sequence[RoomSpell]) -> FloatArray:
    """The room with these spells, which set in and pass over within some hours."""
    hours = np.arange(room_c.size, dtype=np.float64) * STEP_H
    changed = room_c.copy()
    for spell in spells:
        changed += spell.by_c * spell_course(hours, spell.from_h, spell.until_h, SPELL_SETS_IN_H)
    return changed


def _room(rng: Generator, mean_c: float) -> FloatArray:
    hours = np.arange(int(HORIZON_H / STEP_H) + 1, dtype=np.float64) * STEP_H
    day = 2.0 * math.pi * (hours - rng.uniform(0.0, 24.0)) / 24.0
    days = np.arange(int(HORIZON_H / 24.0) + 2, dtype=np.float64) * 24.0
    weather = wander(days.size, 24.0, WEATHER_H, rng)
    # it starts at the mean: what the path began with fades out
    weather -= weather[0] * np.exp(-days / WEATHER_H)
    return mean_c + rng.uniform(0.3, 2.2) * np.sin(day) + WEATHER_C * np.interp(hours, days, weather)


def _must(rng: Generator, style: Style, *, tail: bool) -> Must:
    points = rng.uniform(*style.gravity_points)
    extract = extract_of(points)
    fermentable = extract * rng.uniform(*style.fermentable)
    third = rng.uniform(*style.third)
    first = rng.uniform(*style.first)
    if style.kind is not MustKind.MALT:
        first *= 1.0 - third
        if tail:
            third = rng.uniform(0.06, 0.13)
    nitrogen = rng.uniform(*style.nitrogen_g_l)
    if style.kind is MustKind.HONEY:
        # makers feed honey, and more of it the more there is to ferment
        nitrogen *= (0.75 + points / 160.0) * (0.7 + 0.0011 * points)
    return Must(
        gravity_points=points,
        sugars_g_l=(fermentable * first, fermentable * (1.0 - first - third), fermentable * third),
        nitrogen_g_l=nitrogen,
        # 42 points by 89 g/L at 1.040 (Balling and the tables); glycerol and acids hold some of it up
        points_per_g=(0.4716 - 6.0e-5 * (extract - 104.0)) * rng.uniform(0.965, 0.99),
    )


def _yeast(rng: Generator, style: Style) -> Yeast:
    fastest = log_uniform(rng, 0.22, 0.65)
    return Yeast(
        pitched_g_l=log_uniform(rng, 0.15, 0.8),
        readiness=log_uniform(rng, 0.02, 1.0),
        growth=rng.uniform(0.10, 0.22),
        cells_per_nitrogen=rng.uniform(18.0, 30.0),
        coldest_c=rng.uniform(1.0, 5.0),
        best_c=rng.uniform(29.0, 33.0),
        hottest_c=rng.uniform(40.0, 45.0),
        # that of the third depends on what the scenario makes of the rest
        uptakes=(fastest, fastest * rng.uniform(*style.second_uptake), 0.0),
        halves_g_l=(rng.uniform(0.3, 4.0), rng.uniform(*style.second_half_g_l), rng.uniform(20.0, 80.0)),
        first_holds_g_l=rng.uniform(*style.first_holds_g_l),
        second_holds_g_l=rng.uniform(*style.second_holds_g_l),
        q10=rng.uniform(1.9, 2.6),
        ethanol_limit_g_l=rng.uniform(*style.ethanol_limit_g_l),
        limit_power=rng.uniform(0.7, 1.5),
        death_per_g=log_uniform(rng, 1.2e-5, 6.0e-5),
        settle=log_uniform(rng, 0.0003, 0.003),
        sleeps_below_c=rng.uniform(3.0, 9.0),
        wake_h=rng.uniform(6.0, 18.0),
    )


def _of_scenario(
    rng: Generator, scenario: Scenario, kind: MustKind, must: Must, yeast: Yeast
) -> tuple[Must, Yeast]:
    """What the scenario changes of must and yeast."""
    match scenario:
        case Scenario.TAIL:
            # a slow last sugar, and yeast that falls out or dies early
            yeast = replace(
                yeast,
                settle=log_uniform(rng, 0.002, 0.012),
                death_per_g=yeast.death_per_g * rng.uniform(1.0, 2.0),
            )
            if kind is not MustKind.MALT and rng.random() < 0.4:
                # or the second is what lags
                first, _, third = yeast.halves_g_l
                yeast = replace(yeast, halves_g_l=(first, rng.uniform(15.0, 50.0), third))
                yeast = _with_uptakes(yeast, second=0.6 * yeast.uptakes[1])
            # where little of it is left, so much of that goes in an hour by a gram of cells
            yeast = _with_uptakes(yeast, third=log_uniform(rng, 0.0012, 0.006) * yeast.halves_g_l[2])
        case Scenario.NUTRIENT:
            must = replace(must, nitrogen_g_l=rng.uniform(0.018, 0.055))
            yeast = replace(
                yeast, death_per_g=log_uniform(rng, 3.0e-4, 1.5e-3), pitched_g_l=rng.uniform(0.1, 0.3)
            )
        case Scenario.ALCOHOL:
            must = replace(must, nitrogen_g_l=max(must.nitrogen_g_l, 0.15))
            yeast = replace(
                yeast,
                ethanol_limit_g_l=rng.uniform(78.0, 108.0),
                death_per_g=log_uniform(rng, 1.2e-4, 5.0e-4),
                limit_power=rng.uniform(0.6, 1.1),
            )
        case Scenario.LAG:
            yeast = replace(
                yeast,
                readiness=log_uniform(rng, 0.0004, 0.01),
                pitched_g_l=rng.uniform(0.05, 0.2),
                growth=rng.uniform(0.08, 0.13),
            )
        case Scenario.COLD:
            yeast = replace(yeast, sleeps_below_c=rng.uniform(10.0, 13.0))
        case _:
            pass
    return must, yeast


def _able(rng: Generator, must: Must, yeast: Yeast, mean_c: float) -> Yeast:
    """The strain as one that can take the last sugar in days, by the cells it has at this must's end."""
    cells = yeast.pitched_g_l + must.nitrogen_g_l * yeast.cells_per_nitrogen
    bears = borne(yeast, sum(must.sugars_g_l) / SUGAR_PER_ETHANOL)
    bears = max(bears, 0.05**yeast.limit_power)
    warm = yeast.q10 ** ((mean_c - 20.0) / 10.0)
    pace = 1.0 / (24.0 * log_uniform(rng, *LAST_DAYS) * cells * bears * warm)
    return _with_uptakes(yeast, third=min(pace, 0.08) * yeast.halves_g_l[2])


def _with_uptakes(yeast: Yeast, *, second: float | None = None, third: float | None = None) -> Yeast:
    first, old_second, old_third = yeast.uptakes
    return replace(
        yeast,
        uptakes=(
            first,
            old_second if second is None else second,
            old_third if third is None else third,
        ),
    )
