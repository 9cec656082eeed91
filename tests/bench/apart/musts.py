"""What is drawn for one ferment: must, yeast, room and what befalls them, all of it chosen here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import exp
from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.random import Generator

from apart.kinetics import EXTRACT_PER_ETHANOL, FloatArray, Yeast
from apart.rooms import room
from apart.vessel import Chill, Doing, DoingKind, Vessel
from monitor.must.liquid import Liquid, unfermented

ETHANOL_G_L_PER_ABV: Final = 7.893
GRAMS_PER_POINT: Final = 1000.0 / 385.0
"""Sugar in a litre that raises its gravity by a point."""
MADE_ETHANOL: Final = 0.97
"""Of the sugar; the rest is glycerol."""
FOR_GOOD_DAYS: Final = 60.0


class Kind(StrEnum):
    """Kinds of must."""

    SESSION = "session"
    MEAD = "mead"
    WORT = "wort"
    CIDER = "cider"


class Fate(StrEnum):
    """What befalls a ferment."""

    PLAIN = "plain"
    LONG_LAG = "long lag"
    COLD = "cold spell"
    NUTRIENT = "starved"
    ALCOHOL = "too strong for its yeast"
    FED = "fed with sugar"
    RACKED = "racked"
    SWEET_RESTART = "sweetened, goes again"
    SWEET_STABLE = "sweetened, stays"


STOPS: Final = frozenset({Fate.COLD, Fate.NUTRIENT, Fate.ALCOHOL})
"""Those that must have a stall; no other may."""
SWEETENED: Final = frozenset({Fate.SWEET_RESTART, Fate.SWEET_STABLE})

# weights; they need not add up to one
KINDS: Final = {Kind.SESSION: 0.34, Kind.MEAD: 0.22, Kind.WORT: 0.26, Kind.CIDER: 0.18}
KINDS_BY_FATE: Final[Mapping[Fate, Mapping[Kind, float]]] = {
    Fate.NUTRIENT: {Kind.SESSION: 0.5, Kind.MEAD: 0.25, Kind.CIDER: 0.25},
    Fate.FED: {Kind.SESSION: 0.4, Kind.MEAD: 0.3, Kind.CIDER: 0.2, Kind.WORT: 0.1},
}
FATES: Final = {
    Fate.PLAIN: 0.29,
    Fate.LONG_LAG: 0.09,
    Fate.COLD: 0.11,
    Fate.NUTRIENT: 0.07,
    Fate.ALCOHOL: 0.05,
    Fate.FED: 0.10,
    Fate.RACKED: 0.11,
    Fate.SWEET_RESTART: 0.08,
    Fate.SWEET_STABLE: 0.08,
}


class Drawn(NamedTuple):
    """What one ferment is to be."""

    kind: Kind
    fate: Fate
    vessel: Vessel
    yeast: Yeast
    room_c: FloatArray
    tolerance_abv: float
    """What the yeast is sold for."""
    rescued_d: float | None
    """Nutrient comes so many days after a stall has been one; None where it does not."""
    sweeten_points: float


@dataclass(frozen=True, slots=True)
class _Pitched:
    """A must with its yeast, before its fate."""

    must: Liquid
    fermentable: float
    """Share of the extract."""
    parts: FloatArray
    """Of the three sugars."""
    nitrogen_g_l: float
    base_c: float
    """What the room is about."""
    yeast: Yeast
    tolerance_abv: float

    def full_abv(self, made: float = MADE_ETHANOL) -> float:
        """Strength with all sugar gone."""
        return made * self.fermentable * self.must.extract_g / EXTRACT_PER_ETHANOL / ETHANOL_G_L_PER_ABV


class _Honeyed(NamedTuple):
    """How musts without malt differ."""

    gravity_sg: float
    fermentable: float
    pace: float
    nitrogen_g_l: tuple[float, float]


Choice = TypeVar("Choice", bound=StrEnum)


def picked(rng: Generator, shares: Mapping[Choice, float]) -> Choice:
    """One of these by their shares."""
    weights = np.array(list(shares.values()))
    return list(shares)[int(rng.choice(len(shares), p=weights / weights.sum()))]


def spread(rng: Generator, middle: float, sigma: float) -> float:
    """A number about this one, log-normal."""
    return middle * exp(sigma * rng.normal())


def kind_for(rng: Generator, fate: Fate) -> Kind:
    """A must to which that can happen."""
    return Kind.MEAD if fate is Fate.ALCOHOL else picked(rng, KINDS_BY_FATE.get(fate, KINDS))


def _wort(rng: Generator) -> _Pitched:
    gravity_sg, fermentable = rng.uniform(1.040, 1.065), rng.uniform(0.50, 0.70)
    parts = np.array([rng.uniform(0.10, 0.18), rng.uniform(0.60, 0.70), rng.uniform(0.15, 0.24)])
    cool = rng.random() < 0.2
    base_c = rng.uniform(10.5, 13.5) if cool else float(np.clip(rng.normal(18.5, 1.4), 15.0, 22.0))
    drops_c = rng.uniform(3.0, 5.0) if cool else rng.uniform(8.0, 12.0)
    yeast = Yeast(
        pitched=spread(rng, 140.0, 0.35),
        uptake=spread(rng, 1.6 if cool else 1.0, 0.3),
        coldest_c=1.0 if cool else 4.0,
        drops_below_c=drops_c,
    )
    tolerance_abv = float(rng.choice([9.0, 10.0, 11.0, 12.0]))
    return _Pitched(unfermented(gravity_sg), fermentable, parts, 0.0, base_c, yeast, tolerance_abv)


def _honeyed(rng: Generator, kind: Kind) -> _Honeyed:
    if kind is Kind.SESSION:
        return _Honeyed(rng.uniform(1.035, 1.050), rng.uniform(0.87, 0.96), 0.45, (0.07, 0.18))
    if kind is Kind.MEAD:
        return _Honeyed(1.080 + 0.040 * rng.beta(1.2, 1.6), rng.uniform(0.86, 0.95), 0.55, (0.15, 0.35))
    return _Honeyed(rng.uniform(1.045, 1.060), rng.uniform(0.90, 0.95), 0.38, (0.05, 0.14))


def _honey_or_fruit(rng: Generator, kind: Kind) -> _Pitched:
    must = _honeyed(rng, kind)
    fruit = kind is Kind.CIDER
    glucose = rng.uniform(0.28, 0.36) if fruit else rng.uniform(0.38, 0.47)
    slow = 0.0 if fruit else rng.uniform(0.01, 0.07)
    parts = np.array([glucose, 1.0 - glucose - slow, slow])
    base_c = float(np.clip(rng.normal(15.5 if fruit else 18.5, 2.0), 11.0, 23.0))
    uptake = spread(rng, must.pace, 0.35)
    yeast = Yeast(
        pitched=rng.uniform(0.12, 0.5),
        growth=uptake**0.4 * spread(rng, 0.9, 0.2),
        uptake=uptake,
        death=spread(rng, 0.3, 0.5) * uptake,
        fructose_half_g_l=spread(rng, 18.0, 0.3),
        drops_below_c=rng.uniform(6.5, 10.5),
    )
    strong, weak = [13.0, 14.0, 15.0, 16.0, 18.0], [11.0, 12.0, 14.0, 16.0]
    tolerance_abv = float(rng.choice(strong if kind is Kind.MEAD else weak))
    nitrogen_g_l = rng.uniform(*must.nitrogen_g_l)
    return _Pitched(
        unfermented(must.gravity_sg), must.fermentable, parts, nitrogen_g_l, base_c, yeast, tolerance_abv
    )


def drawn(rng: Generator, kind: Kind, fate: Fate) -> Drawn:
    """One must with its yeast, vessel, room and fate."""
    cooling_h = rng.uniform(6.0, 26.0)
    pitched = _wort(rng) if kind is Kind.WORT else _honey_or_fruit(rng, kind)
    yeast = replace(
        pitched.yeast,
        waking=spread(rng, 0.8, 0.4),
        settles_from=rng.uniform(0.72, 0.92),
        rises_per_h=rng.uniform(0.012, 0.04),
        ethanol_power=rng.uniform(2.0, 4.0),
    )
    tolerance_abv = pitched.tolerance_abv
    true_abv = tolerance_abv + rng.normal(0.7, 0.6)
    if kind is Kind.MEAD and fate is not Fate.ALCOHOL:
        # a maker who means it to end takes a yeast that bears it
        true_abv = max(true_abv, pitched.full_abv(1.06 * MADE_ETHANOL))
        tolerance_abv = max(tolerance_abv, float(round(true_abv - 0.8)))
    room_c = room(rng, pitched.base_c)
    nitrogen_g_l, rescued_d = pitched.nitrogen_g_l, None
    if fate is Fate.LONG_LAG:
        yeast = replace(yeast, wakes_after_h=rng.uniform(30.0, 100.0), active_share=0.01)
    elif fate is Fate.NUTRIENT:
        nitrogen_g_l = rng.uniform(0.04, 0.11) * (1.8 if kind is Kind.MEAD else 1.0)
        yeast = replace(yeast, death=yeast.death * rng.uniform(80.0, 190.0))
        rescued_d = rng.uniform(3.0, 8.0) if rng.random() < 0.55 else None
    elif fate is Fate.ALCOHOL:
        pitched = replace(pitched, must=unfermented(rng.uniform(1.098, 1.120)))
        true_abv = pitched.full_abv() - rng.uniform(1.3, 4.0)
        tolerance_abv = float(round(true_abv - rng.uniform(-0.3, 1.0)))
        power = rng.uniform(8.0, 16.0)
        yeast = replace(yeast, ethanol_power=power, death=yeast.death * rng.uniform(5.0, 14.0))
    yeast = replace(yeast, ethanol_limit_g_l=true_abv * ETHANOL_G_L_PER_ABV)
    vessel = _vessel(rng, replace(pitched, yeast=yeast, nitrogen_g_l=nitrogen_g_l), kind, cooling_h)
    chill = _chill(rng, pitched) if fate is Fate.COLD else None
    doings = _doings(rng, fate)
    sweeten_points = rng.uniform(4.0, 16.0) if fate in SWEETENED else 0.0
    vessel = replace(vessel, doings=doings, chill=chill)
    return Drawn(kind, fate, vessel, yeast, room_c, tolerance_abv, rescued_d, sweeten_points)


def _vessel(rng: Generator, pitched: _Pitched, kind: Kind, cooling_h: float) -> Vessel:
    extract_g, fermentable = pitched.must.extract_g, pitched.fermentable
    first, second, third = fermentable * extract_g * pitched.parts / pitched.parts.sum()
    return Vessel(
        malt=kind is Kind.WORT,
        water_g=pitched.must.water_g,
        unfermentable_g=(1.0 - fermentable) * extract_g,
        sugars_g=(float(first), float(second), float(third)),
        nitrogen_g_l=pitched.nitrogen_g_l,
        glycerol_share=rng.uniform(0.02, 0.04),
        cooling_h=cooling_h,
        start_c=pitched.base_c + rng.uniform(-1.0, 3.0),
    )


def _chill(rng: Generator, pitched: _Pitched) -> Chill:
    stays = rng.random() < 0.25
    to_c = rng.uniform(3.5, max(pitched.yeast.drops_below_c - 2.0, 4.0))
    from_gone = rng.uniform(0.3, 0.85)
    days = FOR_GOOD_DAYS if stays else rng.uniform(5.5, 11.0)
    return Chill(from_gone, max(pitched.base_c - to_c, 3.0), days)


def _doings(rng: Generator, fate: Fate) -> tuple[Doing, ...]:
    """What the maker does on the way to the end, part of it in no journal."""
    if fate is Fate.RACKED:
        kept, gone = rng.uniform(0.4, 0.9), rng.uniform(0.6, 0.97)
        return (Doing(DoingKind.RACK, kept, gone=gone, told=rng.random() < 0.7),)
    if fate is not Fate.FED:
        return ()
    times, told = int(rng.integers(1, 4)), rng.random() < 0.6
    grams = rng.uniform(6.0, 20.0) / times * GRAMS_PER_POINT
    doings = []
    for earlier in range(times):
        gone = 0.35 + 0.5 * (earlier + rng.random()) / times
        doings.append(Doing(DoingKind.SUGAR, grams, gone=gone, ferments=rng.uniform(0.9, 1.0), told=told))
    return tuple(doings)
