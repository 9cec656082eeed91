"""Carbon dioxide in a liquid: the pressure that holds it, what stays after a ferment, sugar per volume.

One volume is one litre of CO2 gas at 0 degC and 101.325 kPa in one litre of liquid: 1.9768 g/L.

The solubility is that of water: Henry's constant of Carroll, Slupsky & Mather, J. Phys. Chem. Ref. Data 20
(1991) 1201, with the gas not taken as ideal (second virial coefficient) and the liquid's pressure effect
(Krichevsky-Kasarnovsky). The charts printed for beer come from an older fit for one beer with about 4 %
alcohol and 6 % extract: dissolved sugar drives CO2 out and so raises the pressure a little, alcohol lets a
little more in. A dry session mead lies between the two, so each pressure comes with a band: water at the low
end, 5 % more CO2 pressure at the high end (the chart's distance from water between 3 and 10 degC). Above
20 degC and 3 volumes those charts read too low; they are not used here, where the pressure may break glass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from scipy.optimize import brentq

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.molar import (
    CARBON_DIOXIDE_G_MOL,
    HEXOSE_G_MOL,
    SUCROSE_G_MOL,
    WATER_G_MOL,
)
from monitor.cellar.possible import within
from monitor.errors import QuantityError
from monitor.must.density import water_density_kg_m3
from monitor.units import PSI_KPA, ZERO_CELSIUS_K

ATMOSPHERE_KPA: Final = 101.325
KPA_PER_BAR: Final = 100.0
MOL_PER_L_PER_VOLUME: Final = 1.0 / 22.263
"""One litre of real CO2 gas at 0 degC and 101.325 kPa: 22.263 L/mol, less than the ideal 22.414."""
G_PER_L_PER_VOLUME: Final = CARBON_DIOXIDE_G_MOL * MOL_PER_L_PER_VOLUME

MOST_VOLUMES: Final = 25.0
MOST_KEG_VOLUMES: Final = 5.0
MOST_KEG_KPA: Final = 400.0
"""Gauge pressure beyond which no regulator is set, common practice: kegs are stamped with more, but taps,
hoses and relief valves of unknown make are not."""
WARMEST_C: Final = 80.0
EXTRACT_BAND: Final = 0.05
"""Share by which dissolved extract may raise the CO2 pressure above that of water; see the module's text."""
DAYS_AT_REST: Final = (7, 14)
"""Common practice: a cold keg left standing at its final pressure."""
DAYS_ROCKED: Final = (1, 2)
"""Common practice: a cold keg rocked or rolled now and then at its final pressure."""

_GAS_CONSTANT: Final = 8.314462618  # J/(mol K), exact in the SI of 2019
_CRITICAL_K: Final = 304.1282
_CRITICAL_KPA: Final = 7377.3
_ACENTRIC: Final = 0.22394
_DISSOLVED_L_PER_MOL: Final = 0.0330
"""Partial molar volume of CO2 in water, about 33 mL/mol (from memory)."""
_HIGHEST_KPA: Final = 15_000.0


class PrimingSugar(StrEnum):
    """What may be fermented for its gas."""

    SUCROSE = "sucrose"
    GLUCOSE_MONOHYDRATE = "glucose monohydrate"
    GLUCOSE = "glucose, anhydrous"
    FRUCTOSE = "fructose"
    HONEY = "honey"


HONEY_SOLIDS: Final = 0.828
"""Dissolved solids of a mean honey, 17.2 % moisture (White et al., USDA Technical Bulletin 1261, 1962)."""
HONEY_FERMENTABLE: Final = 0.90
"""Share of the solids taken to ferment: between the 0.855 and 0.943 that the same mean can be read as."""
_DRY_HONEY: Final = 0.845 * 0.943
"""Sugar in a gram of a honey that makes much gas: 15.5 % moisture, and all that yeast might take."""

