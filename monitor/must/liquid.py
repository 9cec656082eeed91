"""A liquid as three masses: what a mass balance can add, take away and turn into a gravity.

Volumes add up only roughly when sugar, ethanol and water meet; masses always do. So everything that mixes
is worked out in masses and turned into volume, gravity and strength at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from scipy.optimize import brentq

from monitor.errors import QuantityError
from monitor.must.density import (
    ETHANOL_20C_KG_M3,
    REFERENCE_C,
    WATER_20C_KG_M3,
    ethanol_water_relative_density,
    sucrose_density_kg_m3,
    sucrose_fraction_from_density,
    water_density_kg_m3,
)

_MOST_ADDED: Final = 1e4
"""An addition of more than this many times the base's mass is no answer."""

_ROUNDING_SG: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Liquid:
    """Masses in g of water, ethanol and extract (dissolved solids, counted as sucrose)."""

    water_g: float
    ethanol_g: float = 0.0
    extract_g: float = 0.0

    @property
    def total_g(self) -> float:
        """Mass of the whole in g."""
        return self.water_g + self.ethanol_g + self.extract_g

    @property
    def volume_l(self) -> float:
        """Volume at 20 degC in L."""
        return self.volume_at_l(REFERENCE_C)

    def volume_at_l(self, temperature_c: float) -> float:
        """Volume in L at a temperature in degC.

        Partial volumes: water and ethanol together by OIML R 22, the solids at the apparent specific volume
        that ICUMSA SPS-4 gives them in as much water. Agrees with Tabarie's rule, which measured mixtures
        bear out up to 5 % of sugar and 18 % of ethanol by mass (Hackbarth, J. Am. Soc. Brew. Chem. 67, 2009);
        glycerol and acids, which are left out, put a real mead 1 to 2 points higher.
        """
        water_kg_m3 = water_density_kg_m3(temperature_c)
        solvent_g = self.water_g + self.ethanol_g
        ethanol_fraction = self.ethanol_g / solvent_g if solvent_g > 0.0 else 0.0
        solvent_l = solvent_g / (
            ethanol_water_relative_density(ethanol_fraction, temperature_c) * water_kg_m3
        )
        # what the solids take up in water is the room of their solution less that of its water
        solution_g = self.extract_g + self.water_g
        if solution_g == 0.0:
            return solvent_l
        solution_l = solution_g / sucrose_density_kg_m3(self.extract_g / solution_g, temperature_c)
        return solvent_l + solution_l - self.water_g / water_kg_m3

    @property
    def sg(self) -> float:
        """SG 20/20."""
        return self.total_g / self.volume_l / WATER_20C_KG_M3

    @property
    def abv(self) -> float:
        """Alcohol in per cent by volume at 20 degC."""
        return 100.0 * self.ethanol_g / ETHANOL_20C_KG_M3 / self.volume_l

    @property
    def abw(self) -> float:
        """Alcohol in per cent by mass."""
        return 100.0 * self.ethanol_g / self.total_g

    @property
    def real_extract(self) -> float:
        """Dissolved solids in per cent by mass."""
        return 100.0 * self.extract_g / self.total_g

    @property
    def extract_g_per_l(self) -> float:
        """Dissolved solids in g/L at 20 degC."""
        return self.extract_g / self.volume_l

    def plus(self, other: Liquid) -> Liquid:
        """Both poured together."""
        return Liquid(
            self.water_g + other.water_g,
            self.ethanol_g + other.ethanol_g,
            self.extract_g + other.extract_g,
        )

    def times(self, factor: float) -> Liquid:
        """So many times as much of it."""
        return Liquid(self.water_g * factor, self.ethanol_g * factor, self.extract_g * factor)

    def of_volume(self, volume_l: float) -> Liquid:
        """As much of it as fills `volume_l` at 20 degC."""
        return self.times(volume_l / self.volume_l)


def water(volume_l: float) -> Liquid:
    """So many litres of water at 20 degC."""
    return Liquid(water_g=volume_l * WATER_20C_KG_M3)


def unfermented(sg: float, volume_l: float = 1.0) -> Liquid:
    """A must of this gravity that holds no alcohol yet, so many litres of it at 20 degC.

    Raises QuantityError below the gravity of water.
    """
    if sg < 1.0:
        raise QuantityError(f"gravity {sg:.4f} is below water: an unfermented must reads 1.000 or more")
    total_g = sg * WATER_20C_KG_M3 * volume_l
    extract_g = total_g * sucrose_fraction_from_density(sg * WATER_20C_KG_M3)
    return Liquid(water_g=total_g - extract_g, extract_g=extract_g)


def grams_to_reach(base: Liquid, addition: Liquid, target_sg: float) -> float:
    """How many g of a liquid like `addition` bring `base` to `target_sg`; 0 where it is there already.

    For musts and meads; a base that is a syrup itself, above some 60 % solids, need not grow denser steadily.
    Raises QuantityError where no amount of it does, or one of the two is empty.
    """
    if base.total_g <= 0.0 or addition.total_g <= 0.0:
        raise QuantityError("an empty liquid has no gravity: more than 0 L")
    if abs(base.sg - target_sg) < _ROUNDING_SG:
        return 0.0
    one_gram = addition.times(1.0 / addition.total_g)

    def excess(grams: float) -> float:
        return base.plus(one_gram.times(grams)).sg - target_sg

    start = excess(0.0)
    most = base.total_g
    while excess(most) * start > 0.0:
        most *= 4.0
        if most > _MOST_ADDED * base.total_g:
            raise QuantityError(
                f"gravity {target_sg:.4f} cannot be reached from {base.sg:.4f} by adding a liquid"
                f" of {addition.sg:.4f}",
                hint="the target must lie between the two gravities",
            )
    return float(brentq(excess, 0.0, most, xtol=1e-9, rtol=1e-14))
