"""Ferments whose second sugar waits for the first, by a yeast that wanes once its nitrogen is gone.

A mechanism beside those of `kinetics`, so that no single one is all there is:

- growth by Monod on nitrogen, uptake by Monod, cells killed by ethanol: Cramer, Vlassides & Block,
  Biotechnol. Bioeng. 77 (2002) 49;
- the second sugar held back by the first as the inhibited sugars of Gee & Ramirez, J. Inst. Brew. 100 (1994)
  321, and slow: it makes the tail;
- growth by the cardinal temperatures of Rosso (1993), between the two strains of Salvado et al., AEM 77
  (2011) 2292; uptake six times and death thirteen times as fast at 35 as at 11 degC, death rising more
  sharply above 25 degC: Coleman, Fish & Block, AEM 73 (2007) 5875;
- ethanol that slows all of it, by (1 - E/limit)^power: Levenspiel, Biotechnol. Bioeng. 22 (1980) 1671;
- a lag by the state of the cells: Baranyi & Roberts, Int. J. Food Microbiol. 23 (1994) 277;
- uptake that wanes in starved cells, as their transporters are lost: Salmon, AEM 55 (1989) 953; its pace, and
  that at which it comes back with nitrogen, are assumed, and so is how yeast falls asleep in the cold and
  wakes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.series import Floats
from monitor.replay.kinetics import NITROGEN_HALF_G_L, REFERENCE_C, Deed, Strain, pace_at
from monitor.replay.marks import BEGUN_POINTS, STALL_ABOVE, STALL_RATE, runs

STEPS_PER_HOUR: Final = 4
STEP_H: Final = 1.0 / STEPS_PER_HOUR
"""Integration step; what is fastest here takes more than ten of them."""
ETHANOL_YIELD: Final = 0.475
"""Grams of a gram of sugar: most of the 0.511 of the equation of Gay-Lussac, less cells and glycerol."""
HEAT_K_PER_G_L: Final = 0.556 / 4.0
"""About 100 kJ a mole of hexose, in a liquid of 4.0 kJ/(L K)."""
CARDINAL: Final = Strain(coldest_c=2.5, best_c=32.2, hottest_c=45.7)
UPTAKE_RISE_PER_C: Final = 0.0747
"""Six times from 11 to 35 degC."""
DEATH_RISE_PER_C: Final = 0.107
"""Thirteen times from 11 to 35 degC."""
DEATH_RISES_FROM_C: Final = 25.0
HOT_DEATH_RISE_PER_C: Final = 0.18
"""Above that; assumed."""
FIRST_OF_ADDED: Final = 0.9
"""Share of added sugar that is of the first kind; assumed."""
RECOVERY_PER_H: Final = 0.05
WANED_SHARE: Final = 0.02
"""What waning leaves of the uptake."""
SLEEP_PER_H: Final = 0.06
WAKE_PER_H: Final = 0.035
WAKES_ABOVE_C: Final = 1.5
"""So much warmer than where it falls asleep the yeast wakes again."""
SETTLED_SHARE: Final = 0.8
"""Of the cells that nitrogen gives, those still at work in the tail; assumed."""

STALL_LEAST_H: Final = 24.0
STALL_MERGE_H: Final = 12.0
"""Stalls less far apart than this are one."""


@dataclass(frozen=True, slots=True)
class Must:
    """The liquid at pitching."""

    start_points: float
    attainable_points: float
    sugar_g_l: float
    """All that the yeast can ferment."""
    nitrogen_g_l: float

    @property
    def drop_points(self) -> float:
        """By how much the gravity falls if all of the sugar goes."""
        return self.start_points - self.attainable_points

    @property
    def points_per_g_l(self) -> float:
        """Gravity is linear in the sugar gone, within a tenth of a point."""
        return self.drop_points / self.sugar_g_l


@dataclass(frozen=True, slots=True)
class Yeast:
    """The yeast and what the must's sugars are to it; rates are per hour at 20 degC."""

    growth: float
    cells_per_nitrogen: float
    uptake: float
    first_half_g_l: float
    second_share: float
    second_half_g_l: float
    second_time_h: float
    """Time constant of the second sugar's end, when the first is gone."""
    repressed_at_g_l: float
    """Of the first sugar, which then halves the uptake of the second."""
    ethanol_limit_g_l: float
    limit_power: float
    death_per_g_h: float
    waning: float
    pitch_g_l: float
    readiness: float
    """The state of the cells at pitching; the less, the longer the lag."""
    sleeps_below_c: float


@dataclass(frozen=True, slots=True)
class Room:
    """Where the carboy stands."""

    air_c: Floats
    """At every step."""
    cooling_h: float
    start_c: float
    """Of the liquid at pitching."""


