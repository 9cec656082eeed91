"""Honey and the other things that sweeten: what they hold, how heavy they are, how much of them ferments.

Published means of honey differ: 490 US honeys (White et al., USDA Technical Bulletin 1261, 1962) hold 17.2 %
water and 70.8 % fructose, glucose and sucrose, with 7.3 % of disaccharides that yeast takes only in part;
1063 honeys of four countries (Crane 1980) hold 73.4 % of the three sugars at the same moisture. The default
is the US mean because its full composition is published, with the fermentable share midway between its low
and high reading (0.855 without and 0.943 with the disaccharides).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log10
from typing import Final

import numpy as np

from monitor.errors import QuantityError
from monitor.must.density import WATER_20C_KG_M3, sucrose_density_kg_m3
from monitor.must.liquid import Liquid

INVERSION_GAIN: Final = 2.0 * 180.156 / 342.297
"""Grams of glucose and fructose from a gram of sucrose, which takes up water in splitting (IUPAC masses)."""
LACTOSE_MONOHYDRATE_SOLIDS: Final = 342.297 / 360.312
DEXTROSE_MONOHYDRATE_SOLIDS: Final = 180.156 / 198.171
JUICE_FERMENTABLE_SHARE: Final = 0.93
"""Of the Brix of a fruit juice; the rest is acids, sugar alcohols and minerals (common practice)."""

# SG 20/20 of neat honey by per cent moisture: Wedmore and White, from memory; 18 % seen confirmed at 1.417
_NEAT_MOISTURE: Final = (0.13, 0.14, 0.15, 0.16, 0.17, 0.18, 0.19, 0.20, 0.21)
_NEAT_SG: Final = (1.4457, 1.4404, 1.4350, 1.4295, 1.4237, 1.4171, 1.4101, 1.4027, 1.3950)
MOISTURE_RANGE: Final = (0.12, 0.30)
"""Mass shares of water that a honey may hold at all."""


@dataclass(frozen=True, slots=True)
class HoneyComposition:
    """Mass shares of a honey, g/g of the whole."""

    moisture: float
    fructose: float
    glucose: float
    sucrose: float
    disaccharides: float = 0.0
    """Reducing disaccharides counted as maltose: yeast takes some of them."""

    @property
    def solids(self) -> float:
        """All that is not water."""
        return 1.0 - self.moisture

    @property
    def surely_fermentable_share(self) -> float:
        """Fructose, glucose and sucrose as a share of the solids."""
        return (self.fructose + self.glucose + self.sucrose) / self.solids

    @property
    def most_fermentable_share(self) -> float:
        """The same with the disaccharides."""
        return self.surely_fermentable_share + self.disaccharides / self.solids


US_MEAN_HONEY: Final = HoneyComposition(0.172, 0.382, 0.313, 0.013, 0.073)
"""Mean of 490 US honeys, White et al., USDA Technical Bulletin 1261, 1962."""
FOUR_COUNTRY_MEAN_HONEY: Final = HoneyComposition(0.172, 0.386, 0.328, 0.020)
"""Weighted mean of 1063 honeys of four countries, Crane 1980; disaccharides not given."""

DEFAULT_MOISTURE: Final = US_MEAN_HONEY.moisture
DEFAULT_FERMENTABLE_SHARE: Final = round(
    (US_MEAN_HONEY.surely_fermentable_share + US_MEAN_HONEY.most_fermentable_share) / 2.0, 3
)
MOST_FERMENTABLE_SHARE: Final = round(US_MEAN_HONEY.most_fermentable_share, 3)
"""The high reading, 0.943: where a must of honey could end at the lowest. Richer honeys are known, but the
glycerol and acids of a ferment, which no balance here knows, leave it 1 to 2 points higher."""


def _checked_moisture(moisture: float) -> None:
    low, high = MOISTURE_RANGE
    if not low <= moisture <= high:
        raise QuantityError(
            f"honey moisture {100.0 * moisture:g} % is outside {100.0 * low:g} to {100.0 * high:g} %",
            hint="ripe honey holds 13 to 20 %; a share of 0.172 is 17.2 %",
        )


def neat_honey_sg(moisture: float) -> float:
    """SG 20/20 of honey as it is, from its moisture in g/g.

    Between 13 and 21 % from the table of Wedmore and White (from memory). Beyond it the sucrose curve of
    the same solids, scaled to meet the table's end: honey is about 0.8 % lighter than sucrose of equal
    solids, which is why that curve alone is not used. Raises QuantityError outside 0.12..0.30.
    """
    _checked_moisture(moisture)
    nearest = min(max(moisture, _NEAT_MOISTURE[0]), _NEAT_MOISTURE[-1])
    table_sg = float(np.interp(nearest, _NEAT_MOISTURE, _NEAT_SG))
    return table_sg * sucrose_density_kg_m3(1.0 - moisture) / sucrose_density_kg_m3(1.0 - nearest)


def moisture_from_refractive_index(refractive_index: float, temperature_c: float = 20.0) -> float:
    """Moisture of honey in g/g from its refractive index.

    Wedmore's fit to Chataway's table, W = (-0.26810 - log10(n - 1))/0.002243 in per cent at 20 degC, with
    0.00023 to add to n for each degree above. Often printed with 1.73190 in the place of -0.26810: that was
    a logarithm with a barred 1 and gives nonsense as it stands. Raises QuantityError outside 1.47..1.51.
    """
    at_20c = refractive_index + 0.00023 * (temperature_c - 20.0)
    if not 1.47 <= at_20c <= 1.51:
        raise QuantityError(f"refractive index {refractive_index:g} is not one of honey: 1.470 to 1.510")
    return (-0.26810 - log10(at_20c - 1.0)) / 0.2243


@dataclass(frozen=True, slots=True)
class Sweetener:
    """Something that is weighed and dissolved: what a gram of it brings."""

    name: str
    solids_share: float
    """Grams of dissolved solids from a gram of it; the rest is water."""
    fermentable_share: float
    """Of those solids, what yeast can take."""
    density_kg_m3: float | None = None
    """As it is, for those who measure it by volume; None for a powder."""
    notes: tuple[str, ...] = ()
    """What its user should know, full sentences."""
    richest_share: float | None = None
    """Of those solids, what yeast can take where they are rich in it: for what may burst; None where it is
    the same for all of its kind."""

    def __post_init__(self) -> None:
        for what, share in (
            ("solids", self.solids_share),
            ("fermentable", self.fermentable_share),
            ("most fermentable", self.most_fermentable_share),
        ):
            if not 0.0 <= share <= 1.0:
                raise QuantityError(f"{what} share {share:g} of {self.name} is outside 0 to 1")

    def of_mass(self, mass_g: float) -> Liquid:
        """So many g of it, as a liquid's masses."""
        return Liquid(water_g=mass_g * (1.0 - self.solids_share), extract_g=mass_g * self.solids_share)

    def fermentable_g(self, mass_g: float) -> float:
        """Grams of fermentable sugar in so many g of it."""
        return mass_g * self.solids_share * self.fermentable_share

    @property
    def most_fermentable_share(self) -> float:
        """Of its solids, what yeast can take at the most."""
        return self.fermentable_share if self.richest_share is None else self.richest_share

    def most_fermentable_g(self, mass_g: float) -> float:
        """The same at the most."""
        return mass_g * self.solids_share * self.most_fermentable_share


