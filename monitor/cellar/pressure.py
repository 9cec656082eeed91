"""What a ferment would do to a sealed vessel.

Glass that bursts blinds. Nothing here certifies a vessel: the figures called usual come from trade practice,
no published glass standard stands behind them, and old, scratched or knocked glass holds less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from scipy.optimize import brentq

from monitor.cellar.carbonation import (
    ATMOSPHERE_KPA,
    G_PER_L_PER_VOLUME,
    KPA_PER_BAR,
    MOL_PER_L_PER_VOLUME,
    MOST_CO2_PER_SUGAR,
    MOST_VOLUMES,
    co2_pressure_kpa,
    fugacity_coefficient,
    volumes_under,
    water_vapour_kpa,
)
from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.possible import within
from monitor.errors import QuantityError
from monitor.must.alcohol import composition_by_strength, fermented
from monitor.units import PSI_KPA, ZERO_CELSIUS_K, degrees

WARM_ROOM_C: Final = 30.0
"""What a cupboard or a car reaches on a summer's day: each sealed vessel is also judged there."""
DISSOLVED_VOLUMES: Final = 0.86
"""What an open ferment at 20 degC leaves dissolved; see `monitor.cellar.carbonation.residual_volumes`."""

_GAS_CONSTANT: Final = 8.314462618  # kPa L/(mol K)
_AIR_DISSOLVED: Final = 0.016
"""Litres of nitrogen that a litre of water takes up at any pressure, 25 degC: Henry's constant
6.4e-6 mol/(m3 Pa) of Sander's compilation (2023) times RT. Oxygen is counted as nitrogen: a little too high a
pressure."""
USUAL_HEADSPACE: Final = 0.04
"""Litres of air closed in over a litre of liquid in a usual bottle, common practice: within a twentieth of a
bar of the room that makes the most pressure of 2 to 6 volumes."""
_NEAR_SHARE: Final = 0.75
_CLOSED_KPA: Final = 10.0
"""Below this a vessel made for no pressure is not called overloaded: warmed air makes as much."""


class Vessel(StrEnum):
    """What the liquid is sealed in."""

    SPARKLING_WINE_BOTTLE = "sparkling wine bottle"
    BEER_BOTTLE = "beer bottle"
    STILL_WINE_BOTTLE = "still wine bottle"
    CLIP_TOP_JAR = "clip-top jar or bottle of unknown make"
    CARBOY = "glass carboy or demijohn"


USUAL_LIMIT_KPA: Final[Mapping[Vessel, float]] = MappingProxyType(
    {
        Vessel.SPARKLING_WINE_BOTTLE: 600.0,
        Vessel.BEER_BOTTLE: 280.0,
        Vessel.STILL_WINE_BOTTLE: 0.0,
        Vessel.CLIP_TOP_JAR: 0.0,
        Vessel.CARBOY: 0.0,
    }
)
"""Gauge pressure such vessels are usually worked at, kPa. Common practice: sparkling wine lies at 5 to 6 bar;
about 40 psi is quoted for ordinary beer bottles, on weak evidence; the others are made for none."""


class Danger(StrEnum):
    """How a pressure stands to what such a vessel is usually worked at."""

    BELOW_USUAL = "below usual"
    NEAR_USUAL = "near usual"
    ABOVE_USUAL = "above usual"


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedPressure(Advised):
    """What a vessel would hold if the liquid in it fermented on after sealing."""

    temperature_c: float
    co2_made_g_per_l: float
    volumes_made: float
    volumes_total: float
    """Made and dissolved before, in volumes of the liquid; a part of it stands in the headspace."""
    gauge_kpa: float
    warm_gauge_kpa: float
    """The same vessel in a warm place."""
    warm_c: float
    """How warm: 30 degC, or `temperature_c` where that is warmer."""
    dangers: tuple[tuple[Vessel, Danger], ...]
    """In the warm place, for every vessel: a cold cellar does not stay cold for every bottle."""

    @property
    def gauge_bar(self) -> float:
        """Gauge pressure in bar."""
        return self.gauge_kpa / KPA_PER_BAR

    @property
    def gauge_psi(self) -> float:
        """Gauge pressure in pounds per square inch."""
        return self.gauge_kpa / PSI_KPA


