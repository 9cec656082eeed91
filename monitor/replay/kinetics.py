"""A ferment as a mechanism: cells, nitrogen, sugars, ethanol and warmth, integrated in time.

The frame is the nitrogen-limited wine model of Cramer, Vlassides & Block (Biotechnol. Bioeng. 77 (2002) 49):
growth on nitrogen by Monod, sugar uptake by Monod, cells killed by ethanol. What is added, and why:

- several sugars, each waiting for the ones before it (as glucose, maltose and maltotriose in Gee & Ramirez,
  J. Inst. Brew. 100 (1994) 321), the last of them slow: they make the long tails of real ferments;
- cells that wake from a lag, fall asleep in the cold and wake again slowly, settle out when little is left;
- uptake capacity that decays while there is no nitrogen and is rebuilt when there is (turnover of sugar
  transporters in starved cells): it makes sluggish and hungry ferments;
- cardinal temperatures (Rosso 1993; values near Salvado et al., AEM 77 (2011) 2292) and the ceiling of
  ethanol tolerance;
- the heat of the ferment and the loss of heat to the room.

None of this has a closed form, so no curve that an analysis might fit is favoured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.replay.kinetics_malt import Rates, cell_rates, three_sugar_rates

FloatArray = NDArray[np.float64]

STEP_H: Final = 0.5
"""Integration step; the fastest process here has a time constant over 3 h."""

WATER_KG_M3: Final = 998.2
EXTRACT_KG_M3_PER_G_L: Final = 0.385
"""Rise of density at 20 degC by dissolved sugar: from handbook densities of aqueous glucose and fructose."""
GLYCEROL_KG_M3_PER_G_L: Final = 0.21
SPENT_G_L: Final = 0.04
"""With less fermentable sugar than this (0.02 points) only the temperature goes on moving."""
HEAT_K_PER_G_L: Final = 0.135
"""Adiabatic warming by a gram of hexose per litre: about 100 kJ a mole in water of 4.1 kJ/(L K)."""
REFERENCE_C: Final = 20.0
NITROGEN_HALF_G_L: Final = 0.010
BIOMASS_PER_NITROGEN: Final = 31.0


class Model(StrEnum):
    """Which published model the ferment follows."""

    NITROGEN = "nitrogen"
    THREE_SUGARS = "three sugars"
    CELLS = "cells"


@dataclass(frozen=True, slots=True)
class Sugar:
    """One fermentable sugar: how much, how willingly it is taken up, and what it waits for."""

    grams_l: float
    uptake: float = 1.0
    """Relative to the strain's uptake."""
    half_g_l: float = 8.0
    waits_for_g_l: float = 1.0e9
    """Grams per litre of the sugars before it that halve its uptake."""


@dataclass(frozen=True, slots=True)
class Strain:
    """The yeast; rates are per hour at 20 degC."""

    model: Model = Model.NITROGEN
    speed: float = 1.0
    """Scales time in the malt models, which know none of what follows."""
    growth: float = 0.16
    growth_half_g_l: float = 2.0
    uptake: float = 0.22
    lag_h: float = 8.0
    coldest_c: float = 3.0
    best_c: float = 30.0
    hottest_c: float = 42.0
    ethanol_limit_g_l: float = 115.0
    limit_power: float = 0.8
    death_per_g_h: float = 2.5e-5
    turnover: float = 0.0012
    """Loss of uptake capacity per hour when starved of nitrogen."""
    sleeps_below_c: float = 10.0
    sleep_h: float = 14.0
    wake_h: float = 30.0
    settle: float = 0.0015
    """Share of the cells that settles out per hour once little sugar is left."""


@dataclass(frozen=True, slots=True)
class Wort:
    """The liquid at pitching, grams per litre; `salts_kg_m3` is density by acids and minerals."""

    sugars: tuple[Sugar, ...]
    unfermentable_g_l: float
    nitrogen_g_l: float
    pitch_g_l: float
    ethanol_yield: float = 0.475
    glycerol_yield: float = 0.035
    salts_kg_m3: float = 0.5


@dataclass(frozen=True, slots=True)
class Deed:
    """What the maker does at an hour after pitching.

    `kind` is `sugar` (amount g/L), `nutrient` (g/L nitrogen), `rack` (share of cells kept), `stabilise`
    (share of cells kept asleep), or `restart` (points a day at which the survivors ferment; they wake over
    `over_h`).
    """

    hour: float
    kind: str
    amount: float
    over_h: float = 0.0


@dataclass(frozen=True, slots=True)
class Course:
    """A ferment as it truly went: one row a step, `hours` from pitching."""

    hours: FloatArray
    gravity_sg: FloatArray
    temperature_c: FloatArray
    attainable_sg: FloatArray
    """The gravity if every fermentable gram then present were to go."""

    def first(self, rows: int) -> Course:
        """The course up to so many rows."""
        return Course(
            self.hours[:rows], self.gravity_sg[:rows], self.temperature_c[:rows], self.attainable_sg[:rows]
        )


