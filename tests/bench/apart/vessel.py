"""A vessel followed through its room: what ferments, what its maker does, what gravity that gives.

Gravity is by masses: ethanol by Balling, partial volumes by OIML R 22 and ICUMSA SPS-4, as in `must.liquid`.
What each doing leads to, and how a cold spell comes and goes, is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from math import exp
from typing import Final

import numpy as np

from apart.kinetics import (
    EXTRACT_PER_ETHANOL,
    GRAMS_PER_MMOL,
    HEAT_K_PER_G_L,
    SURVIVORS_AT_C,
    SURVIVORS_HALF_G_L,
    UPTAKE_PER_K,
    FloatArray,
    Slopes,
    State,
    Yeast,
    borne,
    honey_growth,
    honey_uptake,
    malt_growth,
    malt_uptake,
    moved,
    rising,
    turning,
    warm_enough,
)
from monitor.must.density import WATER_20C_KG_M3, ethanol_water_relative_density, sucrose_density_kg_m3

STEP_H: Final = 0.5
POINTS_PER_G_L: Final = 0.47
"""About what a fermented gram a litre takes off the gravity, to size the survivors of a stabilised batch."""
ROUSED: Final = 0.4
"""Share of the cells that nutrient stirs up."""
LEES: Final = 0.1
"""Cells that it wakes in the lees, as a share of those pitched."""
LEES_KEPT: Final = 0.2
"""Share of the settled cells that comes along in racking."""


class DoingKind(StrEnum):
    """What is done, and what its amount is."""

    SUGAR = "sugar"
    """g in a litre of the first must."""
    SWEETEN = "sweeten"
    """The same, and not counted in what the must could reach."""
    NUTRIENT = "nutrient"
    """g/L of nitrogen."""
    RACK = "rack"
    """Share of the cells afloat that is kept."""
    STABILISE = "stabilise"
    """Nothing works or grows from then on; no amount."""
    RESTART = "restart"
    """Points a day at which survivors ferment, once they are awake."""


@dataclass(frozen=True, slots=True)
class Doing:
    """What is done at an hour, or at the first whole one by which a share of the must's sugar has gone."""

    kind: DoingKind
    amount: float = 0.0
    hour: float | None = None
    gone: float | None = None
    ferments: float = 1.0
    """Of sugar that is added, the share that can ferment."""
    over_h: float = 0.0
    """In which survivors wake."""
    told: bool = True
    """Whether it is in the journal."""


@dataclass(frozen=True, slots=True)
class Chill:
    """A cold spell that comes when so much of the sugar has gone."""

    from_gone: float
    depth_k: float
    days: float


@dataclass(frozen=True, slots=True)
class Vessel:
    """A must as it is pitched, a litre of it, and what will befall it."""

    malt: bool
    water_g: float
    unfermentable_g: float
    sugars_g: tuple[float, float, float]
    """Glucose, maltose and maltotriose; or glucose, fructose and disaccharides."""
    nitrogen_g_l: float
    glycerol_share: float
    """Of the sugar that goes."""
    cooling_h: float
    start_c: float
    doings: tuple[Doing, ...] = ()
    chill: Chill | None = None
    held: bool = False
    """At the temperature it starts with, as the published runs are."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A ferment as it went, a row every `STEP_H` from pitching."""

    gravity_sg: FloatArray
    temperature_c: FloatArray
    attainable_sg: float
    """With all that was added before a sweetening."""
    gone: FloatArray
    """Share of the sugar in the must."""
    done_h: tuple[float | None, ...]
    """When each doing of the vessel was done; None for those whose time never came."""


@dataclass(slots=True)
class _Afoot:
    """What doings and cold spells have made of a vessel so far."""

    added_g: float
    """Sugar that can ferment, since the start."""
    unfermentable_g: float
    whole_g: float
    """What a share gone is reckoned from."""
    death: float
    grams: tuple[float, float, float]
    """Of a unit of each sugar."""
    proper_g: float = field(init=False)
    proper_unfermentable_g: float = field(init=False)
    """Both without what a sweetening added."""
    alive: float = 1.0
    survivors_g_h: float = 0.0
    survivors_from_h: float = 0.0
    survivors_over_h: float = 1.0
    chilled_h: float | None = None

    def __post_init__(self) -> None:
        self.proper_g, self.proper_unfermentable_g = self.added_g, self.unfermentable_g

    def left_g(self, state: State) -> float:
        """Sugar that can still ferment."""
        first, second, third = self.grams
        return state.first * first + state.second * second + state.third * third