def co2_from_drop_g_per_l(from_sg: float, to_sg: float, abv: float = 5.0) -> float:
    """Grams of CO2 per litre when the gravity falls, at the most: 1.1 g/L a point.

    The extract that has gone by Balling's balance, times `MOST_CO2_PER_SUGAR`: a ninth above Balling's own
    figure for the gas, which leaves a part of the sugar to yeast that grows. `abv` is the strength before;
    alcohol made on top of alcohol lightens the liquid less, so that each point is worth some 4 % more gas at
    6 % vol than in a fresh must. Balling's straight line for the real extract, made for whole ferments, gives
    2 to 3 % less extract. Both gravities are those of the liquid without its gas.
    Raises QuantityError outside 0.98..1.2 and 0..20 % vol, for a gravity that rises, that its alcohol does
    not explain, or that falls further than all sugar can take it.
    """
    within("gravity before", from_sg, 0.98, 1.2)
    within("gravity it could fall to", to_sg, 0.97, from_sg)
    start = composition_by_strength(within("alcohol", abv, 0.0, 20.0, "% vol"), from_sg)
    lowest_sg = fermented(start, start.extract_g).sg
    if to_sg < lowest_sg:
        raise QuantityError(
            f"gravity {to_sg:.4f} cannot come of {from_sg:.4f} with {abv:g} % vol: {lowest_sg:.4f} is the end"
            " of all sugar",
            hint="check both gravities and the alcohol",
        )
    if to_sg == from_sg:
        return 0.0
    consumed_g = float(
        brentq(lambda g: fermented(start, g).sg - to_sg, 0.0, start.extract_g, xtol=1e-9, rtol=1e-14)
    )
    return MOST_CO2_PER_SUGAR * consumed_g


def sealed_gauge_kpa(volumes: float, temperature_c: float, headspace_share: float = 0.0) -> float:
    """Gauge pressure, kPa, in a sealed vessel that holds so many volumes of CO2 in all.

    `headspace_share` is litres of gas room per litre of liquid, closed on air at 1 atm. Room takes up some
    CO2 but keeps its air: the first few per cent of it raise the pressure. Raises QuantityError outside
    0..25 volumes, 0..80 degC and a share of 0..1.
    """
    within("carbon dioxide", volumes, 0.0, MOST_VOLUMES, "volumes")
    within("headspace", headspace_share, 0.0, 1.0, "L per L")
    dissolved_kpa = co2_pressure_kpa(volumes, temperature_c)
    rt = _GAS_CONSTANT * (temperature_c + ZERO_CELSIUS_K)

    def excess(co2_kpa: float) -> float:
        # ln(fugacity coefficient) = BP/RT, so the compressibility factor is one more than it
        factor = 1.0 + math.log(fugacity_coefficient(co2_kpa, temperature_c))
        above_mol = headspace_share * co2_kpa / (factor * rt)
        return volumes_under(co2_kpa, temperature_c) + above_mol / MOL_PER_L_PER_VOLUME - volumes

    co2_kpa = float(brentq(excess, 0.0, dissolved_kpa, xtol=1e-9)) if headspace_share > 0.0 else dissolved_kpa
    air_kpa = ATMOSPHERE_KPA * headspace_share / (headspace_share + _AIR_DISSOLVED)
    return co2_kpa + air_kpa + water_vapour_kpa(temperature_c) - ATMOSPHERE_KPA


def bottle_gauge_kpa(volumes: float, temperature_c: float) -> float:
    """The worse gauge pressure, kPa, of a vessel full to the brim and of one with a usual headspace.

    Room takes gas out of the liquid, but the air closed in above it is pressed with it and more than makes
    up for that. Raises QuantityError as `sealed_gauge_kpa` does.
    """
    return max(sealed_gauge_kpa(volumes, temperature_c, share) for share in (0.0, USUAL_HEADSPACE))


def danger(pressure_gauge_kpa: float, vessel: Vessel) -> Danger:
    """How a gauge pressure stands to what such a vessel is usually worked at; no certificate."""
    limit_kpa = USUAL_LIMIT_KPA[vessel]
    if pressure_gauge_kpa > max(limit_kpa, _CLOSED_KPA):
        return Danger.ABOVE_USUAL
    if limit_kpa > 0.0 and pressure_gauge_kpa > _NEAR_SHARE * limit_kpa:
        return Danger.NEAR_USUAL
    return Danger.BELOW_USUAL


