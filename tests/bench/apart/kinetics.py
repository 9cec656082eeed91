"""How fast cells work in a must: published models for wort, and for honey or fruit.

Wort: the three sugars of Gee & Ramirez (J. Inst. Brew. 100 (1994) 321), their table interpolated in its
logarithm and drawn out above 16 degC. Honey and fruit: the nitrogen-limited model of Cramer, Vlassides &
Block (Biotechnol. Bioeng. 77 (2002) 49) with one set of coefficients that is in teaching use (that it is the
paper's is not verified); growth, uptake and kill by temperature in the form of Coleman, Fish & Block (Appl.
Environ. Microbiol. 73 (2007) 5875), relative to 20 degC, the coefficients of growth and kill from memory.
Both: lagging cells turn active by mu_L of de Andres-Toro et al. (IFAC 1997).

Assumed, from no paper: glucose and fructose in competition, disaccharides held back by glucose; cells that
settle late or in the cold and rise again; alcohol's limit on uptake as a power; a cut-off near the coldest
temperature; survivors of a stabilised batch; the vessel's heat.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

HEAT_K_PER_G_L: Final = 0.137
"""0.55 kJ for a gram of sugar, in a litre of 4.0 kJ/K (from memory)."""
EXTRACT_PER_ETHANOL: Final = 2.0665
"""Balling: grams of sugar that give a gram of ethanol."""
GRAMS_PER_MMOL: Final = (0.18016, 0.3423, 0.50444)
"""Of glucose, maltose and maltotriose."""
CELLS_PER_MOL: Final = (0.134, 0.268, 0.402)
"""Cells grown on a mole of each (Gee & Ramirez)."""
GROWTH_PER_H: Final = 0.16
"""At 20 degC and plenty of nitrogen; this and the next five are one set of the nitrogen-limited model."""
NITROGEN_HALF_G_L: Final = 0.010
CELLS_PER_NITROGEN: Final = 31.0
ETHANOL_PER_H: Final = 0.3
"""Grams by a gram of cells."""
ETHANOL_PER_SUGAR: Final = 0.47
SUGAR_HALF_G_L: Final = 10.0
KILL_PER_G_H: Final = 1e-4
UPTAKE_PER_K: Final = 0.0747
"""Natural logarithm: 2.11 times for 10 K, near the sixfold of Coleman, Fish & Block from 11 to 35 degC."""
GROWTH_PER_K: Final = 0.0782
"""Natural logarithm; Coleman, Fish & Block from memory, as are the three of `KILL_BY_C`."""
KILL_BY_C: Final = (0.248, 0.108, 0.00478)
DISACCHARIDES_PACE: Final = 0.03
LAGS_ON: Final = 0.02
"""Pace of turning active before `Yeast.wakes_after_h`."""
GATE_K: Final = 3.0
"""Width of the cut-off above the coldest temperature."""
SINKS_PER_H: Final = 0.12
SURVIVORS_HALF_G_L: Final = 0.8
SURVIVORS_AT_C: Final = 18.0

_TABLE_C = np.array([4.0, 8.0, 12.0, 16.0])
_UPTAKES = np.log(
    [[0.0048, 0.013, 0.015, 0.0302], [0.0144, 0.0268, 0.028, 0.0364], [0.087, 0.113, 0.130, 0.151]]
)
_HALVES = np.log([[23.5, 4.7, 1.8, 0.102], [1100.0, 814.0, 610.0, 360.0], [10900.0, 7160.0, 4460.0, 2410.0]])
_HOLDS = np.log([[123.0, 182.0, 240.0, 262.0], [2090.0, 6360.0, 8010.0, 17500.0]])
_PER_C: Final = 4.0
_GRID_C = np.arange(0.0, 40.01, 1.0 / _PER_C)
_LAST_ROW: Final = 160


def _finely(rows: FloatArray, held_above_c: float) -> FloatArray:
    """The table's rows on a fine grid: straight in the logarithm, drawn out to `held_above_c`, then held."""
    at = np.clip(_GRID_C, 4.0, held_above_c)
    slope = (rows[:, -1] - rows[:, -2]) / 4.0
    inner = np.array([np.interp(at, _TABLE_C, row) for row in rows])
    return np.asarray(np.exp(inner + slope[:, None] * np.maximum(at - 16.0, 0.0)))