class State(NamedTuple):
    """The ferment at an hour; masses in grams per litre."""

    cells: float
    first: float
    second: float
    ethanol: float
    nitrogen: float
    readiness: float
    able: float
    """Share of the uptake that has not waned."""
    awake: float
    warmth_c: float


@dataclass(frozen=True, slots=True)
class Fall:
    """A ferment as it truly went, one row a step."""

    must: Must
    states: tuple[State, ...]
    rate: Floats
    """Points a day that the yeast takes."""
    left_points: Floats
    """What the sugar still there could give."""
    temperature_c: Floats

    @property
    def hours(self) -> Floats:
        """From pitching, or from where the ferment was taken up."""
        return np.arange(self.rate.size, dtype=np.float64) * STEP_H

    @property
    def points(self) -> Floats:
        """Gravity: what cannot go, and what can still go. Added sugar leaves, once gone, what it found."""
        return self.must.attainable_points + self.left_points


def uptake_pace(temperature_c: float) -> float:
    """Speed of uptake relative to 20 degC."""
    return math.exp(UPTAKE_RISE_PER_C * (temperature_c - REFERENCE_C))


def death_pace(temperature_c: float) -> float:
    """Speed of dying relative to 20 degC."""
    mild_c = min(temperature_c, DEATH_RISES_FROM_C) - REFERENCE_C
    hot_c = max(temperature_c - DEATH_RISES_FROM_C, 0.0)
    return math.exp(DEATH_RISE_PER_C * mild_c + HOT_DEATH_RISE_PER_C * hot_c)


def start_of(must: Must, yeast: Yeast, start_c: float) -> State:
    """The state at pitching."""
    second = must.sugar_g_l * yeast.second_share
    return State(
        yeast.pitch_g_l, must.sugar_g_l - second, second, 0.0, must.nitrogen_g_l, yeast.readiness, 1.0, 1.0,
        start_c,
    )  # fmt: skip


def second_uptake(must: Must, yeast: Yeast) -> float:
    """Grams an hour by a gram of cells that empty the second sugar in its time, amid the final ethanol."""
    room_left = max(1.0 - ETHANOL_YIELD * must.sugar_g_l / yeast.ethanol_limit_g_l, 0.15)
    cells = SETTLED_SHARE * (yeast.cells_per_nitrogen * must.nitrogen_g_l + yeast.pitch_g_l)
    return yeast.second_half_g_l / (yeast.second_time_h * math.pow(room_left, yeast.limit_power) * cells)


def sugared(state: State, grams_l: float) -> State:
    """The state with sugar added."""
    first = state.first + FIRST_OF_ADDED * grams_l
    return state._replace(first=first, second=state.second + (1.0 - FIRST_OF_ADDED) * grams_l)


def survivors(must: Must, yeast: Yeast, state: State, points_per_day: float) -> tuple[Yeast, State]:
    """What goes again in a sweetened ferment: hardy cells that take so much once their lag is over."""
    limit = max(yeast.ethanol_limit_g_l, 1.3 * state.ethanol)
    yeast = replace(yeast, ethanol_limit_g_l=limit, waning=0.0005, death_per_g_h=0.2 * yeast.death_per_g_h)
    work = uptake_pace(state.warmth_c) * math.pow(1.0 - state.ethanol / limit, yeast.limit_power)
    by_a_gram = yeast.uptake * work * state.first / (yeast.first_half_g_l + state.first)
    cells = points_per_day / (24.0 * must.points_per_g_l * by_a_gram)
    nitrogen = min(state.nitrogen, 0.0005)
    return yeast, state._replace(cells=cells, able=1.0, awake=1.0, nitrogen=nitrogen)


def done(deed: Deed, state: State) -> State:
    """The state after what the maker does: `sugar`, `nutrient`, or `rack` (the share of cells kept)."""
    if deed.kind == "sugar":
        return sugared(state, deed.amount)
    if deed.kind == "nutrient":
        return state._replace(nitrogen=state.nitrogen + deed.amount)
    if deed.kind == "rack":
        return state._replace(cells=state.cells * deed.amount)
    raise ValueError(f"no such deed: {deed.kind}")