def volumes_of(fermentable_g_l: float) -> float:
    """Volumes of CO2 that so many grams of fermentable sugar a litre make at the most (stoichiometry)."""
    return MOST_CO2_PER_SUGAR * fermentable_g_l / G_PER_L_PER_VOLUME


def beyond_plain_bottle(volumes_made: float) -> bool:
    """Whether gas made after closing adds more than a bottle made for no pressure bears in a warm place."""
    if DISSOLVED_VOLUMES + volumes_made > MOST_VOLUMES:
        return True
    after_kpa = bottle_gauge_kpa(DISSOLVED_VOLUMES + volumes_made, WARM_ROOM_C)
    before_kpa = bottle_gauge_kpa(DISSOLVED_VOLUMES, WARM_ROOM_C)
    return danger(after_kpa - before_kpa, Vessel.STILL_WINE_BOTTLE) is Danger.ABOVE_USUAL


def bottle_cautions(warm_gauge_kpa: float, warm_c: float = WARM_ROOM_C) -> tuple[Caution, ...]:
    """What must be said wherever a sealed vessel is spoken of, with its pressure in the warm place."""
    return (
        Caution(
            Hazard.PRESSURE,
            "A bottle that bursts throws glass: this is a warning, never a certificate. Go by the"
            " marking on the glass and its maker's figure, use each bottle once, discard scratched ones.",
        ),
        Caution(
            Hazard.PRESSURE,
            f"In a warm place ({degrees(warm_c)} degC) the same vessel would hold"
            f" {warm_gauge_kpa / KPA_PER_BAR:.1f} bar ({warm_gauge_kpa / PSI_KPA:.0f} psi) over the"
            " atmosphere; keep sealed bottles cool, boxed and away from people.",
        ),
        Caution(
            Hazard.PRESSURE,
            "Leave a finger's breadth of room (3 to 5 % of the bottle) under the closure: from 4 to 30 degC"
            " mead swells by half a per cent, and a bottle that is full to the brim may burst of that alone.",
        ),
        Caution(
            Hazard.PRESSURE,
            "Where a sealed vessel may be over its pressure, chill it hard first, wear eye protection, gloves"
            " and long sleeves, cover it with a thick cloth, then vent it slowly.",
        ),
    )


def sealed_pressure(
    from_sg: float,
    to_sg: float,
    *,
    temperature_c: float = 20.0,
    abv: float = 5.0,
    dissolved_volumes: float = DISSOLVED_VOLUMES,
    headspace_share: float | None = None,
) -> SealedPressure:
    """What a sealed vessel would hold after its gravity fell from the one to the other.

    The worse of brim-full and a usual headspace where `headspace_share` is None; see `sealed_gauge_kpa`. Each
    point adds half a volume or a little more: some 0.6 bar at 20 degC. Raises QuantityError for impossible
    gravities, strengths and temperatures, and above 25 volumes, where no ordinary vessel is left to speak of.
    """
    made_g_per_l = co2_from_drop_g_per_l(from_sg, to_sg, abv)
    made = made_g_per_l / G_PER_L_PER_VOLUME
    total = made + within("dissolved CO2", dissolved_volumes, 0.0, 6.0, "volumes")
    hint = "far beyond any bottle: never seal a batch that can still ferment this much"
    within("carbon dioxide", total, 0.0, MOST_VOLUMES, "volumes", hint=hint)

    def held_kpa(at_c: float) -> float:
        if headspace_share is None:
            return bottle_gauge_kpa(total, at_c)
        return sealed_gauge_kpa(total, at_c, headspace_share)

    warm_c = max(temperature_c, WARM_ROOM_C)
    warm_kpa = held_kpa(warm_c)
    return SealedPressure(
        temperature_c=temperature_c,
        co2_made_g_per_l=made_g_per_l,
        volumes_made=made,
        volumes_total=total,
        gauge_kpa=held_kpa(temperature_c),
        warm_gauge_kpa=warm_kpa,
        warm_c=warm_c,
        dangers=tuple((vessel, danger(warm_kpa, vessel)) for vessel in Vessel),
        cautions=bottle_cautions(warm_kpa, warm_c),
    )
