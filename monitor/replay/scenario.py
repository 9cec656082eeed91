"""What may happen to a carboy: the scenarios, each a distribution of musts, yeasts, rooms and deeds.

The mixture "all" draws a scenario by `SHARES`. The float and its ills, the maker's mistakes and the journal
are drawn apart (see `mishaps`), so that any ill can meet any ferment.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from numpy.random import Generator

from monitor.ferment.premise import MustKind
from monitor.replay.kinetics import Deed, Model, Strain, Sugar, Wort, extract_for
from monitor.replay.room import Room, RoomSpell

GRAMS_PER_POINT: Final = 2.13
"""Grams of sugar per litre whose fermenting lowers the gravity by a point."""
ETHANOL_G_L_PER_ABV: Final = 7.89


@dataclass(frozen=True, slots=True)
class Plan:
    """A ferment to be: all that decides its true course."""

    kind: MustKind
    gravity_sg: float
    wort: Wort
    strain: Strain
    room: Room
    cooling_h: float
    start_c: float
    tolerance_abv: float
    fast_days: float
    """Days after the lag in which nine tenths of the drop should go; the yeast is paced by it."""
    deeds: tuple[Deed, ...] = ()
    tail_days: float | None = None
    """How long the tail (under a point a day, two points or more to go) should be."""
    chill_at: float | None = None
    """Share of the drop at which the room turns cold (or hot), by `chill_c` for `chill_days`."""
    chill_c: float = 0.0
    chill_days: float = 0.0
    feeds: tuple[tuple[float, float], ...] = ()
    """(share of the drop at which, points of sugar added)."""
    rescue_days: float | None = None
    """Days into a stall after which the maker feeds nutrient."""
    sweetened_points: float | None = None
    restart_points_per_day: float | None = None
    restart_wakes_h: float = 0.0
    racked_at: float | None = None
    stalls: bool = False
    """Whether it must stall, or must not."""


def _honey(rng: Generator, gravity_sg: float, nitrogen: tuple[float, float]) -> Wort:
    salts = rng.uniform(0.2, 1.2)
    extract = extract_for(gravity_sg, salts)
    share = rng.uniform(0.855, 0.95)
    fermentable = extract * share
    slow = rng.uniform(0.0, 0.02) * fermentable
    glucose = rng.uniform(0.40, 0.48) * (fermentable - slow)
    sugars = (
        Sugar(glucose, 1.0, rng.uniform(1.0, 6.0)),
        Sugar(
            fermentable - slow - glucose, rng.uniform(0.55, 1.0), rng.uniform(1.5, 7.0), rng.uniform(15, 80)
        ),
        Sugar(slow, rng.uniform(0.15, 0.5), rng.uniform(2.0, 6.0), rng.uniform(3.0, 20.0)),
    )
    return _liquid(rng, sugars, extract - fermentable, nitrogen, (0.12, 0.6), salts)


def _liquid(
    rng: Generator,
    sugars: tuple[Sugar, ...],
    unfermentable: float,
    nitrogen: tuple[float, float],
    pitch: tuple[float, float],
    salts: float,
) -> Wort:
    return Wort(
        sugars=sugars,
        unfermentable_g_l=unfermentable,
        nitrogen_g_l=rng.uniform(*nitrogen),
        pitch_g_l=rng.uniform(*pitch),
        ethanol_yield=rng.uniform(0.455, 0.488),
        glycerol_yield=rng.uniform(0.015, 0.05),
        salts_kg_m3=salts,
    )


def _malt(rng: Generator, gravity_sg: float) -> Wort:
    salts = rng.uniform(0.5, 1.5)
    extract = extract_for(gravity_sg, salts)
    fermentable = extract * rng.uniform(0.56, 0.70)
    triose = rng.uniform(0.13, 0.24) * fermentable
    simple = rng.uniform(0.14, 0.26) * fermentable
    sugars = (
        Sugar(simple, 1.0, rng.uniform(1.0, 6.0)),
        Sugar(
            fermentable - triose - simple, rng.uniform(0.6, 1.0), rng.uniform(3.0, 10.0), rng.uniform(5, 25)
        ),
        Sugar(triose, rng.uniform(0.25, 0.6), rng.uniform(2.0, 9.0), rng.uniform(8.0, 40.0)),
    )
    return _liquid(rng, sugars, extract - fermentable, (0.12, 0.26), (0.4, 1.4), salts)


def _fruit(rng: Generator, gravity_sg: float) -> Wort:
    salts = rng.uniform(2.5, 5.0)
    extract = extract_for(gravity_sg, salts)
    fermentable = extract * rng.uniform(0.90, 0.985)
    glucose = rng.uniform(0.2, 0.45) * fermentable
    sugars = (
        Sugar(glucose, 1.0, rng.uniform(2.0, 8.0)),
        Sugar(fermentable - glucose, rng.uniform(0.5, 0.95), rng.uniform(1.5, 8.0), rng.uniform(15, 60)),
        Sugar(0.0, 0.3, 4.0, 10.0),
    )
    return _liquid(rng, sugars, extract - fermentable, (0.05, 0.17), (0.1, 0.5), salts)


def _washed(rng: Generator, gravity_sg: float) -> Wort:
    salts = rng.uniform(0.1, 0.6)
    extract = extract_for(gravity_sg, salts)
    sugars = (
        Sugar(extract * 0.49, 1.0, rng.uniform(3.0, 9.0)),
        Sugar(extract * 0.49, rng.uniform(0.6, 1.0), rng.uniform(1.5, 8.0), rng.uniform(20, 80)),
        Sugar(0.0, 0.3, 4.0, 10.0),
    )
    return _liquid(rng, sugars, extract * 0.02, (0.06, 0.16), (0.2, 0.8), salts)


def _strain(rng: Generator, tolerance_abv: float) -> Strain:
    return Strain(
        growth=rng.uniform(0.08, 0.2),
        uptake=rng.uniform(0.15, 0.35),
        lag_h=float(rng.lognormal(math.log(9.0), 0.6)),
        coldest_c=rng.uniform(0.5, 5.5),
        best_c=rng.uniform(27.0, 33.0),
        hottest_c=rng.uniform(38.0, 44.0),
        ethanol_limit_g_l=ETHANOL_G_L_PER_ABV * (tolerance_abv + rng.uniform(0.5, 3.0)),
        limit_power=rng.uniform(0.4, 1.4),
        death_per_g_h=float(rng.lognormal(math.log(2.0e-5), 0.6)),
        turnover=float(rng.lognormal(math.log(0.0009), 0.6)),
        sleeps_below_c=rng.uniform(7.0, 11.0),
        sleep_h=rng.uniform(8.0, 24.0),
        wake_h=rng.uniform(15.0, 50.0),
        settle=float(rng.lognormal(math.log(0.0009), 0.8)),
    )


def _room(rng: Generator, mean_c: tuple[float, float] = (17.0, 23.0)) -> Room:
    return Room(
        mean_c=rng.uniform(*mean_c),
        swing_c=rng.uniform(0.2, 2.5),
        warmest_hour=rng.uniform(13.0, 19.0),
        weather_c=rng.uniform(0.1, 1.1),
        weather_h=rng.uniform(18.0, 70.0),
        trend_c_per_day=rng.normal(0.0, 0.05),
    )


def _plan(
    rng: Generator, kind: MustKind, gravity_sg: float, wort: Wort, fast_days: tuple[float, float]
) -> Plan:
    tolerance = rng.uniform(11.0, 17.0) if kind is not MustKind.MALT else rng.uniform(9.0, 12.0)
    room = _room(rng)
    return Plan(
        kind=kind,
        gravity_sg=gravity_sg,
        wort=wort,
        strain=_strain(rng, tolerance),
        room=room,
        cooling_h=rng.uniform(6.0, 18.0),
        start_c=room.mean_c + rng.uniform(-3.0, 3.0),
        tolerance_abv=tolerance,
        fast_days=math.exp(rng.uniform(math.log(fast_days[0]), math.log(fast_days[1]))),
        racked_at=rng.uniform(0.5, 0.95) if rng.random() < 0.06 else None,
    )


def session(rng: Generator) -> Plan:
    """Session mead, 1.035 to 1.050."""
    gravity = rng.uniform(1.035, 1.050)
    return _plan(rng, MustKind.HONEY, gravity, _honey(rng, gravity, (0.06, 0.18)), (2.5, 9.0))


def strong(rng: Generator) -> Plan:
    """Mead of 1.080 to 1.120, well fed, with a yeast that can."""
    gravity = rng.uniform(1.080, 1.120)
    plan = _plan(rng, MustKind.HONEY, gravity, _honey(rng, gravity, (0.18, 0.34)), (5.0, 14.0))
    # 131 times the drop is the trade's quick rule for alcohol (common practice)
    needed = 131.0 * (gravity - 0.99)
    tolerance = max(plan.tolerance_abv, needed + rng.uniform(-0.5, 2.5))
    return replace(plan, tolerance_abv=tolerance, strain=_strain(rng, tolerance + 1.5))


def wort(rng: Generator) -> Plan:
    """Malt wort, 1.040 to 1.065, a third of the extract unfermentable."""
    gravity = rng.uniform(1.040, 1.065)
    plan = _plan(rng, MustKind.MALT, gravity, _malt(rng, gravity), (2.0, 6.0))
    model = rng.random()
    if model < 0.3:
        return replace(plan, strain=replace(plan.strain, model=Model.THREE_SUGARS), racked_at=None)
    if model < 0.5:
        # their yeast dies above 14 degC, so it gets a cool room
        room = _room(rng, (9.5, 13.5))
        strain = replace(plan.strain, model=Model.CELLS)
        return replace(plan, strain=strain, room=room, start_c=room.mean_c, racked_at=None)
    return plan


def cider(rng: Generator) -> Plan:
    """Apple must, 1.045 to 1.060."""
    gravity = rng.uniform(1.045, 1.060)
    return _plan(rng, MustKind.FRUIT, gravity, _fruit(rng, gravity), (3.0, 11.0))


def country(rng: Generator) -> Plan:
    """Sugar and water with a little nutrient, 1.050 to 1.085."""
    gravity = rng.uniform(1.050, 1.085)
    return _plan(rng, MustKind.SUGAR, gravity, _washed(rng, gravity), (4.0, 10.0))


def _any(rng: Generator) -> Plan:
    makers: tuple[Callable[[Generator], Plan], ...] = (session, strong, wort, cider, country)
    return makers[int(rng.choice(len(makers), p=(0.4, 0.15, 0.2, 0.2, 0.05)))](rng)


def _nitrogen(rng: Generator) -> Plan:
    """Any must, by the model that knows of lag, sleep and hunger."""
    plan = _any(rng)
    return replace(plan, strain=replace(plan.strain, model=Model.NITROGEN))


def long_lag(rng: Generator) -> Plan:
    """Old or cold yeast that takes two to five days to show."""
    plan = _nitrogen(rng)
    weak = replace(plan.wort, pitch_g_l=plan.wort.pitch_g_l * 0.4)
    return replace(plan, wort=weak, strain=replace(plan.strain, lag_h=rng.uniform(40.0, 110.0)))


def long_tail(rng: Generator) -> Plan:
    """The last points go at under a point a day for two to twelve days."""
    plan = _nitrogen(rng)
    days = 2.0 + 10.0 * float(rng.beta(1.0, 2.5))
    # some creep at a quarter of a point a day, some go on at nearly a point
    points = 2.2 + days * rng.uniform(0.25, 0.85)
    tail = Sugar(
        grams_l=points * GRAMS_PER_POINT,
        uptake=0.08,
        # from nearly constant pace to the end up to a long exponential
        half_g_l=math.exp(rng.uniform(math.log(0.3), math.log(4.0))),
        waits_for_g_l=rng.uniform(1.0, 15.0),
    )
    quick = plan.wort.sugars[:2]
    less = (points * GRAMS_PER_POINT - plan.wort.sugars[2].grams_l) / sum(s.grams_l for s in quick)
    quick = tuple(replace(sugar, grams_l=sugar.grams_l * (1.0 - less)) for sugar in quick)
    return replace(
        plan,
        wort=replace(plan.wort, sugars=(*quick, tail)),
        tail_days=days,
        racked_at=None,
    )


def cold_slow(rng: Generator) -> Plan:
    """A cool room and a patient yeast: slow, and healthy."""
    plan = session(rng) if rng.random() < 0.5 else cider(rng)
    room = _room(rng, (10.5, 14.5))
    strain = replace(plan.strain, coldest_c=rng.uniform(0.5, 3.0), sleeps_below_c=rng.uniform(3.0, 6.5))
    return replace(
        plan, room=room, strain=strain, start_c=room.mean_c + rng.uniform(-1, 4), fast_days=rng.uniform(7, 16)
    )


def cold_stall(rng: Generator) -> Plan:
    """The room turns cold under way; the yeast sleeps, and wakes slowly when it is warm again."""
    plan = session(rng) if rng.random() < 0.6 else _nitrogen(rng)
    strain = replace(plan.strain, coldest_c=rng.uniform(4.0, 7.0), sleeps_below_c=rng.uniform(9.5, 13.0))
    strain = replace(strain, wake_h=rng.uniform(20.0, 90.0), sleep_h=rng.uniform(5.0, 14.0))
    return replace(
        plan, strain=strain, chill_at=rng.uniform(0.25, 0.75), chill_c=-rng.uniform(8.0, 14.0),
        chill_days=rng.uniform(3.0, 9.0), fast_days=max(plan.fast_days, 5.0), stalls=True,
    )  # fmt: skip


def hot_stall(rng: Generator) -> Plan:
    """A heater left on kills most of the yeast."""
    plan = _nitrogen(rng)
    strain = replace(plan.strain, hottest_c=rng.uniform(36.0, 38.0), death_per_g_h=4.0e-4)
    return replace(
        plan, strain=strain, chill_at=rng.uniform(0.3, 0.7), chill_c=rng.uniform(15.0, 19.0),
        chill_days=rng.uniform(1.0, 3.0), stalls=True,
    )  # fmt: skip


def hungry_stall(rng: Generator) -> Plan:
    """Hardly any nitrogen: sluggish, then stuck; half of the makers feed it after some days."""
    gravity = rng.uniform(1.036, 1.060) if rng.random() < 0.75 else rng.uniform(1.070, 1.110)
    plan = _plan(rng, MustKind.HONEY, gravity, _honey(rng, gravity, (0.008, 0.035)), (5.0, 12.0))
    strain = replace(
        plan.strain,
        uptake=rng.uniform(0.3, 0.6),
        turnover=rng.uniform(0.006, 0.025),
        death_per_g_h=rng.uniform(2e-5, 2e-4),
    )
    rescue = rng.uniform(3.0, 7.0) if rng.random() < 0.5 else None
    return replace(plan, strain=strain, rescue_days=rescue, stalls=True)


def tolerance_stall(rng: Generator) -> Plan:
    """More sugar than the yeast can bear the alcohol of."""
    plan = strong(rng)
    tolerance = rng.uniform(8.5, 12.0)
    strain = replace(
        plan.strain, ethanol_limit_g_l=ETHANOL_G_L_PER_ABV * (tolerance + rng.uniform(-0.5, 1.0))
    )
    return replace(plan, strain=strain, tolerance_abv=tolerance, stalls=True)


def fed(rng: Generator) -> Plan:
    """Honey or sugar is added in one to three steps under way."""
    plan = _nitrogen(rng)
    count = int(rng.integers(1, 4))
    shares = sorted(rng.uniform(0.3, 0.85, count).tolist())
    feeds = tuple((share, rng.uniform(4.0, 20.0)) for share in shares)
    wort = replace(plan.wort, nitrogen_g_l=plan.wort.nitrogen_g_l + 0.06)
    limit = plan.strain.ethanol_limit_g_l + sum(points for _, points in feeds) * 1.1
    return replace(plan, feeds=feeds, wort=wort, strain=replace(plan.strain, ethanol_limit_g_l=limit))


def sweetened(rng: Generator) -> Plan:
    """Stabilised and sweetened after its end, and it holds."""
    plan = session(rng) if rng.random() < 0.7 else _nitrogen(rng)
    return replace(plan, sweetened_points=rng.uniform(4.0, 18.0))


def restarts(rng: Generator) -> Plan:
    """Stabilised and sweetened after its end, and it goes again at 0.3 to 2 points a day."""
    pace = math.exp(rng.uniform(math.log(0.35), math.log(2.0)))
    wakes = 0.0 if rng.random() < 0.4 else rng.uniform(10.0, 60.0)
    return replace(sweetened(rng), restart_points_per_day=pace, restart_wakes_h=wakes)


SCENARIOS: Final[dict[str, Callable[[Generator], Plan]]] = {
    "session": session,
    "strong": strong,
    "wort": wort,
    "cider": cider,
    "country": country,
    "long-lag": long_lag,
    "long-tail": long_tail,
    "cold-slow": cold_slow,
    "cold-stall": cold_stall,
    "hot-stall": hot_stall,
    "hungry-stall": hungry_stall,
    "tolerance-stall": tolerance_stall,
    "fed": fed,
    "sweetened": sweetened,
    "restarts": restarts,
}
SHARES: Final[dict[str, float]] = {
    "session": 0.16,
    "strong": 0.05,
    "wort": 0.09,
    "cider": 0.08,
    "country": 0.02,
    "long-lag": 0.03,
    "long-tail": 0.13,
    "cold-slow": 0.05,
    "cold-stall": 0.06,
    "hot-stall": 0.02,
    "hungry-stall": 0.06,
    "tolerance-stall": 0.04,
    "fed": 0.06,
    "sweetened": 0.07,
    "restarts": 0.08,
}


def with_chill(plan: Plan, at_h: float) -> Plan:
    """The plan with its cold (or hot) spell set at an hour."""
    spell = RoomSpell(at_h, at_h + 24.0 * plan.chill_days, plan.chill_c)
    return replace(plan, room=replace(plan.room, spells=(*plan.room.spells, spell)))
