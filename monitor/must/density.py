"""Densities of water, sugar solutions and ethanol-water, and the gravity scales built on them.

Units: mass fractions are g/g, temperatures degC (ITS-90), densities kg/m3, gravities SG 20/20 unless the
name says otherwise, Plato and Brix per cent by mass of sucrose (the two are one scale here).
Functions of one polynomial take a float or an array and give the same back.

Choice of standards. Five published equations for water differ by up to 0.006 kg/m3, so a gravity must be
divided by the water of the same standard. Everything here rests on one water, the ITS-90 form of Kell's
equation that ICUMSA SPS-4 uses, because nearly every conversion is of a sugar solution; ethanol-water of
OIML R 22 is carried over as a density relative to its own water (the shift is 2 parts in a million).
SPS-4 is in vacuo, as a floating body measures; the older NBS and ASBC tables are in air and read up to
0.02 degP lower between 5 and 25 degP.
"""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from monitor.errors import QuantityError
from monitor.units import POINTS_PER_SG

Value = TypeVar("Value", float, NDArray[np.float64])
"""A number or an array of them."""

REFERENCE_C: Final = 20.0
SIXTY_FAHRENHEIT_C: Final = (60.0 - 32.0) / 1.8
GLASS_EXPANSION_PER_K: Final = 25e-6
"""Cubic expansion of a glass hydrometer, ISO 1768:1975."""

_WATER_NUMERATOR: Final = (999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12)
_WATER_DENOMINATOR: Final = 16.887236e-3

# ICUMSA SPS-4: row i multiplies ((t - 20)/100)^i, column k multiplies w^(k + 1)
_SUCROSE: Final = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890),
    (-46.2720, -7.1720, 1.1597, 5.1126, 17.5254, 0.0),
    (59.7712, 7.2491, 12.3630, -35.4791, 0.0, 0.0),
    (-47.2207, -21.6977, 27.6301, 0.0, 0.0, 0.0),
    (18.3184, 12.3081, 0.0, 0.0, 0.0, 0.0),
)

# OIML R 22: A by powers of p from 0, B by powers of (t - 20) from 1, C[i] by powers of p from 1 and
# times (t - 20)^(i + 1)
_OIML_A: Final = (
    9.982012300e2,
    -1.929769495e2,
    3.891238958e2,
    -1.668103923e3,
    1.352215441e4,
    -8.829278388e4,
    3.062874042e5,
    -6.138381234e5,
    7.470172998e5,
    -5.478461354e5,
    2.234460334e5,
    -3.903285426e4,
)
_OIML_B: Final = (-2.0618513e-1, -5.2682542e-3, 3.6130013e-5, -3.8957702e-7, 7.1693540e-9, -9.9739231e-11)
_OIML_C: Final = (
    (
        1.693443461530087e-1,
        -1.046914743455169e1,
        7.196353469546523e1,
        -7.047478054272792e2,
        3.924090430035045e3,
        -1.210164659068747e4,
        2.248646550400788e4,
        -2.605562982188164e4,
        1.852373922069467e4,
        -7.420201433430137e3,
        1.285617841998974e3,
    ),
    (
        -1.193013005057010e-2,
        2.517399633803461e-1,
        -2.170575700536993,
        1.353034988843029e1,
        -5.029988758547014e1,
        1.096355666577570e2,
        -1.422753946421155e2,
        1.080435942856230e2,
        -4.414153236817392e1,
        7.442971530188783,
    ),
    (
        -6.802995733503803e-4,
        1.876837790289664e-2,
        -2.002561813734156e-1,
        1.022992966719220,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -5.411227621436812e-1,
    ),
    (4.075376675622027e-6, -8.763058573471110e-6, 6.515031360099368e-6, -1.515784836987210e-6),
    (-2.788074354782409e-8, 1.345612883493354e-8),
)


def _polynomial(coefficients: tuple[float, ...], x: Value) -> Value:
    """The sum of coefficients[k] * x^k, by Horner's scheme."""
    total = x * 0.0 + coefficients[-1]
    for coefficient in coefficients[-2::-1]:
        total = total * x + coefficient
    return total


def water_density_kg_m3(temperature_c: Value) -> Value:
    """Density of air-free water at 101.325 kPa, 0..40 degC (Kell, refitted to ITS-90; ICUMSA SPS-4)."""
    return _polynomial(_WATER_NUMERATOR, temperature_c) / (1.0 + _WATER_DENOMINATOR * temperature_c)


WATER_20C_KG_M3: Final = water_density_kg_m3(REFERENCE_C)


def _sucrose_coefficients(temperature_c: float) -> tuple[float, ...]:
    """Coefficients of the SPS-4 polynomial in the mass fraction at one temperature, from power 0 on."""
    t = (temperature_c - REFERENCE_C) / 100.0
    columns = zip(*_SUCROSE, strict=True)
    return (water_density_kg_m3(temperature_c), *(_polynomial(column, t) for column in columns))