def honey(
    moisture: float = DEFAULT_MOISTURE, fermentable_share: float = DEFAULT_FERMENTABLE_SHARE
) -> Sweetener:
    """Raw honey of a moisture in g/g and a fermentable share of its solids.

    Raises QuantityError for a moisture outside 0.12..0.30.
    """
    return Sweetener(
        name="honey",
        solids_share=1.0 - moisture,
        fermentable_share=fermentable_share,
        density_kg_m3=neat_honey_sg(moisture) * WATER_20C_KG_M3,
        notes=("Raw honey carries wild yeast and spores; it is not for children under one year.",),
        richest_share=max(fermentable_share, MOST_FERMENTABLE_SHARE),
    )


def cooked_honey(raw: Sweetener, raw_g: float, cooked_g: float) -> Sweetener:
    """Honey cooked down from one weight to another: only water has left it.

    The weights are of the honey alone, before and after. Its solids are counted unchanged; caramelising
    makes some of them unfermentable, by how much nobody has published, so the share stays the cautious one.
    Raises QuantityError where it weighs more than before or less than its solids.
    """
    dry_g = raw_g * raw.solids_share
    if not dry_g <= cooked_g <= raw_g:
        raise QuantityError(
            f"cooked weight {cooked_g:g} g of {raw_g:g} g honey is impossible:"
            f" {dry_g:.0f} g (dry) to {raw_g:g} g"
        )
    return Sweetener(
        name="cooked honey",
        solids_share=dry_g / cooked_g,
        fermentable_share=raw.fermentable_share,
        richest_share=raw.richest_share,
        notes=(
            "Boiling honey foams to several times its volume, sticks and burns deep: use a tall pot, stir,"
            " let it cool, and add water to it only with great care.",
            "Boiling does not kill the spores that honey may carry: it is not for children under one year.",
        ),
    )


