"""Ferments whose yeast takes sugar as it grows and as it lives, and whose last sugars come free slowly.

A mechanism beside those of `kinetics`, `starved` and `inhibited`:

- uptake partly by growth and partly by what cells there are: Luedeking & Piret, J. Biochem. Microbiol.
  Technol. Eng. 1 (1959) 393; growth up to what the must's nutrient bears, by Verhulst's logistic;
- a half-saturation that grows with the crowd of cells: Contois, J. Gen. Microbiol. 21 (1959) 40; in a thin
  crowd it is Monod's;
- ethanol that slows all of it, hyperbolically (Hoppe & Hansford, Biotechnol. Lett. 4 (1982) 39) or
  exponentially (Aiba, Shoda & Nagatani, Biotechnol. Bioeng. 10 (1968) 845);
- cells lost after growth by Weibull's law: Mafart et al., Int. J. Food Microbiol. 72 (2002) 107;
- growth by the square-root law between two temperatures: Ratkowsky et al., J. Bacteriol. 154 (1983) 1222;
- bound sugars that are freed at a rate of their own, in proportion to what is left of them: a hydrolysis of
  first order.

Sources are from memory; their forms are taken, their parameters are not: these are drawn in `grown_musts`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.replay.kinetics import STEP_H, Course, Deed
from monitor.replay.starved import ETHANOL_YIELD, HEAT_K_PER_G_L, Must, Room
from monitor.units import POINTS_PER_SG

REFERENCE_C: Final = 20.0
COLDEST_C: Final = 1.5
HOTTEST_C: Final = 42.0
HOT_BEND_PER_C: Final = 0.25
"""Of the square-root law: how sharply growth ends below the hottest temperature; assumed."""
UPTAKE_RISE_PER_C: Final = 0.07
FREEING_RISE_PER_C: Final = 0.06
"""An enzyme's, about twice in ten degrees (common practice)."""
LOSS_RISE_PER_C: Final = 0.05
ASLEEP_WIDTH_C: Final = 0.8
LAG_WIDTH: Final = 0.25
"""How gradually the lag ends, by its length."""
REVIVED: Final = 0.6
"""Share of the lost cells' work that nutrient given later brings back; assumed."""


@dataclass(frozen=True, slots=True)
class Yeast:
    """The yeast and how it stands to its must; rates are per hour at 20 degC."""

    growth: float
    pitch_g_l: float
    crowd_g_l: float
    """Cells that the must's nutrient bears."""
    lag_h: float
    by_growth: float
    """Grams of sugar with a gram of cells grown."""
    by_living: float
    """Grams of sugar an hour by a gram of cells."""
    half_g_l: float
    kept_g_l: float
    """Sugar that it leaves."""
    crowding: float
    """From 0, half-saturation whatever the crowd (Monod), to 1, in proportion to it (Contois)."""
    slowed_at_g_l: float
    """Ethanol that halves the work, or lessens it to 1/e where it is exponential."""
    exponential: bool
    loss_h: float
    """The scale of the cells' loss, counted from the end of growth."""
    loss_power: float
    bound_share: float
    """Of the must's sugar, not free at pitching."""
    freed_per_h: float
    sleeps_below_c: float


def growth_pace(temperature_c: float) -> float:
    """Speed of growth relative to 20 degC; 0 beyond the coldest and hottest temperature."""

    def root(at_c: float) -> float:
        return (at_c - COLDEST_C) * (1.0 - math.exp(HOT_BEND_PER_C * (at_c - HOTTEST_C)))

    if not COLDEST_C < temperature_c < HOTTEST_C:
        return 0.0
    return (root(temperature_c) / root(REFERENCE_C)) ** 2


def work_left(yeast: Yeast, ethanol_g_l: float) -> float:
    """What ethanol leaves of the work, 0 to 1."""
    if yeast.exponential:
        return math.exp(-ethanol_g_l / yeast.slowed_at_g_l)
    return yeast.slowed_at_g_l / (yeast.slowed_at_g_l + ethanol_g_l)


def follow(must: Must, yeast: Yeast, room: Room, deeds: Iterable[Deed] = ()) -> Course:
    """The ferment for as long as the room is known, in half-steps of `STEP_H` by Euler's method.

    Of deeds it takes `sugar` and `nutrient`, grams per litre. The room's air stands at every half-step.

    Raises:
        ValueError: a deed of another kind.
    """
    step_h = STEP_H / 2.0
    waiting = sorted(deeds, key=lambda deed: deed.hour, reverse=True)
    bound = must.sugar_g_l * yeast.bound_share
    free = must.sugar_g_l - bound
    cells, crowd, living = yeast.pitch_g_l, yeast.crowd_g_l, 1.0
    ethanol, since_growth_h, warm_h, warmth_c = 0.0, 0.0, 0.0, room.start_c
    sugars, warmths = [], []
    for step, air_c in enumerate(room.air_c.tolist()):
        while waiting and waiting[-1].hour <= step * step_h:
            deed = waiting.pop()
            if deed.kind == "sugar":
                free += deed.amount
            elif deed.kind == "nutrient":
                crowd *= 1.0 + deed.amount / must.nitrogen_g_l
                living += REVIVED * (1.0 - living)
                since_growth_h = 0.0
            else:
                raise ValueError(f"no such deed: {deed.kind}")
        sugars.append(free + bound)
        warmths.append(warmth_c)
        warmer_c = warmth_c - REFERENCE_C
        begun = 1.0 / (1.0 + math.exp(min((1.0 - warm_h / yeast.lag_h) / LAG_WIDTH, 50.0)))
        awake = 1.0 / (1.0 + math.exp(min((yeast.sleeps_below_c - warmth_c) / ASLEEP_WIDTH_C, 50.0)))
        work = begun * awake * work_left(yeast, ethanol)
        pace = growth_pace(warmth_c)
        half = yeast.half_g_l * (1.0 - yeast.crowding + yeast.crowding * cells / yeast.crowd_g_l)
        taken = max(free - yeast.kept_g_l, 0.0)
        fed = taken / (half + taken)
        grown = yeast.growth * pace * work * fed * cells * max(1.0 - cells / crowd, 0.0)
        at_it = cells * living * work * math.exp(UPTAKE_RISE_PER_C * warmer_c)
        flow = min(yeast.by_growth * grown + yeast.by_living * at_it * fed, taken / step_h)
        freed = yeast.freed_per_h * math.exp(FREEING_RISE_PER_C * warmer_c) * bound
        if cells > 0.8 * crowd:
            aged = math.exp(LOSS_RISE_PER_C * warmer_c) * step_h
            before = (since_growth_h / yeast.loss_h) ** yeast.loss_power
            since_growth_h += aged
            living *= math.exp(before - (since_growth_h / yeast.loss_h) ** yeast.loss_power)
        warm_h += pace * step_h
        cells += grown * step_h
        free += (freed - flow) * step_h
        bound -= freed * step_h
        ethanol += ETHANOL_YIELD * flow * step_h
        warmth_c += ((air_c - warmth_c) / room.cooling_h + HEAT_K_PER_G_L * flow) * step_h
    whole = slice(None, None, 2)
    points = must.attainable_points + np.array(sugars[whole]) * must.points_per_g_l
    return Course(
        hours=np.arange(points.size, dtype=np.float64) * STEP_H,
        gravity_sg=1.0 + points / POINTS_PER_SG,
        temperature_c=np.array(warmths[whole]),
        attainable_sg=np.full(points.size, 1.0 + must.attainable_points / POINTS_PER_SG),
    )