# a glucose constant near nothing is only stiff: none under 2 mol/m3
MALT_TABLE: Final[list[list[float]]] = np.vstack(
    [_finely(_UPTAKES, 24.0), np.maximum(_finely(_HALVES, 20.0), 2.0), _finely(_HOLDS, 16.0)]
).T.tolist()
"""Every quarter of a degC from 0: uptakes, halves, and what holds back, of glucose, maltose, maltotriose."""


@dataclass(frozen=True, slots=True)
class Yeast:
    """What the cells are like; paces are relative to the published ones."""

    pitched: float
    """g/L in honey and fruit, mol/m3 in wort."""
    active_share: float = 0.04
    waking: float = 1.0
    wakes_after_h: float = 0.0
    growth: float = 1.0
    uptake: float = 1.0
    death: float = 1.0
    fructose_half_g_l: float = 20.0
    slow_sugar: float = 1.0
    """Of the last sugar: maltotriose, or a honey's disaccharides."""
    ethanol_limit_g_l: float = 140.0
    ethanol_power: float = 2.0
    coldest_c: float = 3.0
    drops_below_c: float = 8.0
    settles_from: float = 0.8
    """Share of the sugar gone."""
    late_afloat: float = 1.0
    """Share of the cells still afloat at the end."""
    rises_per_h: float = 0.03
    fed_death: float = 0.1
    """What nutrient leaves of the dying."""


class State(NamedTuple):
    """What moves by itself: the sugars in g/L or mol/m3 as the cells are."""

    first: float
    second: float
    third: float
    lagging: float
    cells: float
    afloat: float
    """Share of the cells."""
    nitrogen_g_l: float
    temperature_c: float


class Slopes(NamedTuple):
    """Per hour: the shares of each sugar that go, and by how much the rest of the state changes."""

    first: float
    second: float
    third: float
    lagging: float
    cells: float
    afloat: float
    nitrogen_g_l: float
    temperature_c: float


class Growth(NamedTuple):
    """Per hour: cells grown less cells killed, and what it takes of the nitrogen."""

    cells: float
    nitrogen_g_l: float


def moved(state: State, slopes: Slopes, hours: float) -> State:
    """The state so much later at these slopes; each sugar falls by its share, and so stays above nothing."""
    return State(
        state.first * exp(-hours * slopes.first),
        state.second * exp(-hours * slopes.second),
        state.third * exp(-hours * slopes.third),
        state.lagging + hours * slopes.lagging,
        state.cells + hours * slopes.cells,
        state.afloat + hours * slopes.afloat,
        max(state.nitrogen_g_l + hours * slopes.nitrogen_g_l, 0.0),
        state.temperature_c + hours * slopes.temperature_c,
    )


def warm_enough(yeast: Yeast, temperature_c: float) -> float:
    """Share of its pace that the yeast keeps near the coldest it works at (assumed)."""
    above_k = temperature_c - yeast.coldest_c
    return 1.0 - exp(-above_k / GATE_K) if temperature_c > yeast.coldest_c else 0.0


def borne(yeast: Yeast, ethanol_g_l: float) -> float:
    """Share of its uptake that the yeast keeps in so much ethanol (assumed)."""
    if ethanol_g_l <= 0.0:
        return 1.0
    limit = yeast.ethanol_limit_g_l
    return 1.0 - (ethanol_g_l / limit) ** yeast.ethanol_power if ethanol_g_l < limit else 0.0