_CO2_PER_HEXOSE: Final = 2 * CARBON_DIOXIDE_G_MOL / HEXOSE_G_MOL
_CO2_YIELD: Final[Mapping[PrimingSugar, float]] = MappingProxyType(
    {
        PrimingSugar.SUCROSE: 4 * CARBON_DIOXIDE_G_MOL / SUCROSE_G_MOL,
        PrimingSugar.GLUCOSE_MONOHYDRATE: 2 * CARBON_DIOXIDE_G_MOL / (HEXOSE_G_MOL + WATER_G_MOL),
        PrimingSugar.GLUCOSE: _CO2_PER_HEXOSE,
        PrimingSugar.FRUCTOSE: _CO2_PER_HEXOSE,
        PrimingSugar.HONEY: HONEY_SOLIDS * HONEY_FERMENTABLE * _CO2_PER_HEXOSE,
    }
)
MOST_CO2_PER_SUGAR: Final = _CO2_YIELD[PrimingSugar.SUCROSE]
"""Grams of CO2 from a gram of sugar at the most, by stoichiometry: of sucrose or maltose, a twentieth more
than of glucose and fructose. What may burst is reckoned with it. Balling's 0.463 leaves a tenth to yeast that
grows, and little grows in a bottle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KegPressure(Advised):
    """Gauge pressure that holds a carbonation at a temperature once gas and liquid have settled."""

    volumes: float
    temperature_c: float
    gauge_kpa: float
    """In water: the low end of the band, and where a dry mead lies."""
    highest_gauge_kpa: float
    """With about 6 % of extract: the high end of the band."""
    days_at_rest: tuple[int, int] = DAYS_AT_REST
    days_rocked: tuple[int, int] = DAYS_ROCKED

    @property
    def gauge_bar(self) -> float:
        """Gauge pressure in bar."""
        return self.gauge_kpa / KPA_PER_BAR

    @property
    def gauge_psi(self) -> float:
        """Gauge pressure in pounds per square inch."""
        return self.gauge_kpa / PSI_KPA


def henry_mpa(temperature_c: float) -> float:
    """Henry's constant of CO2 in water on mole fraction, MPa (Carroll et al. 1991; 0..160 degC)."""
    t = temperature_c + ZERO_CELSIUS_K
    return math.exp(-6.8346 + 1.2817e4 / t - 3.7668e6 / t**2 + 2.997e8 / t**3)


def water_vapour_kpa(temperature_c: float) -> float:
    """Vapour pressure of water (Wagner & Pruss 2002, the saturation line of IAPWS-95; 0.01..373 degC)."""
    t = temperature_c + ZERO_CELSIUS_K
    x = 1.0 - t / 647.096
    series = (
        -7.85951783 * x
        + 1.84408259 * x**1.5
        - 11.7866497 * x**3
        + 22.6807411 * x**3.5
        - 15.9618719 * x**4
        + 1.80122502 * x**7.5
    )
    return 22_064.0 * math.exp(series * 647.096 / t)


def fugacity_coefficient(pressure_kpa: float, temperature_c: float) -> float:
    """How far CO2 gas is from ideal: fugacity over pressure.

    Second virial coefficient after Tsonopoulos (1974). Within 0.03 % of the reference equation of state
    up to 5 bar and within 2 % up to 30 bar, from 0 to 65 degC. It errs to the high side, so that pressures
    above 20 bar, where nothing should be sealed anyway, come out up to 2 % low.
    """
    t = temperature_c + ZERO_CELSIUS_K
    r = t / _CRITICAL_K
    simple = 0.1445 - 0.330 / r - 0.1385 / r**2 - 0.0121 / r**3 - 0.000607 / r**8
    correction = 0.0637 + 0.331 / r**2 - 0.423 / r**3 - 0.008 / r**8
    return math.exp((simple + _ACENTRIC * correction) * (pressure_kpa / _CRITICAL_KPA) / r)


def volumes_under(co2_kpa: float, temperature_c: float) -> float:
    """Volumes dissolved in water under this partial pressure of CO2."""
    t = temperature_c + ZERO_CELSIUS_K
    fugacity_kpa = co2_kpa * fugacity_coefficient(co2_kpa, temperature_c)
    squeezed = math.exp(_DISSOLVED_L_PER_MOL * co2_kpa / (_GAS_CONSTANT * t))
    share = fugacity_kpa / (1_000.0 * henry_mpa(temperature_c) * squeezed)
    water_mol_per_l = water_density_kg_m3(temperature_c) / WATER_G_MOL
    return share / (1.0 - share) * water_mol_per_l / MOL_PER_L_PER_VOLUME


def co2_pressure_kpa(volumes: float, temperature_c: float) -> float:
    """Partial pressure of CO2 over water that holds so many volumes; the inverse of its solubility.

    Raises QuantityError outside 0..25 volumes and 0..80 degC.
    """
    within("carbonation", volumes, 0.0, MOST_VOLUMES, "volumes")
    within("temperature", temperature_c, 0.0, WARMEST_C, "degC")
    return float(brentq(lambda p: volumes_under(p, temperature_c) - volumes, 0.0, _HIGHEST_KPA, xtol=1e-9))


def gauge_kpa(volumes: float, temperature_c: float, ambient_kpa: float = ATMOSPHERE_KPA) -> float:
    """Gauge pressure, kPa, over water that holds so many volumes at a temperature, water vapour included.

    Below zero where the liquid holds less than it would in the open. Raises QuantityError as
    `co2_pressure_kpa` does.
    """
    return co2_pressure_kpa(volumes, temperature_c) + water_vapour_kpa(temperature_c) - ambient_kpa