def sg_of(water_g: float, ethanol_g: FloatArray, extract_g: FloatArray) -> FloatArray:
    """SG 20/20 of masses: partial volumes by OIML R 22 and ICUMSA SPS-4."""
    solvent_g = water_g + ethanol_g
    water = WATER_20C_KG_M3
    solvent_l = solvent_g / (ethanol_water_relative_density(ethanol_g / solvent_g) * water)
    solution_g = extract_g + water_g
    volume_l = solvent_l + solution_g / sucrose_density_kg_m3(extract_g / solution_g) - water_g / water
    return np.asarray((solvent_g + extract_g) / volume_l / water)


def _slopes(vessel: Vessel, yeast: Yeast, afoot: _Afoot, state: State, hour: float, room_c: float) -> Slopes:
    """How fast everything moves at an hour."""
    left_g = afoot.left_g(state)
    ethanol_g = (afoot.added_g - left_g) * (1.0 - vessel.glycerol_share) / EXTRACT_PER_ETHANOL
    warm_c = state.temperature_c
    gate = warm_enough(yeast, warm_c)
    pace = yeast.uptake * gate * borne(yeast, ethanol_g) * afoot.alive
    if vessel.malt:
        uptake = malt_uptake(yeast, state, pace)
        growth = malt_growth(state, uptake)
    else:
        uptake = honey_uptake(yeast, state, pace)
        growth = honey_growth(state, yeast.growth * gate * afoot.alive, afoot.death, ethanol_g)
    turns = turning(yeast, warm_c, hour, gate) * state.lagging
    first, second, third = uptake
    grams = afoot.grams
    burnt_g = (
        first * state.first * grams[0] + second * state.second * grams[1] + third * state.third * grams[2]
    )
    if afoot.survivors_g_h > 0.0 and hour >= afoot.survivors_from_h:
        awake = 1.0 - exp(-(hour - afoot.survivors_from_h) / afoot.survivors_over_h)
        again = afoot.survivors_g_h * awake * exp(UPTAKE_PER_K * (warm_c - SURVIVORS_AT_C)) * gate
        first += again / (state.first * grams[0] + SURVIVORS_HALF_G_L)
    warms = 0.0 if vessel.held else (room_c - warm_c) / vessel.cooling_h + HEAT_K_PER_G_L * burnt_g
    afloat = rising(yeast, state, 1.0 - left_g / afoot.added_g)
    return Slopes(first, second, third, -turns, growth.cells + turns, afloat, growth.nitrogen_g_l, warms)


def _is_due(doing: Doing, step: int, gone: float) -> bool:
    if doing.hour is not None:
        return step * STEP_H >= doing.hour
    # at a whole hour, that the hourly course shows the step where the entry has it
    return doing.gone is not None and gone >= doing.gone and step % 2 == 0


def _done(doing: Doing, yeast: Yeast, afoot: _Afoot, state: State, left_g: float, hour: float) -> State:
    """What a doing makes of the vessel; `left_g` of sugar stood in it before this hour's doings."""
    match doing.kind:
        case DoingKind.SUGAR | DoingKind.SWEETEN:
            sugar_g = doing.amount * doing.ferments
            afoot.added_g += sugar_g
            afoot.unfermentable_g += doing.amount * (1.0 - doing.ferments)
            if doing.kind is DoingKind.SUGAR:
                afoot.proper_g, afoot.proper_unfermentable_g = afoot.added_g, afoot.unfermentable_g
                afoot.whole_g = max(afoot.whole_g, left_g + sugar_g)
            return state._replace(first=state.first + sugar_g / afoot.grams[0])
        case DoingKind.NUTRIENT:
            afoot.death = yeast.death * yeast.fed_death
            return state._replace(
                nitrogen_g_l=state.nitrogen_g_l + doing.amount,
                afloat=min(1.0, state.afloat + ROUSED),
                cells=state.cells + LEES * yeast.pitched,
            )
        case DoingKind.RACK:
            floating = state.afloat * doing.amount
            kept = floating + (1.0 - state.afloat) * LEES_KEPT
            return state._replace(afloat=floating / kept, cells=state.cells * kept)
        case DoingKind.STABILISE:
            afoot.alive = 0.0
        case DoingKind.RESTART:
            afoot.survivors_g_h = doing.amount / POINTS_PER_G_L / 24.0
            afoot.survivors_from_h, afoot.survivors_over_h = hour, max(doing.over_h, 1.0)
    return state