def turning(yeast: Yeast, temperature_c: float, hour: float, gate: float) -> float:
    """Share of the lagging cells that turn active in an hour: mu_L of de Andres-Toro et al."""
    wakes = yeast.waking * exp(30.72 - 9501.54 / (temperature_c + 273.15)) * gate
    return wakes * LAGS_ON if hour < yeast.wakes_after_h else wakes


def malt_uptake(yeast: Yeast, state: State, pace: float) -> tuple[float, float, float]:
    """Shares of three sugars that go in an hour, each held back by those before it (Gee & Ramirez)."""
    first, second, third = state[:3]
    row = MALT_TABLE[min(max(int(state.temperature_c * _PER_C + 0.5), 0), _LAST_ROW)]
    fast, middle, slow, fast_half, middle_half, slow_half, first_holds, second_holds = row
    working = state.cells * state.afloat
    held = first_holds / (first_holds + first)
    return (
        pace * fast / (fast_half + first) * working,
        pace * middle / (middle_half + second) * held * working,
        pace * yeast.slow_sugar * slow / (slow_half + third)
        * held * second_holds / (second_holds + second) * working,
    )  # fmt: skip


def honey_uptake(yeast: Yeast, state: State, pace: float) -> tuple[float, float, float]:
    """Shares of glucose, fructose and disaccharides gone in an hour (Cramer et al.; competition assumed)."""
    first, second, third = state[:3]
    warmth = exp(UPTAKE_PER_K * (state.temperature_c - 20.0))
    most = pace * ETHANOL_PER_H * warmth / ETHANOL_PER_SUGAR * (state.cells * state.afloat)
    half, fructose_half = SUGAR_HALF_G_L, yeast.fructose_half_g_l
    return (
        most / (half * (1.0 + second / fructose_half) + first),
        most / (fructose_half * (1.0 + first / half) + second),
        most * DISACCHARIDES_PACE * yeast.slow_sugar / (half + third) * half / (half + first),
    )


def malt_growth(state: State, uptake: tuple[float, float, float]) -> Growth:
    """Growth on what is taken up (Gee & Ramirez), who know no nitrogen and no death."""
    on_first, on_second, on_third = CELLS_PER_MOL
    grown = (
        on_first * uptake[0] * state.first
        + on_second * uptake[1] * state.second
        + on_third * uptake[2] * state.third
    )
    return Growth(grown, 0.0)


def honey_growth(state: State, vigour: float, death: float, ethanol_g_l: float) -> Growth:
    """Growth on nitrogen and kill by ethanol (Cramer et al.), by warmth as in Coleman, Fish & Block."""
    warm_c, nitrogen = state.temperature_c, state.nitrogen_g_l
    grow = (
        vigour
        * GROWTH_PER_H
        * exp(GROWTH_PER_K * (warm_c - 20.0))
        * nitrogen
        / (NITROGEN_HALF_G_L + nitrogen)
    )
    base, falls, bends = KILL_BY_C
    kill = death * KILL_PER_G_H * exp(base - falls * warm_c + bends * warm_c * warm_c)
    return Growth(
        (grow - kill * max(ethanol_g_l, 0.0)) * state.cells, -grow * state.cells / CELLS_PER_NITROGEN
    )


def rising(yeast: Yeast, state: State, gone: float) -> float:
    """How the share afloat changes in an hour: down late or in the cold, and slowly up again (assumed)."""
    warm_c, drops_c = state.temperature_c, yeast.drops_below_c
    late = min(max((gone - yeast.settles_from) / (1.0 - yeast.settles_from), 0.0), 1.0)
    awake = 1.0 / (1.0 + exp((drops_c - warm_c) / 0.5)) if warm_c > drops_c - 8.0 else 0.0
    wanted = (1.0 - late * (2.0 - late) * (1.0 - yeast.late_afloat)) * awake
    return (wanted - state.afloat) * (SINKS_PER_H if wanted < state.afloat else yeast.rises_per_h)