# positions in the state
LAGGING, ACTIVE, ASLEEP, NITROGEN, CAPACITY, ETHANOL, GLYCEROL, WARMTH, FIRST_SUGAR = range(9)


def gravity_of(
    sugar_g_l: FloatArray, ethanol_g_l: FloatArray, glycerol_g_l: FloatArray, salts_kg_m3: float
) -> FloatArray:
    """Specific gravity 20/20 of what is dissolved, by partial densities (coefficients against handbooks)."""
    density = (
        WATER_KG_M3
        + salts_kg_m3
        + EXTRACT_KG_M3_PER_G_L * sugar_g_l
        - (0.190 * ethanol_g_l - 0.00024 * ethanol_g_l**2)
        + GLYCEROL_KG_M3_PER_G_L * glycerol_g_l
    )
    return density / WATER_KG_M3


def extract_for(gravity_sg: float, salts_kg_m3: float) -> float:
    """Grams of dissolved extract per litre that give a must of this gravity."""
    return (WATER_KG_M3 * (gravity_sg - 1.0) - salts_kg_m3) / EXTRACT_KG_M3_PER_G_L


def pace_at(strain: Strain, temperature_c: float) -> float:
    """Speed of the yeast's work relative to 20 degC, by cardinal temperatures; 0 outside of them."""
    return _cardinal(strain, temperature_c) / _cardinal(strain, REFERENCE_C)


def _cardinal(strain: Strain, temperature_c: float) -> float:
    low, best, high = strain.coldest_c, strain.best_c, strain.hottest_c
    if not low < temperature_c < high:
        return 0.0
    above = temperature_c - low
    below = (best - low) * (temperature_c - best) - (best - high) * (best + low - 2.0 * temperature_c)
    return (temperature_c - high) * above * above / ((best - low) * below)


def rates_of(strain: Strain, wort: Wort, cooling_h: float, heat: float) -> Rates:
    """The derivative of the state: a function of the state and the room's temperature."""
    if strain.model is Model.THREE_SUGARS:
        return three_sugar_rates(strain.speed, wort.ethanol_yield, heat, cooling_h)
    if strain.model is Model.CELLS:
        at_start = sum(sugar.grams_l for sugar in wort.sugars)
        return cell_rates(strain.speed, at_start, wort.ethanol_yield, heat, cooling_h)
    return _nitrogen_rates(strain, wort, cooling_h, heat)


def start_of(strain: Strain, wort: Wort, start_c: float) -> list[float]:
    """The state at pitching."""
    if strain.model is Model.THREE_SUGARS:
        cells = [0.0, 125.0, 0.0, 0.0, 0.0]
    elif strain.model is Model.CELLS:
        cells = [1.92, 0.08, 0.0, 2.0, 0.0]
    else:
        cells = [wort.pitch_g_l, 0.02 * wort.pitch_g_l, 0.0, wort.nitrogen_g_l, 1.0]
    return [*cells, 0.0, 0.0, start_c, *(sugar.grams_l for sugar in wort.sugars)]


def _nitrogen_rates(strain: Strain, wort: Wort, cooling_h: float, heat: float) -> Rates:
    sugars = wort.sugars
    ethanol_yield, glycerol_yield = wort.ethanol_yield, wort.glycerol_yield
    reference = _cardinal(strain, REFERENCE_C)

    def rates(state: Sequence[float], room_c: float) -> list[float]:
        lagging, active, asleep, nitrogen, capacity, ethanol, _, warmth = state[:FIRST_SUGAR]
        pace = _cardinal(strain, warmth) / reference
        room_left = 1.0 - ethanol / strain.ethanol_limit_g_l
        work = pace * room_left**strain.limit_power if room_left > 0.0 else 0.0
        flows = []
        before = 0.0
        total = 0.0
        for sugar, left in zip(sugars, state[FIRST_SUGAR:], strict=True):
            held = left if left > 0.0 else 0.0
            flow = strain.uptake * sugar.uptake * work * capacity * active * held / (sugar.half_g_l + held)
            flow *= sugar.waits_for_g_l / (sugar.waits_for_g_l + before)
            flows.append(-flow)
            total += flow
            before += held
        fed = nitrogen / (NITROGEN_HALF_G_L + nitrogen) if nitrogen > 0.0 else 0.0
        grown = strain.growth * work * fed * before / (strain.growth_half_g_l + before) * active
        woken = lagging * pace / strain.lag_h
        cold = strain.sleeps_below_c - warmth
        dozing = active * min(cold, 2.0) / (2.0 * strain.sleep_h) if cold > 0.0 else 0.0
        roused = asleep * pace / strain.wake_h if cold < -1.0 else 0.0
        kill = strain.death_per_g_h * ethanol * (2.2 ** ((warmth - REFERENCE_C) / 6.0))
        sinking = strain.settle * 6.0 / (6.0 + before)
        return [
            -woken,
            grown + woken + roused - dozing - (kill + sinking) * active,
            dozing - roused - 0.3 * kill * asleep,
            -grown / BIOMASS_PER_NITROGEN,
            strain.turnover * pace * (fed * 6.0 * (1.0 - capacity) - (1.0 - fed) * capacity),
            ethanol_yield * total,
            glycerol_yield * total,
            heat * total - (warmth - room_c) / cooling_h,
            *flows,
        ]

    return rates