def _chilled_by_k(chill: Chill | None, afoot: _Afoot, hour: float, gone: float) -> float:
    """How much colder the room is for a cold spell, which begins once enough has gone."""
    if chill is None:
        return 0.0
    if afoot.chilled_h is None:
        if gone < chill.from_gone:
            return 0.0
        afoot.chilled_h = hour
    ends_h = afoot.chilled_h + 24.0 * chill.days
    return (
        chill.depth_k
        / (1.0 + exp((afoot.chilled_h + 12.0 - hour) / 3.0))
        / (1.0 + exp((hour - ends_h) / 3.0))
    )  # fmt: skip


def _bounded(state: State) -> State:
    return state._replace(cells=max(state.cells, 0.0), afloat=min(max(state.afloat, 0.0), 1.0))


def follow(vessel: Vessel, yeast: Yeast, room_c: FloatArray) -> Outcome:
    """The vessel through every half hour of the room, by midpoint steps."""
    grams = GRAMS_PER_MMOL if vessel.malt else (1.0, 1.0, 1.0)
    first, second, third = (sugar_g / of for sugar_g, of in zip(vessel.sugars_g, grams, strict=True))
    lagging, active = (1.0 - yeast.active_share) * yeast.pitched, yeast.active_share * yeast.pitched
    state = State(first, second, third, lagging, active, 1.0, vessel.nitrogen_g_l, vessel.start_c)
    whole_g = sum(vessel.sugars_g)
    afoot = _Afoot(whole_g, vessel.unfermentable_g, whole_g, yeast.death, grams)
    done_h: list[float | None] = [None] * len(vessel.doings)
    rows = []
    for step, room in enumerate(room_c.tolist()):
        hour = step * STEP_H
        left_g = afoot.left_g(state)
        gone = 1.0 - left_g / afoot.whole_g
        for at, doing in enumerate(vessel.doings):
            if done_h[at] is None and _is_due(doing, step, gone):
                state = _done(doing, yeast, afoot, state, left_g, hour)
                done_h[at] = hour
        around_c = room - _chilled_by_k(vessel.chill, afoot, hour, gone)
        rows.append((afoot.left_g(state), afoot.added_g, afoot.unfermentable_g, state.temperature_c, gone))
        slopes = _slopes(vessel, yeast, afoot, state, hour, around_c)
        midway = moved(state, slopes, 0.5 * STEP_H)
        slopes = _slopes(vessel, yeast, afoot, midway, hour + 0.5 * STEP_H, around_c)
        state = _bounded(moved(state, slopes, STEP_H))
    left, added, unfermentable, temperature, shares = np.array(rows).T.copy()
    reach = _gravity(
        vessel, np.array([afoot.proper_g]), np.array([0.0]), np.array([afoot.proper_unfermentable_g])
    )
    return Outcome(
        _gravity(vessel, added - left, left, unfermentable),
        temperature,
        float(reach[0]),
        shares,
        tuple(done_h),
    )


def _gravity(
    vessel: Vessel, used_g: FloatArray, left_g: FloatArray, unfermentable_g: FloatArray
) -> FloatArray:
    """What it reads with so much sugar used and so much left."""
    glycerol = vessel.glycerol_share
    ethanol_g = (1.0 - glycerol) * used_g / EXTRACT_PER_ETHANOL
    return sg_of(vessel.water_g, ethanol_g, unfermentable_g + left_g + glycerol * used_g)
