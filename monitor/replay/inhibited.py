"""A ferment of three sugars, each held back by those before it, in a carboy that warms itself.

A mechanism apart from that of `kinetics`, so that what is learnt from simulated ferments is not one family's:

- uptake of three sugars by Monod, the later ones inhibited by the earlier: Gee & Ramirez, J. Inst. Brew. 100
  (1994) 321, in grams instead of moles; their growth by sugar is not used;
- growth on nitrogen by Monod and death by ethanol: Cramer, Vlassides & Block, Biotechnol. Bioeng. 77 (2002)
  49; that growth needs sugar too, by a second Monod term, is assumed;
- a lag by a readiness that grows as the cells would: Baranyi & Roberts, Int. J. Food Microbiol. 23 (1994)
  277;
- inhibition by ethanol, (1 - E/limit)^power: Levenspiel, Biotechnol. Bioeng. 22 (1980) 1671;
- ethanol by Balling: 2.0665 g of sugar give 1 g of it;
- growth by cardinal temperatures (Rosso 1993); uptake by a Q10, near 2.1 by the sixfold rise from 11 to
  35 degC of Coleman, Fish & Block, Appl. Environ. Microbiol. 73 (2007) 5875.

Assumed, by common practice: cells that settle out once half of the sugar is gone, that stop in the cold and
wake slowly, that suffer above 33 degC; honey that dissolves from the bottom over some hours.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from monitor.replay.kinetics import (
    NITROGEN_HALF_G_L,
    REFERENCE_C,
    SPENT_G_L,
    Deed,
    FloatArray,
    Strain,
    pace_at,
)

STEP_H: Final = 0.25
"""Euler steps; the fastest process here has a time constant of some hours."""

SUGAR_PER_ETHANOL: Final = 2.0665
"""Balling: grams of sugar that give a gram of ethanol."""
POINTS_PER_G_L: Final = 0.385
"""By how much a gram of sugar per litre raises the gravity."""
HEAT_K_PER_G_L: Final = 0.14
"""Adiabatic warming by a gram of hexose per litre: 103 kJ a mole in water of 4.1 kJ/(L K)."""
WARM_START_C: Final = 2.0
"""So much warmer than the room is a must at pitching (assumed)."""
GROWTH_HALF_G_L: Final = 2.0
GATE_C: Final = 0.6
"""Width of the threshold below which the yeast stops in the cold."""
WAKING_C: Final = (0.5, 0.8)
"""It wakes above the same threshold and so much, over a width of the second."""
FALLS_ASLEEP: Final = 0.7
"""Falling asleep takes this share of the time of waking."""
TOO_WARM_C: Final = 33.0
WARM_SPAN_C: Final = 8.0
DEATH_PER_C: Final = 0.05
DISSOLVES_H: Final = 3.0
READIEST: Final = 1.0e3
"""Full pace to a thousandth; a bound keeps it finite."""
EXHAUSTED_G_L: Final = 1.0e-6
"""With less nitrogen than this nothing grows."""
FEWEST_G_L: Final = 1.0e-6


@dataclass(frozen=True, slots=True)
class Must:
    """The liquid at pitching, grams per litre."""

    gravity_points: float
    sugars_g_l: tuple[float, float, float]
    """In the order in which they are taken: what is left of an earlier one holds back the later."""
    nitrogen_g_l: float
    points_per_g: float
    """Points by which the gravity falls for a gram of sugar per litre that ferments."""


@dataclass(frozen=True, slots=True)
class Yeast:
    """The yeast; rates are per hour at 20 degC, of cells in grams per litre."""

    pitched_g_l: float
    readiness: float
    """Of the cells to work and grow: r/(1 + r) of their full pace at pitching."""
    growth: float
    cells_per_nitrogen: float
    coldest_c: float
    best_c: float
    hottest_c: float
    uptakes: tuple[float, float, float]
    """Grams of each sugar that a gram of cells takes up at most."""
    halves_g_l: tuple[float, float, float]
    first_holds_g_l: float
    """So much of the first sugar halves the uptake of the others."""
    second_holds_g_l: float
    """So much of the second halves the uptake of the third."""
    q10: float
    ethanol_limit_g_l: float
    limit_power: float
    death_per_g: float
    """By a gram of ethanol per litre."""
    settle: float
    sleeps_below_c: float
    wake_h: float


@dataclass(frozen=True, slots=True)
class Carboy:
    """Where it stands: the room at every step, and how fast the liquid takes its temperature."""

    room_c: FloatArray
    cooling_h: float


class DeedKind(StrEnum):
    """What a maker does, the kind of a `Deed`, and what its amount is."""

    SUGAR = "sugar"
    """g/L, of the first two in equal parts."""
    NUTRIENT = "nutrient"
    """g/L of nitrogen."""
    YEAST = "yeast"
    """g/L of cells, fresh ones that bear ethanol better."""
    RACK = "rack"
    """Share of the cells kept."""
    STABILISE = "stabilise"
    """Nothing works or grows from then on; no amount."""
    RESTART = "restart"
    """Points a day at which survivors of a stabilising ferment, once they are ready."""


@dataclass(frozen=True, slots=True)
class Course:
    """A ferment as it truly went, a row every `STEP_H` from pitching."""

    hours: FloatArray
    points: FloatArray
    """Points of gravity above water."""
    attainable_points: FloatArray
    """The same if every gram of sugar then present were to go."""
    temperature_c: FloatArray
    sugars_g_l: FloatArray
    """(n, 3) of what is dissolved."""
    ethanol_g_l: FloatArray


@dataclass(slots=True)
class _State:
    """What changes from step to step."""

    sugars: tuple[float, float, float]
    nitrogen: float
    cells: float
    readiness: float
    temperature_c: float
    death: float
    settle: float
    ethanol: float = 0.0
    awake: float = 1.0
    undissolved: float = 0.0
    given: float = 0.0
    """Sugar dissolved since pitching."""
    gone: float = 0.0
    """Sugar fermented since pitching."""
    stabilised: bool = False


def taken(yeast: Yeast, sugars_g_l: Sequence[float]) -> tuple[float, float, float]:
    """Grams of each sugar that a gram of cells takes up in an hour at 20 degC (Gee & Ramirez)."""
    first, second, third = sugars_g_l
    fast, middle, slow = yeast.uptakes
    half_fast, half_middle, half_slow = yeast.halves_g_l
    freed = yeast.first_holds_g_l / (yeast.first_holds_g_l + first)
    last = freed * yeast.second_holds_g_l / (yeast.second_holds_g_l + second)
    return (
        fast * first / (half_fast + first),
        middle * second / (half_middle + second) * freed,
        slow * third / (half_slow + third) * last,
    )


def work_at(yeast: Yeast, temperature_c: float) -> float:
    """Pace of uptake relative to 20 degC: by its Q10, next to nothing in the cold, less when too warm."""
    pace: float = yeast.q10 ** ((temperature_c - REFERENCE_C) / 10.0)
    pace /= 1.0 + math.exp((yeast.sleeps_below_c - temperature_c) / GATE_C)
    if temperature_c > TOO_WARM_C:
        pace *= max(0.0, 1.0 - (temperature_c - TOO_WARM_C) / WARM_SPAN_C)
    return pace


def borne(yeast: Yeast, ethanol_g_l: float) -> float:
    """Share of its pace that the yeast keeps in so much ethanol (Levenspiel)."""
    left = 1.0 - ethanol_g_l / yeast.ethanol_limit_g_l
    share: float = left**yeast.limit_power if left > 0.0 else 0.0
    return share


def follow(must: Must, yeast: Yeast, carboy: Carboy, deeds: Sequence[Deed] = ()) -> Course:
    """The ferment for as long as the room is known."""
    state = _State(
        sugars=must.sugars_g_l,
        nitrogen=must.nitrogen_g_l,
        cells=yeast.pitched_g_l,
        readiness=yeast.readiness,
        temperature_c=float(carboy.room_c[0]) + WARM_START_C,
        death=yeast.death_per_g,
        settle=yeast.settle,
    )
    at_start = sum(must.sugars_g_l)
    strain = Strain(coldest_c=yeast.coldest_c, best_c=yeast.best_c, hottest_c=yeast.hottest_c)
    waiting = deque(sorted(deeds, key=lambda deed: deed.hour))
    rows = []
    for step, room_c in enumerate(carboy.room_c.tolist()):
        while waiting and waiting[0].hour <= step * STEP_H:
            _do(waiting.popleft(), state, must, yeast)
        if state.undissolved > 0.0:
            _dissolve(state)
        rows.append((state.given, state.gone, state.temperature_c, state.ethanol, *state.sugars))
        sugar = sum(state.sugars)
        warm = math.exp(DEATH_PER_C * (state.temperature_c - REFERENCE_C))
        dying = state.death * state.ethanol * warm
        sinking = state.settle * max(0.0, 1.0 - 2.0 * sugar / at_start)
        lost = (dying + sinking) * state.cells * STEP_H
        flow = grown = 0.0
        if sugar > SPENT_G_L and not state.stabilised:
            flow, grown = _feed(state, yeast, strain, sugar)
        state.cells = max(state.cells + grown - lost, FEWEST_G_L)
        _warm(state, yeast, carboy, room_c, flow)
    return _course(np.array(rows), must)


def _feed(state: _State, yeast: Yeast, strain: Strain, sugar: float) -> tuple[float, float]:
    """A step of uptake and growth: grams of sugar gone and of cells grown, per litre."""
    bears = borne(yeast, state.ethanol)
    ready = state.readiness / (1.0 + state.readiness)
    work = work_at(yeast, state.temperature_c) * state.awake * bears * ready * state.cells * STEP_H
    first, second, third = state.sugars
    fast, middle, slow = taken(yeast, state.sugars)
    fast, middle, slow = min(first, work * fast), min(second, work * middle), min(third, work * slow)
    flow = fast + middle + slow
    grown = 0.0
    if state.nitrogen > EXHAUSTED_G_L or state.readiness < READIEST:
        growth = yeast.growth * pace_at(strain, state.temperature_c) * bears * STEP_H
        state.readiness = min(state.readiness * math.exp(growth), READIEST)
        fed = state.nitrogen / (NITROGEN_HALF_G_L + state.nitrogen) * sugar / (GROWTH_HALF_G_L + sugar)
        grown = min(growth * ready * fed * state.cells, state.nitrogen * yeast.cells_per_nitrogen)
        state.nitrogen = max(state.nitrogen - grown / yeast.cells_per_nitrogen, 0.0)
    state.sugars = (first - fast, second - middle, third - slow)
    state.ethanol += flow / SUGAR_PER_ETHANOL
    state.gone += flow
    return flow, grown


def _warm(state: _State, yeast: Yeast, carboy: Carboy, room_c: float, flow: float) -> None:
    """A step of falling asleep or waking, and of the liquid's temperature."""
    above, width = WAKING_C
    awake = 1.0 / (1.0 + math.exp((yeast.sleeps_below_c + above - state.temperature_c) / width))
    over_h = yeast.wake_h if awake > state.awake else FALLS_ASLEEP * yeast.wake_h
    state.awake += (awake - state.awake) * STEP_H / over_h
    state.temperature_c += (room_c - state.temperature_c) * STEP_H / carboy.cooling_h + HEAT_K_PER_G_L * flow