def _do(deed: Deed, state: list[float], strain: Strain, wort: Wort) -> None:
    """Apply what the maker does to the state, in place."""
    if deed.kind == "sugar":
        state[FIRST_SUGAR] += deed.amount
    elif deed.kind == "nutrient":
        state[NITROGEN] += deed.amount
    elif deed.kind == "rack":
        for cells in (LAGGING, ACTIVE, ASLEEP):
            state[cells] *= deed.amount
    elif deed.kind == "stabilise":
        state[LAGGING] = state[ASLEEP] = 0.0
        state[ACTIVE] *= deed.amount
        state[NITROGEN] = 0.0
    elif deed.kind == "restart":
        sugar = wort.sugars[0]
        room_left = max(1.0 - state[ETHANOL] / strain.ethanol_limit_g_l, 0.05)
        work = max(pace_at(strain, state[WARMTH]), 0.05) * room_left**strain.limit_power
        state[CAPACITY] = max(state[CAPACITY], 0.3)
        held = state[FIRST_SUGAR]
        per_cell = strain.uptake * sugar.uptake * work * state[CAPACITY] * held / (sugar.half_g_l + held)
        grams_an_hour = deed.amount * WATER_KG_M3 / 1000.0 / 0.475 / 24.0
        cells = grams_an_hour / max(per_cell, 1.0e-6)
        state[ACTIVE] = 0.15 * cells if deed.over_h > 0.0 else cells
        state[ASLEEP] = 0.0
        state[LAGGING] = 0.85 * cells if deed.over_h > 0.0 else 0.0
    else:
        raise ValueError(f"no such deed: {deed.kind}")


def integrate(
    wort: Wort,
    strain: Strain,
    room_c: FloatArray,
    deeds: Sequence[Deed],
    *,
    cooling_h: float,
    start_c: float,
    heat: float = HEAT_K_PER_G_L,
) -> Course:
    """Follow a ferment, by Runge-Kutta of fourth order in steps of `STEP_H`.

    `room_c` is the room's temperature at every half step, so its length is twice the steps and one.
    """
    rates = rates_of(strain, wort, cooling_h, heat)
    steps = (len(room_c) - 1) // 2
    state = start_of(strain, wort, start_c)
    waiting = sorted(deeds, key=lambda deed: deed.hour, reverse=True)
    room = room_c.tolist()
    rows = [tuple(state)]
    half = STEP_H / 2.0
    cooled = 1.0 - math.exp(-STEP_H / cooling_h)
    for step in range(steps):
        hour = step * STEP_H
        while waiting and waiting[-1].hour <= hour:
            _do(waiting.pop(), state, strain, wort)
        a, b, c = room[2 * step], room[2 * step + 1], room[2 * step + 2]
        if sum(state[FIRST_SUGAR:]) < SPENT_G_L:
            state[WARMTH] += cooled * (b - state[WARMTH])
            rows.append(tuple(state))
            continue
        k1 = rates(state, a)
        k2 = rates([s + half * k for s, k in zip(state, k1, strict=True)], b)
        k3 = rates([s + half * k for s, k in zip(state, k2, strict=True)], b)
        k4 = rates([s + STEP_H * k for s, k in zip(state, k3, strict=True)], c)
        state = [
            s + STEP_H / 6.0 * (p + 2.0 * q + 2.0 * r + t)
            for s, p, q, r, t in zip(state, k1, k2, k3, k4, strict=True)
        ]
        rows.append(tuple(state))
    return _course(np.array(rows), wort)


def _course(table: FloatArray, wort: Wort) -> Course:
    fermentable = np.maximum(table[:, FIRST_SUGAR:], 0.0).sum(axis=1)
    ethanol, glycerol = table[:, ETHANOL], table[:, GLYCEROL]
    extract = fermentable + wort.unfermentable_g_l
    nothing = np.full(len(table), wort.unfermentable_g_l)
    return Course(
        hours=np.arange(len(table), dtype=np.float64) * STEP_H,
        gravity_sg=gravity_of(extract, ethanol, glycerol, wort.salts_kg_m3),
        temperature_c=table[:, WARMTH].copy(),
        attainable_sg=gravity_of(
            nothing,
            ethanol + wort.ethanol_yield * fermentable,
            glycerol + wort.glycerol_yield * fermentable,
            wort.salts_kg_m3,
        ),
    )