def volumes_at(pressure_gauge_kpa: float, temperature_c: float, ambient_kpa: float = ATMOSPHERE_KPA) -> float:
    """Volumes that settle under a gauge pressure at a temperature; the inverse of `gauge_kpa`.

    Raises QuantityError outside 0..80 degC, below a vacuum or above 40 bar.
    """
    within("temperature", temperature_c, 0.0, WARMEST_C, "degC")
    vapour_kpa = water_vapour_kpa(temperature_c)
    within("gauge pressure", pressure_gauge_kpa, vapour_kpa - ambient_kpa, 4_000.0, "kPa")
    return volumes_under(pressure_gauge_kpa + ambient_kpa - vapour_kpa, temperature_c)


def residual_volumes(warmest_c: float, ambient_kpa: float = ATMOSPHERE_KPA) -> float:
    """Volumes still dissolved after a ferment under an airlock.

    `warmest_c` is the warmest temperature reached since the gas stopped coming: what left then does not
    come back on cooling. Less if the batch was stirred or degassed.
    """
    return volumes_at(0.0, warmest_c, ambient_kpa)


def co2_yield_g_per_g(sugar: PrimingSugar) -> float:
    """Grams of CO2 from one gram, by stoichiometry (Gay-Lussac; IUPAC masses); of a mean honey."""
    return _CO2_YIELD[sugar]


def most_over_mean_yield(sugar: PrimingSugar) -> float:
    """How much more gas it could make than `co2_yield_g_per_g` says: 1 but for honey, which varies."""
    if sugar is not PrimingSugar.HONEY:
        return 1.0
    return _DRY_HONEY / (HONEY_SOLIDS * HONEY_FERMENTABLE)


def sugar_g_per_l(volumes: float, sugar: PrimingSugar) -> float:
    """Grams per litre that make so many volumes when all of it ferments.

    Chemistry only. Whether a batch may be given it at all is for `monitor.cellar.priming.priming` to say.
    """
    within("carbonation", volumes, 0.0, MOST_VOLUMES, "volumes")
    return volumes * G_PER_L_PER_VOLUME / co2_yield_g_per_g(sugar)


def volumes_from_sugar(grams_per_l: float, sugar: PrimingSugar) -> float:
    """Volumes that so many grams per litre make when all of it ferments; undoes `sugar_g_per_l`."""
    within("sugar", grams_per_l, 0.0, 200.0, "g/L")
    return grams_per_l * co2_yield_g_per_g(sugar) / G_PER_L_PER_VOLUME


_KEG_CAUTIONS: Final = (
    Caution(
        Hazard.PRESSURE,
        "The limit that is stamped on the keg, and its relief valve, go before any figure here: use none"
        " without both, and stay well below them; a glass vessel or a fermenter must never be put under"
        " pressure.",
    ),
    Caution(
        Hazard.PRESSURE,
        "Never join a gas cylinder without a regulator, and let the pressure off before opening anything.",
    ),
    Caution(
        Hazard.CARBON_DIOXIDE,
        "Carbon dioxide gathers low and suffocates without warning: keep cylinder and keg in a room with"
        " moving air, fasten the cylinder upright, and check for leaks with soapy water.",
    ),
)


def keg_pressure(volumes: float, temperature_c: float, ambient_kpa: float = ATMOSPHERE_KPA) -> KegPressure:
    """What to set the regulator to for a carbonation at the keg's temperature, with its band.

    Raises QuantityError outside 0..40 degC and 50..110 kPa of ambient pressure, above 5 volumes, for less
    than the liquid holds in the open at that temperature, and where the keg would hold more than 4 bar.
    """
    within("keg temperature", temperature_c, 0.0, 40.0, "degC")
    within("ambient pressure", ambient_kpa, 50.0, 110.0, "kPa")
    open_volumes = residual_volumes(temperature_c, ambient_kpa)
    hint = "about 3 volumes is usual in a keg; the lower figure is held without any pressure"
    within("carbonation", volumes, open_volumes, MOST_KEG_VOLUMES, "volumes", hint=hint)
    low = gauge_kpa(volumes, temperature_c, ambient_kpa)
    high = low + EXTRACT_BAND * co2_pressure_kpa(volumes, temperature_c)
    if high > MOST_KEG_KPA:
        raise QuantityError(
            f"{volumes:g} volumes at {temperature_c:g} degC would take {high / KPA_PER_BAR:.1f} bar: more"
            f" than the {MOST_KEG_KPA / KPA_PER_BAR:g} bar that a keg at home is put under at the most",
            hint="chill the keg, or ask for less gas; the limit stamped on the keg goes before any figure",
        )
    return KegPressure(
        volumes=volumes,
        temperature_c=temperature_c,
        gauge_kpa=low,
        highest_gauge_kpa=high,
        cautions=_KEG_CAUTIONS,
    )