def _dissolve(state: _State) -> None:
    """A step of what lies at the bottom."""
    share = min(state.undissolved, max(state.undissolved * STEP_H / DISSOLVES_H, 0.05))
    state.undissolved -= share
    first, second, third = state.sugars
    state.sugars = (first + 0.5 * share, second + 0.5 * share, third)
    state.given += share


def _do(deed: Deed, state: _State, must: Must, yeast: Yeast) -> None:
    """Apply what the maker does to the state."""
    match deed.kind:
        case DeedKind.SUGAR:
            state.undissolved += deed.amount
        case DeedKind.NUTRIENT:
            state.nitrogen += deed.amount
        case DeedKind.YEAST:
            state.cells += deed.amount
            state.death *= 0.12
        case DeedKind.RACK:
            state.cells *= deed.amount
        case DeedKind.STABILISE:
            state.nitrogen = 0.0
            state.stabilised = True
        case DeedKind.RESTART:
            sugar = state.sugars[0] + state.undissolved
            bears = max(borne(yeast, state.ethanol), 0.02**yeast.limit_power)
            per_cell = taken(yeast, (sugar, 0.0, 0.0))[0] * work_at(yeast, state.temperature_c) * bears
            state.cells = deed.amount / (24.0 * must.points_per_g * per_cell)
            # few of them, not ready yet, of the hardiest, and afloat
            state.nitrogen = 0.0
            state.readiness = 0.15
            state.death *= 0.2
            state.settle = 0.0


def _course(table: FloatArray, must: Must) -> Course:
    given, gone = table[:, 0], table[:, 1]
    begun = must.gravity_points + POINTS_PER_G_L * given
    return Course(
        hours=np.arange(len(table), dtype=np.float64) * STEP_H,
        points=begun - must.points_per_g * gone,
        attainable_points=begun - must.points_per_g * (sum(must.sugars_g_l) + given),
        temperature_c=table[:, 2].copy(),
        sugars_g_l=table[:, 4:].copy(),
        ethanol_g_l=table[:, 3].copy(),
    )