def follow(
    must: Must, yeast: Yeast, room: Room, deeds: Iterable[Deed] = (), *, start: State | None = None
) -> Fall:
    """The ferment for as long as the room is known, in steps of `STEP_H` by Euler's method."""
    second_per_h = second_uptake(must, yeast)
    waiting = sorted(deeds, key=lambda deed: deed.hour, reverse=True)
    state = start_of(must, yeast, room.start_c) if start is None else start
    states = []
    flows = []
    growth_t = uptake_t = death_t = 0.0
    for step, air_c in enumerate(room.air_c.tolist()):
        while waiting and waiting[-1].hour <= step * STEP_H:
            state = done(waiting.pop(), state)
        cells, first, second, ethanol, nitrogen, readiness, able, awake, warmth_c = state
        if step % STEPS_PER_HOUR == 0:  # it warms and cools over hours
            growth_t = yeast.growth * pace_at(CARDINAL, warmth_c)
            uptake_t = uptake_pace(warmth_c)
            death_t = yeast.death_per_g_h * death_pace(warmth_c)
        room_left = 1.0 - ethanol / yeast.ethanol_limit_g_l
        work = awake * readiness / (1.0 + readiness)
        work *= room_left**yeast.limit_power if room_left > 0.0 else 0.0
        fed = nitrogen / (nitrogen + NITROGEN_HALF_G_L)
        at_it = cells * uptake_t * work * able
        first_flow = min(yeast.uptake * at_it * first / (yeast.first_half_g_l + first), first / STEP_H)
        repressed = yeast.repressed_at_g_l / (yeast.repressed_at_g_l + first)
        second_flow = second_per_h * at_it * repressed * second / (yeast.second_half_g_l + second)
        second_flow = min(second_flow, second / STEP_H)
        flow = first_flow + second_flow
        states.append(state)
        flows.append(flow)
        grown = min(growth_t * fed * work * cells * STEP_H, nitrogen * yeast.cells_per_nitrogen)
        if warmth_c < yeast.sleeps_below_c:
            stirs = -SLEEP_PER_H * awake
        elif warmth_c > yeast.sleeps_below_c + WAKES_ABOVE_C:
            # the awake rouse the others
            stirs = WAKE_PER_H * (1.0 - awake) * (0.1 + awake)
        else:
            stirs = 0.0
        mends = RECOVERY_PER_H * fed * (1.0 - able) - yeast.waning * (1.0 - fed) * (able - WANED_SHARE)
        state = State(
            cells + grown - death_t * ethanol * cells * STEP_H,
            first - first_flow * STEP_H,
            second - second_flow * STEP_H,
            ethanol + ETHANOL_YIELD * flow * STEP_H,
            nitrogen - grown / yeast.cells_per_nitrogen,
            min(readiness * (1.0 + growth_t * STEP_H), 1.0e6),
            able + mends * STEP_H,
            awake + stirs * STEP_H,
            warmth_c + ((air_c - warmth_c) / room.cooling_h + HEAT_K_PER_G_L * flow) * STEP_H,
        )
    return Fall(
        must=must,
        states=tuple(states),
        rate=np.array(flows) * must.points_per_g_l * 24.0,
        left_points=np.array([state.first + state.second for state in states]) * must.points_per_g_l,
        temperature_c=np.array([state.warmth_c for state in states]),
    )


def first_hour(reached: NDArray[np.bool_]) -> float | None:
    """The first hour at which something holds; None where it never does."""
    found = np.flatnonzero(reached)
    return float(found[0]) * STEP_H if found.size else None


def stalls_of(fall: Fall) -> tuple[tuple[float, float], ...]:
    """Hours from and until of every day and more of hardly any fall with much of it still to come, the rate
    taken over half a day."""
    half_day = 12 * STEPS_PER_HOUR
    padded = np.pad(fall.rate, half_day // 2, mode="edge")
    smooth = np.convolve(padded, np.full(half_day, 1.0 / half_day), "valid")[: fall.rate.size]
    begun = np.maximum.accumulate(fall.points) - fall.points > BEGUN_POINTS
    still = (smooth < STALL_RATE) & (fall.left_points > STALL_ABOVE) & begun
    merged: list[tuple[float, float]] = []
    for first, end in runs(still):
        from_h, until_h = first * STEP_H, min(end, fall.rate.size - 1) * STEP_H
        if merged and from_h - merged[-1][1] < STALL_MERGE_H:
            from_h = merged.pop()[0]
        merged.append((from_h, until_h))
    return tuple((from_h, until_h) for from_h, until_h in merged if until_h - from_h >= STALL_LEAST_H)


def tail_hours(fall: Fall) -> float:
    """Hours at under a point a day with two points and more to go, once the first two fifths are gone."""
    left = fall.points - fall.points.min()
    late = (fall.hours > 24.0) & (fall.left_points < 0.6 * fall.must.drop_points)
    return float(np.count_nonzero((fall.rate < 1.0) & (left >= 2.0) & late)) * STEP_H