def _derivative(coefficients: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(k * coefficient for k, coefficient in enumerate(coefficients))[1:]


_SUCROSE_20C: Final = _sucrose_coefficients(REFERENCE_C)
_SUCROSE_20C_SLOPE: Final = _derivative(_SUCROSE_20C)


def sucrose_density_kg_m3(mass_fraction: Value, temperature_c: float = REFERENCE_C) -> Value:
    """Density of a sucrose solution in vacuo (ICUMSA SPS-4; 0..0.85 g/g, 0..80 degC).

    Small negative fractions are the smooth continuation that apparent extracts below zero need.
    """
    return _polynomial(_sucrose_coefficients(temperature_c), mass_fraction)


def _invert_sucrose(density_kg_m3: Value, coefficients: tuple[float, ...], slope: tuple[float, ...]) -> Value:
    # the polynomial is convex and rising, so four Newton steps from this close a start leave rounding only
    ratio = density_kg_m3 / coefficients[0]
    fraction = (ratio - 1.0) * (4.63 - 2.05 * ratio)
    for _ in range(4):
        fraction = fraction - (_polynomial(coefficients, fraction) - density_kg_m3) / _polynomial(
            slope, fraction
        )
    return fraction


def sucrose_fraction_from_density(density_kg_m3: Value, temperature_c: float = REFERENCE_C) -> Value:
    """Mass fraction of the sucrose solution of this density: the inverse of `sucrose_density_kg_m3`.

    Meant for 900..1420 kg/m3.
    """
    coefficients = _sucrose_coefficients(temperature_c)
    return _invert_sucrose(density_kg_m3, coefficients, _derivative(coefficients))


def ethanol_water_density_kg_m3(ethanol_fraction: Value, temperature_c: float = REFERENCE_C) -> Value:
    """Density of ethanol-water, exactly as OIML R 22 has it (0..1 g/g, -20..40 degC)."""
    t = temperature_c - REFERENCE_C
    density = _polynomial(_OIML_A, ethanol_fraction) + t * _polynomial(_OIML_B, t)
    for i, row in enumerate(_OIML_C):
        density = density + ethanol_fraction * _polynomial(row, ethanol_fraction) * t ** (i + 1)
    return density


ETHANOL_20C_KG_M3: Final = ethanol_water_density_kg_m3(1.0)


def ethanol_water_relative_density(ethanol_fraction: Value, temperature_c: float = REFERENCE_C) -> Value:
    """Density of ethanol-water over that of water at the same temperature, both of OIML R 22."""
    water = ethanol_water_density_kg_m3(0.0, temperature_c)
    return ethanol_water_density_kg_m3(ethanol_fraction, temperature_c) / water


def ethanol_fraction_from_relative_density(
    relative_density: float, temperature_c: float = REFERENCE_C
) -> float:
    """Mass fraction of ethanol in ethanol-water; the inverse of `ethanol_water_relative_density`.

    Raises QuantityError where no ethanol-water has this density.
    """
    lowest = ethanol_water_relative_density(1.0, temperature_c)
    if not lowest <= relative_density <= 1.0:
        raise QuantityError(
            f"relative density {relative_density:g} is not one of ethanol-water: {lowest:.4f} to 1",
            hint="a liquid heavier than water holds sugar; lighter than this is not ethanol-water",
        )

    def excess(fraction: float) -> float:
        return ethanol_water_relative_density(fraction, temperature_c) - relative_density

    return float(brentq(excess, 0.0, 1.0, xtol=1e-14))


def abv_from_ethanol_fraction(ethanol_fraction: Value) -> Value:
    """Per cent by volume at 20 degC of ethanol-water with this mass fraction (OIML R 22)."""
    return 100.0 * ethanol_fraction * ethanol_water_density_kg_m3(ethanol_fraction) / ETHANOL_20C_KG_M3


def ethanol_fraction_from_abv(abv: float) -> float:
    """Mass fraction of ethanol in ethanol-water of this strength in per cent by volume at 20 degC.

    Raises QuantityError outside 0..100.
    """
    if not 0.0 <= abv <= 100.0:
        raise QuantityError(f"alcohol {abv:g} % vol is outside 0 to 100")
    return float(brentq(lambda p: abv_from_ethanol_fraction(p) - abv, 0.0, 1.0, xtol=1e-14))


def sg_from_plato(plato: Value) -> Value:
    """SG 20/20 of degrees Plato (or Brix); below zero where alcohol makes the liquid lighter than water."""
    return _polynomial(_SUCROSE_20C, plato / 100.0) / WATER_20C_KG_M3


def plato_from_sg(sg: Value) -> Value:
    """Degrees Plato (or Brix) of SG 20/20, meant for 0.9..1.42; undoes `sg_from_plato` to rounding."""
    return 100.0 * _invert_sucrose(sg * WATER_20C_KG_M3, _SUCROSE_20C, _SUCROSE_20C_SLOPE)


def sg_from_oechsle(oechsle: Value) -> Value:
    """SG 20/20 of degrees Oechsle: thousandths above water, by definition."""
    return 1.0 + oechsle / POINTS_PER_SG


def oechsle_from_sg(sg: Value) -> Value:
    """Degrees Oechsle of SG 20/20."""
    return (sg - 1.0) * POINTS_PER_SG


def density_from_sg(sg: Value) -> Value:
    """Density at 20 degC, kg/m3, of SG 20/20."""
    return sg * WATER_20C_KG_M3


def extract_g_per_l_from_sg(sg: Value) -> Value:
    """Grams of dissolved solids, counted as sucrose, in a litre at 20 degC of an unfermented must."""
    return plato_from_sg(sg) / 100.0 * sg * WATER_20C_KG_M3


def _density_at(sg: float, temperature_c: float) -> float:
    """Density at a temperature of the liquid that has this SG 20/20.

    Heavier than water it is taken for a sugar solution, lighter for ethanol-water: the two meet at water.
    """
    if sg >= 1.0:
        return sucrose_density_kg_m3(plato_from_sg(sg) / 100.0, temperature_c)
    fraction = ethanol_fraction_from_relative_density(sg)
    return ethanol_water_relative_density(fraction, temperature_c) * water_density_kg_m3(temperature_c)


def sg_from_density(density_kg_m3: float, temperature_c: float = REFERENCE_C) -> float:
    """SG 20/20 of the liquid that has this density at this temperature.

    Heavier than water the liquid is taken to expand like a sugar solution, lighter like ethanol-water. A
    fermented must holds some of both: from OG 1.040 that costs under 0.2 points between 10 and 30 degC, from
    1.100 up to 1; `alcohol.corrected_ferment_sg` knows better where the original gravity is known.
    """
    if temperature_c == REFERENCE_C:
        return density_kg_m3 / WATER_20C_KG_M3
    relative = density_kg_m3 / water_density_kg_m3(temperature_c)
    if relative >= 1.0:
        return sg_from_plato(100.0 * sucrose_fraction_from_density(density_kg_m3, temperature_c))
    fraction = ethanol_fraction_from_relative_density(relative, temperature_c)
    return ethanol_water_relative_density(fraction)


def sg_on_scale(sg: float, sample_c: float, water_c: float) -> float:
    """What SG 20/20 reads on the scale `sample_c`/`water_c`: the sample's density over the water's."""
    return _density_at(sg, sample_c) / water_density_kg_m3(water_c)


def sg_from_scale(value: float, sample_c: float, water_c: float) -> float:
    """SG 20/20 of a gravity on the scale `sample_c`/`water_c`; the inverse of `sg_on_scale`."""
    return sg_from_density(value * water_density_kg_m3(water_c), sample_c)


def sg_60f_from_sg(sg: float) -> float:
    """SG 60 F/60 F of SG 20/20."""
    return sg_on_scale(sg, SIXTY_FAHRENHEIT_C, SIXTY_FAHRENHEIT_C)


def sg_from_sg_60f(sg_60f: float) -> float:
    """SG 20/20 of SG 60 F/60 F."""
    return sg_from_scale(sg_60f, SIXTY_FAHRENHEIT_C, SIXTY_FAHRENHEIT_C)


def corrected_sg(
    reading_sg: float,
    temperature_c: float,
    calibrated_at_c: float = REFERENCE_C,
    body_expansion_per_k: float = GLASS_EXPANSION_PER_K,
) -> float:
    """SG 20/20 of what a floating body read at a temperature it was not made for.

    The body shows `rho(t) * (1 + beta * (t - t0)) / rho_water(t0)`, by buoyancy: the liquid's own density at
    t and the body's growth, nothing fitted. `body_expansion_per_k` is cubic: 25e-6 for glass (ISO 1768:1975),
    about 2e-4 for clear plastics (from memory: three times the usual linear value).
    """
    growth = 1.0 + body_expansion_per_k * (temperature_c - calibrated_at_c)
    density_kg_m3 = reading_sg * water_density_kg_m3(calibrated_at_c) / growth
    return sg_from_density(density_kg_m3, temperature_c)


def hydrometer_reading_sg(
    sg: float,
    temperature_c: float,
    calibrated_at_c: float = REFERENCE_C,
    body_expansion_per_k: float = GLASS_EXPANSION_PER_K,
) -> float:
    """What a floating body reads at a temperature in a liquid of this SG 20/20; undoes `corrected_sg`."""
    growth = 1.0 + body_expansion_per_k * (temperature_c - calibrated_at_c)
    return _density_at(sg, temperature_c) * growth / water_density_kg_m3(calibrated_at_c)
