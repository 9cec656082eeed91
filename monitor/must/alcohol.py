"""Alcohol, extract and attenuation from two gravities; where a must will end; energy in a glass.

Two ways stand side by side. `attenuation` is Balling's: two measured gravities and his fixed ratios for beer
wort, the figures that trade tables print. `composition` takes the same mass balance but finds the extract
left from the mixture's density (OIML R 22 and ICUMSA SPS-4), so that masses close and can be mixed further.
Balling reads higher, by 0.08 % vol at OG 1.040 and 0.16 at 1.100; neither knows the 1 to 2 points that
glycerol and acids add. Against the alcohol measured in 532 brews (Cutaia, Reid & Speers, J. Inst. Brew. 115,
2009; five means) both lie within 0.12 % by mass, and the real extract of `composition` is the nearer one, by
0.15 % by mass. Whatever is mixed, diluted or sweetened is worked out from `composition`.

Apparent attenuation above 1 is normal for a dry mead and never clamped.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from scipy.optimize import brentq

from monitor.errors import QuantityError
from monitor.must.density import (
    ETHANOL_20C_KG_M3,
    GLASS_EXPANSION_PER_K,
    REFERENCE_C,
    WATER_20C_KG_M3,
    corrected_sg,
    plato_from_sg,
    water_density_kg_m3,
)
from monitor.must.liquid import Liquid, unfermented

EXTRACT_PER_ETHANOL: Final = 2.0665
"""Balling: 2.0665 g of extract give 1 g of ethanol, 0.9565 g of CO2 and 0.11 g of yeast."""
CO2_PER_EXTRACT: Final = 0.9565 / EXTRACT_PER_ETHANOL
"""Grams of CO2 from a gram of extract fermented."""
SIMPLE_FACTOR: Final = 131.25
"""Per cent by volume for a fall of 1 in SG, as course formula sheets have it."""

_KCAL_PER_G: Final = (7.0, 4.0)
_KJ_PER_G: Final = (29.0, 17.0)


@dataclass(frozen=True, slots=True)
class Attenuation:
    """What two gravities say by Balling; extracts in per cent by mass, attenuations as fractions."""

    original_extract: float
    apparent_extract: float
    """Negative where the liquid is lighter than water."""
    real_extract: float
    apparent_attenuation: float
    """(OE - AE)/OE; above 1 in a dry mead."""
    real_attenuation: float
    abw: float
    """Alcohol, per cent by mass."""
    abv: float
    """Alcohol, per cent by volume at 20 degC."""
    abv_simple: float
    """131.25 times the difference, for comparison: low by 0.03 at 1.040, by half a per cent at 1.100."""


def simple_abv(original_gravity_sg: float, present_sg: float) -> float:
    """Alcohol in per cent by volume by the one-factor rule; for comparison only."""
    return SIMPLE_FACTOR * (original_gravity_sg - present_sg)


def _checked(original_gravity_sg: float) -> None:
    if not 1.0 <= original_gravity_sg <= 1.3:
        raise QuantityError(f"original gravity {original_gravity_sg:.4f} is outside 1.000 to 1.300")


def attenuation(original_gravity_sg: float, present_sg: float) -> Attenuation:
    """Balling's alcohol and attenuation of a liquid that began at one gravity and reads another now.

    RE = 0.1808 OE + 0.8192 AE (from memory, standard texts); A = (OE - RE)/(2.0665 - 0.010665 OE); SG
    20/20. Yeast that is still in the liquid does not matter; sugar or water added on the way does: then it
    is void. Raises QuantityError for an original gravity outside 1.000..1.300. At 1.000 nothing can
    attenuate and the attenuations are 0.
    """
    _checked(original_gravity_sg)
    oe = plato_from_sg(original_gravity_sg)
    ae = plato_from_sg(present_sg)
    re = 0.1808 * oe + 0.8192 * ae
    abw = (oe - re) / (EXTRACT_PER_ETHANOL - 0.01 * (EXTRACT_PER_ETHANOL - 1.0) * oe)
    holds_extract = original_gravity_sg > 1.0
    return Attenuation(
        original_extract=oe,
        apparent_extract=ae,
        real_extract=re,
        apparent_attenuation=(oe - ae) / oe if holds_extract else 0.0,
        real_attenuation=(oe - re) / oe if holds_extract else 0.0,
        abw=abw,
        abv=abw * present_sg * WATER_20C_KG_M3 / ETHANOL_20C_KG_M3,
        abv_simple=simple_abv(original_gravity_sg, present_sg),
    )


def fermented(must: Liquid, consumed_g: float) -> Liquid:
    """The liquid after yeast has taken so many g of its extract; CO2 and yeast have left it (Balling)."""
    return Liquid(
        water_g=must.water_g,
        ethanol_g=must.ethanol_g + consumed_g / EXTRACT_PER_ETHANOL,
        extract_g=must.extract_g - consumed_g,
    )


def composition(original_gravity_sg: float, present_sg: float) -> Liquid:
    """Masses of water, ethanol and extract in 1 L at 20 degC of what began at one gravity and reads another.

    Raises QuantityError where no fermentation leads from the one to the other: above the original gravity
    (something was added), or lower than all of its extract gone.
    """
    _checked(original_gravity_sg)
    must = unfermented(original_gravity_sg)
    lowest = fermented(must, must.extract_g).sg
    if not lowest <= present_sg <= original_gravity_sg:
        raise QuantityError(
            f"gravity {present_sg:.4f} cannot come of {original_gravity_sg:.4f} by fermenting:"
            f" {lowest:.4f} to {original_gravity_sg:.4f}",
            hint="check both readings and their temperatures; a batch that was fed or diluted has no one"
            " original gravity",
        )

    def excess(consumed_g: float) -> float:
        return fermented(must, consumed_g).sg - present_sg

    if excess(0.0) <= 0.0:  # by a fraction's last digit even where the two gravities differ
        return must
    consumed_g = float(brentq(excess, 0.0, must.extract_g, xtol=1e-9, rtol=1e-14))
    return fermented(must, consumed_g).of_volume(1.0)


def corrected_ferment_sg(
    reading_sg: float,
    temperature_c: float,
    original_gravity_sg: float,
    calibrated_at_c: float = REFERENCE_C,
    body_expansion_per_k: float = GLASS_EXPANSION_PER_K,
) -> float:
    """SG 20/20 of a floating body's reading in a ferment whose original gravity is known.

    Like `density.corrected_sg`, but the liquid expands as the water, ethanol and extract it holds by now: in
    a mead from 1.100 that is worth 0.8 points at 30 degC, in one from 1.040 under 0.2. A reading that no
    ferment from that gravity gives is corrected as `density.corrected_sg` does.
    """
    _checked(original_gravity_sg)
    must = unfermented(original_gravity_sg)
    growth = 1.0 + body_expansion_per_k * (temperature_c - calibrated_at_c)
    density_kg_m3 = reading_sg * water_density_kg_m3(calibrated_at_c) / growth

    def excess(consumed_g: float) -> float:
        liquid = fermented(must, consumed_g)
        return liquid.total_g / liquid.volume_at_l(temperature_c) - density_kg_m3

    if excess(0.0) <= 0.0 or excess(must.extract_g) >= 0.0:
        return corrected_sg(reading_sg, temperature_c, calibrated_at_c, body_expansion_per_k)
    return fermented(must, float(brentq(excess, 0.0, must.extract_g, xtol=1e-9))).sg


def expected_final_gravity_sg(
    original_gravity_sg: float, fermentable_share: float, alcohol_tolerance_abv: float | None = None
) -> float:
    """SG 20/20 at which a must ends when `fermentable_share` of its dissolved solids has gone.

    Mass balance with Balling's yields. Where the yeast's tolerance in per cent by volume is reached first,
    the gravity at that strength: a soft ceiling (common practice), yeast often passes it a little. Real
    meads end some 1 to 2 points higher, for their glycerol and acids. Raises QuantityError for a share
    outside 0..1 or an original gravity outside 1.000..1.300.
    """
    _checked(original_gravity_sg)
    return expected_end(unfermented(original_gravity_sg), fermentable_share, alcohol_tolerance_abv).sg


def expected_end(
    must: Liquid, fermentable_share: float, alcohol_tolerance_abv: float | None = None
) -> Liquid:
    """What is left of a must at the end that `expected_final_gravity_sg` tells, as much of it as there was.

    Raises QuantityError for a share outside 0..1.
    """
    if not 0.0 <= fermentable_share <= 1.0:
        raise QuantityError(f"fermentable share {fermentable_share:g} is outside 0 to 1")
    most_g = fermentable_share * must.extract_g
    end = fermented(must, most_g)
    if alcohol_tolerance_abv is None or end.abv <= alcohol_tolerance_abv:
        return end

    def excess(consumed_g: float) -> float:
        return fermented(must, consumed_g).abv - alcohol_tolerance_abv

    return fermented(must, float(brentq(excess, 0.0, most_g, xtol=1e-9)))


@dataclass(frozen=True, slots=True)
class Energy:
    """Food energy of one serving."""

    serving_l: float
    kcal: float
    kj: float


def energy(liquid: Liquid, serving_l: float) -> Energy:
    """Energy in a serving, by the factors of Regulation (EU) No 1169/2011 Annex XIV (from memory).

    Alcohol 7 kcal or 29 kJ per g, carbohydrate 4 kcal or 17 kJ per g; all extract is counted as
    carbohydrate, which is a little high. US practice takes 6.9 kcal per g of alcohol: 1 % less. Raises
    QuantityError for a serving of no volume.
    """
    if serving_l <= 0.0:
        raise QuantityError(f"a serving of {serving_l:g} L is no serving: more than 0 L")
    served = liquid.of_volume(serving_l)
    kcal = _KCAL_PER_G[0] * served.ethanol_g + _KCAL_PER_G[1] * served.extract_g
    kj = _KJ_PER_G[0] * served.ethanol_g + _KJ_PER_G[1] * served.extract_g
    return Energy(serving_l=serving_l, kcal=kcal, kj=kj)


def composition_by_strength(abv: float, present_sg: float) -> Liquid:
    """Masses in 1 L at 20 degC of a liquid of known strength in per cent by volume and gravity.

    For a batch whose original gravity is unknown or void. Raises QuantityError for a strength outside 0..25
    or a gravity below that of ethanol-water of this strength.
    """
    if not 0.0 <= abv <= 25.0:
        raise QuantityError(f"alcohol {abv:g} % vol is outside 0 to 25")
    ethanol_g = abv / 100.0 * ETHANOL_20C_KG_M3
    total_g = present_sg * WATER_20C_KG_M3

    def excess(extract_g: float) -> float:
        return Liquid(total_g - ethanol_g - extract_g, ethanol_g, extract_g).volume_l - 1.0

    if excess(0.0) < -1e-12:
        raise QuantityError(
            f"gravity {present_sg:.4f} is too low for {abv:g} % vol: nothing lighter than its ethanol-water"
        )
    most_g = 0.9 * (total_g - ethanol_g)
    if excess(0.0) <= 0.0:
        return Liquid(total_g - ethanol_g, ethanol_g)
    extract_g = float(brentq(excess, 0.0, most_g, xtol=1e-10))
    return Liquid(total_g - ethanol_g - extract_g, ethanol_g, extract_g)