def invert_syrup(sugar_g: float, syrup_g: float, inverted_share: float = 1.0) -> Sweetener:
    """Syrup of `syrup_g` made by splitting `sugar_g` of table sugar; the split takes up 5 % of water.

    Raises QuantityError where the syrup weighs less than its solids or the share is outside 0..1.
    """
    if not 0.0 <= inverted_share <= 1.0:
        raise QuantityError(f"inverted share {inverted_share:g} is outside 0 to 1")
    solids_g = sugar_g * (1.0 + inverted_share * (INVERSION_GAIN - 1.0))
    if not 0.0 < solids_g <= syrup_g:
        raise QuantityError(f"syrup of {syrup_g:g} g cannot hold {solids_g:.0f} g of sugars")
    return Sweetener(name="invert syrup", solids_share=solids_g / syrup_g, fermentable_share=1.0)


def juice(brix: float, fermentable_share: float = JUICE_FERMENTABLE_SHARE) -> Sweetener:
    """Fruit juice or concentrate of a Brix, per cent by mass.

    Raises QuantityError outside 0..80.
    """
    if not 0.0 <= brix <= 80.0:
        raise QuantityError(f"juice of {brix:g} Brix is outside 0 to 80")
    return Sweetener(
        name="juice",
        solids_share=brix / 100.0,
        fermentable_share=fermentable_share,
        density_kg_m3=sucrose_density_kg_m3(brix / 100.0),
        notes=("Juice preserved with sorbate or benzoate holds back yeast: for a must, read its label.",),
    )


SUGAR: Final = Sweetener(name="sugar", solids_share=1.0, fermentable_share=1.0)
DEXTROSE: Final = Sweetener(name="dextrose", solids_share=DEXTROSE_MONOHYDRATE_SOLIDS, fermentable_share=1.0)
"""Glucose monohydrate."""
LACTOSE: Final = Sweetener(
    name="lactose",
    solids_share=LACTOSE_MONOHYDRATE_SOLIDS,
    fermentable_share=0.0,
    notes=(
        "Lactose comes from milk: declare it as an allergen wherever it is served.",
        "Lactose is about a fifth as sweet as sugar: at equal gravity it tastes much drier.",
    ),
)
"""The sweetener that yeast cannot take, monohydrate. Sugar alcohols are left out: dissolved, they raise the
gravity by up to a quarter less than sucrose, so the mass balance here would be wrong for them."""
