"""Building a must: honey, sugar or juice and water to a gravity and a volume, and putting a wrong one right.

Everything is a mass balance (see `monitor.must.liquid`); volumes are at 20 degC. Makers' rule beside it: 5.5
to 6 lb of honey made up to 4.8 US gal reads 1.040 to 1.045 (common practice), 2 to 3 points under the
balance, for wet honey, honey left in jars and a loose gallon.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.molar import CARBON_DIOXIDE_G_MOL
from monitor.cellar.possible import within
from monitor.errors import QuantityError
from monitor.must.alcohol import CO2_PER_EXTRACT, expected_end
from monitor.must.density import WATER_20C_KG_M3, plato_from_sg
from monitor.must.honey import MOISTURE_RANGE, Sweetener, honey
from monitor.must.liquid import Liquid, grams_to_reach, unfermented

LARGEST_L: Final = 10_000.0
STRONGEST_SG: Final = 1.2
FOAM_SHARE: Final = 0.10
"""Share of the vessel that a ferment wants free for its foam (common practice)."""
_STRONG_SG: Final = 1.110
"""Above this many yeasts start badly (common practice)."""
DOUBTED_ABV: Final = 15.0
"""Strength, % vol, from which an end is doubted where nobody said what the yeast stands."""
YEAST_STOPS_ABV: Final = (14.0, 18.0)
"""Where most yeasts stop, % vol (common practice)."""
_CO2_ROOM_M3_PER_G: Final = 0.02406 / CARBON_DIOXIDE_G_MOL
"""At 20 degC and 1 atm, as an ideal gas."""
_SAME_GAS_SHARE: Final = 0.01
"""Amounts of gas that lie closer are told as one."""
_FOUL_SHARE: Final = 0.005
"""Half a per cent: what workplaces allow over eight hours, from memory."""
USUAL_MOISTURE: Final = (0.13, 0.20)
"""Mass shares of water of honeys as they are sold (common practice): outside them the weighing is doubted."""
_DAMP_HONEY: Final = 0.20
_DRY_HONEY: Final = 0.155


@dataclass(frozen=True, slots=True)
class Portion:
    """So much of a sweetener."""

    sweetener: Sweetener
    mass_g: float

    @property
    def liquid(self) -> Liquid:
        """Its masses."""
        return self.sweetener.of_mass(self.mass_g)

    @property
    def own_volume_l(self) -> float | None:
        """Its own volume before it is dissolved; None for what is only weighed."""
        density = self.sweetener.density_kg_m3
        return None if density is None else self.mass_g / density


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe(Advised):
    """What to weigh and pour for a must."""

    gravity_sg: float
    volume_l: float
    portions: tuple[Portion, ...]
    """All that is weighed in; the one that was worked out comes first."""
    water_l: float
    """Water to make it up, at 20 degC; what is left of a measured volume serves as well."""
    vessel_l: float | None
    free_l: float | None
    """Room left in the vessel; None where no vessel was given."""
    expected_final_gravity_sg: float
    expected_abv: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoneyUsed(Advised):
    """What a volume and a gravity say of the honey that is in them."""

    solids_g: float
    honey_g: float
    """If its moisture is what was said."""
    least_g: float
    """If it was a dry honey, 15.5 %."""
    most_g: float
    """If it was a damp one, 20 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Advised):
    """What brings a must to another gravity."""

    from_sg: float
    target_sg: float
    addition: Portion | None
    """Sweetener to add; None where it is water, or nothing."""
    water_l: float
    draw_off_l: float
    """Must to take out first, so that the result fits the vessel; 0 where it fits."""
    volume_l: float
    free_l: float | None


def _as_liquid(portions: Sequence[Portion]) -> Liquid:
    total = Liquid(0.0)
    for portion in portions:
        total = total.plus(portion.liquid)
    return total


def must_fermentable_share(portions: Sequence[Portion]) -> float:
    """The share of the dissolved solids that yeast can take; 0 where there are none."""
    solids_g = _as_liquid(portions).extract_g
    fermentable_g = sum(portion.sweetener.fermentable_g(portion.mass_g) for portion in portions)
    return fermentable_g / solids_g if solids_g > 0.0 else 0.0


def _room(volume_l: float | None, vessel_l: float | None, headroom_l: float) -> float:
    """The volume to make, from what was asked for or from vessel and headroom."""
    if vessel_l is not None:
        within("vessel", vessel_l, 0.1, LARGEST_L, "L")
        within("headroom", headroom_l, 0.0, vessel_l, "L", hint="room left for what is added later")
    if volume_l is None:
        if vessel_l is None:
            raise QuantityError("neither a volume nor a vessel is given", hint="give one of them, or both")
        volume_l = vessel_l - headroom_l
    within("volume", volume_l, 0.1, LARGEST_L, "L")
    if vessel_l is not None and volume_l > vessel_l - headroom_l:
        raise QuantityError(
            f"volume {volume_l:g} L does not fit: {vessel_l:g} L vessel less {headroom_l:g} L headroom"
            f" leaves {vessel_l - headroom_l:g} L"
        )
    return volume_l


def build_must(
    target_sg: float,
    volume_l: float | None = None,
    sweetener: Sweetener | None = None,
    *,
    others: Sequence[Portion] = (),
    vessel_l: float | None = None,
    headroom_l: float = 0.0,
    alcohol_tolerance_abv: float | None = None,
) -> Recipe:
    """What to weigh of one sweetener (honey where None), given what else goes in, and the water to add.

    Without a volume, as much as leaves `headroom_l` free in the vessel: for the honey of back-sweetening,
    say. Raises QuantityError for a gravity outside 1.000..1.200, a volume that does not fit, or other
    ingredients that bring more sugar or more water than the target holds.
    """
    within("target gravity", target_sg, 1.0, STRONGEST_SG)
    volume_l = _room(volume_l, vessel_l, headroom_l)
    wanted = unfermented(target_sg, volume_l)
    mass_g, water_g = _made_up(wanted, _as_liquid(others), sweetener or honey())
    portions = (Portion(sweetener or honey(), mass_g), *others)
    share = must_fermentable_share(portions)
    end = expected_end(wanted, share, alcohol_tolerance_abv)
    # a rounding above what was told would be one too many
    abv = end.abv if alcohol_tolerance_abv is None else min(end.abv, alcohol_tolerance_abv)
    return Recipe(
        gravity_sg=target_sg,
        volume_l=volume_l,
        portions=portions,
        water_l=water_g / WATER_20C_KG_M3,
        vessel_l=vessel_l,
        free_l=None if vessel_l is None else vessel_l - volume_l,
        expected_final_gravity_sg=end.sg,
        expected_abv=abv,
        cautions=(
            *_gas_cautions(CO2_PER_EXTRACT * (wanted.extract_g - end.extract_g), portions),
            *_room_cautions(volume_l, vessel_l),
            *_strong_cautions(target_sg),
            *strength_cautions(abv, tolerance_told=alcohol_tolerance_abv is not None),
            *_notes(portions),
        ),
    )


def _made_up(wanted: Liquid, fixed: Liquid, sweetener: Sweetener) -> tuple[float, float]:
    """Grams of the sweetener and of water that make `fixed` into `wanted`."""
    if sweetener.solids_share == 0.0:
        raise QuantityError(f"{sweetener.name} holds no solids: it cannot make a gravity")
    mass_g = (wanted.extract_g - fixed.extract_g) / sweetener.solids_share
    water_g = wanted.total_g - fixed.total_g - mass_g
    rounding_g = 1e-9 * wanted.total_g
    for what, grams in (("sugar", mass_g), ("liquid", water_g)):
        if grams < -rounding_g:
            raise QuantityError(
                f"{wanted.volume_l:g} L at {wanted.sg:.3f} is not possible: the ingredients bring too much"
                f" {what}",
                hint="use less of them, or aim at another gravity or volume",
            )
    return max(mass_g, 0.0), max(water_g, 0.0)


def honey_used(volume_l: float, gravity_sg: float, sweetener: Sweetener | None = None) -> HoneyUsed:
    """How much honey an unfermented must of this volume and gravity holds, with the spread of its moisture.

    Raises QuantityError for a gravity outside 1.000..1.200 or a volume outside 0.1..10000 L.
    """
    within("gravity", gravity_sg, 1.0, STRONGEST_SG)
    within("volume", volume_l, 0.1, LARGEST_L, "L")
    sweetener = honey() if sweetener is None else sweetener
    solids_g = unfermented(gravity_sg, volume_l).extract_g
    return HoneyUsed(
        solids_g=solids_g,
        honey_g=solids_g / sweetener.solids_share,
        least_g=solids_g / (1.0 - _DRY_HONEY),
        most_g=solids_g / (1.0 - _DAMP_HONEY),
        cautions=(
            Caution(
                Hazard.QUALITY,
                "Stir until two samples from top and bottom read alike: undissolved honey lies at the bottom"
                " and the gravity above it reads low.",
            ),
        ),
    )


def implied_moisture(honey_g: float, volume_l: float, gravity_sg: float) -> float:
    """The moisture, g/g, that a weighed honey must have had to give this gravity in this volume.

    Far from 0.13..0.20 it speaks of honey left in jars, a loose volume or a must not stirred through. Raises
    QuantityError where more solids are found than honey was weighed, and where no honey is so wet or so dry.
    """
    within("honey", honey_g, 1.0, 1e7, "g")
    moisture = 1.0 - honey_used(volume_l, gravity_sg).solids_g / honey_g
    if moisture < 0.0:
        raise QuantityError(
            f"{volume_l:g} L at {gravity_sg:.3f} hold more solids than {honey_g:g} g of honey can bring",
            hint="check the volume, the gravity and its temperature",
        )
    low, high = MOISTURE_RANGE
    if not low <= moisture <= high:
        missing = "too little" if moisture > high else "too much"
        raise QuantityError(
            f"{volume_l:g} L at {gravity_sg:.3f} hold {missing} sugar for {honey_g:g} g of honey: it would"
            f" have been {100.0 * moisture:.0f} % water, and honey holds {100.0 * low:g} to {100.0 * high:g}",
            hint="check what was left in the jars, the volume, and whether the must was stirred through",
        )
    return moisture


def correct_must(
    volume_l: float,
    gravity_sg: float,
    target_sg: float,
    sweetener: Sweetener | None = None,
    vessel_l: float | None = None,
) -> Correction:
    """What brings an unfermented must up (with a sweetener, honey where None) or down (with water).

    Where the result would not fit the vessel, some must is taken out first and the addition shrinks with it.
    Raises QuantityError for gravities outside 1.000..1.200, volumes outside 0.1..10000 L or a must larger
    than its vessel.
    """
    hint = "below 1.000 it has fermented: to sweeten it use carboyd sweeten, to thin it carboyd dilute"
    within("gravity", gravity_sg, 1.0, STRONGEST_SG, hint=hint)
    within("target gravity", target_sg, 1.0, STRONGEST_SG)
    within("volume", volume_l, 0.1, LARGEST_L if vessel_l is None else vessel_l, "L")
    sweetener = honey() if sweetener is None else sweetener
    base = unfermented(gravity_sg, volume_l)
    rises = target_sg > gravity_sg
    unit = sweetener.of_mass(1.0) if rises else Liquid(1.0)
    grams = grams_to_reach(base, unit, target_sg)
    end_l = base.plus(unit.times(grams)).volume_l
    kept = 1.0 if vessel_l is None else min(1.0, vessel_l / end_l)
    return Correction(
        from_sg=gravity_sg,
        target_sg=target_sg,
        addition=Portion(sweetener, grams * kept) if rises else None,
        water_l=0.0 if rises else grams * kept / WATER_20C_KG_M3,
        draw_off_l=(1.0 - kept) * volume_l,
        volume_l=end_l * kept,
        free_l=None if vessel_l is None else vessel_l - end_l * kept,
        cautions=(
            Caution(
                Hazard.QUALITY,
                "Correct before the yeast goes in; stir it through, wait, and measure again before adding"
                " more.",
            ),
            *_strong_cautions(target_sg),
            *(Caution(Hazard.QUALITY, note) for note in (sweetener.notes if rises else ())),
        ),
    )


def _gas_cautions(co2_g: float, portions: Sequence[Portion]) -> tuple[Caution, ...]:
    """What is said of the gas: g of it up to the end that is told; the air is reckoned with the most."""
    most_g = max(_co2_g(portions), co2_g)
    if most_g <= 0.0:
        return ()
    gas_m3, most_m3 = co2_g * _CO2_ROOM_M3_PER_G, most_g * _CO2_ROOM_M3_PER_G
    made = f"This must gives off about {co2_g:.0f} g of carbon dioxide, {_rounded(gas_m3)} m3 of gas"
    if most_g - co2_g > _SAME_GAS_SHARE * most_g:
        made += (
            f", up to the end that is told; where its yeast stands more than was said, up to {most_g:.0f} g,"
            f" {_rounded(most_m3)} m3"
        )
    text = (
        f"{made}, enough to foul {_rounded(most_m3 / _FOUL_SHARE)} m3 of air that stands still: ferment under"
        " an airlock that cannot clog, in a room with moving air, never in a sealed vessel."
    )
    return (Caution(Hazard.CARBON_DIOXIDE, text),)


def _room_cautions(volume_l: float, vessel_l: float | None) -> tuple[Caution, ...]:
    if vessel_l is None or vessel_l - volume_l >= FOAM_SHARE * vessel_l:
        return ()
    text = (
        f"Less than {100.0 * FOAM_SHARE:.0f} % of the vessel is free: foam may reach the airlock. Use a"
        " blow-off tube or start with less."
    )
    return (Caution(Hazard.QUALITY, text),)


def _notes(portions: Sequence[Portion]) -> tuple[Caution, ...]:
    notes = {note for portion in portions for note in portion.sweetener.notes}
    return tuple(Caution(Hazard.QUALITY, note) for note in sorted(notes))


def strength_cautions(abv: float, *, tolerance_told: bool) -> tuple[Caution, ...]:
    """What is said of an end that most yeasts do not come to, % vol by the balance alone.

    From `DOUBTED_ABV` on where nobody said what the yeast stands; beyond all usual yeasts in any case.
    """
    low, high = YEAST_STOPS_ABV
    if abv <= high if tolerance_told else abv < DOUBTED_ABV:
        return ()
    instead = (
        "Start lower."
        if tolerance_told
        else "Say what the yeast stands (--tolerance) and reckon with that end, or start lower."
    )
    text = (
        f"{abv:.1f} % vol is what the sugar would make, not what a yeast does: most stop at {low:g} to"
        f" {high:g} % vol, and such a must stays sweet and stuck. {instead} What is stuck may wake up"
        " again: never seal it before its sugar is held back."
    )
    return (Caution(Hazard.PRESSURE, text),)


def _strong_cautions(target_sg: float) -> tuple[Caution, ...]:
    if target_sg <= _STRONG_SG:
        return ()
    text = (
        f"At {plato_from_sg(target_sg):.0f} degP many yeasts start badly: start lower and add honey in steps,"
        " or choose a yeast made for it."
    )
    return (Caution(Hazard.QUALITY, text),)


def _rounded(value: float) -> str:
    """Two digits, never as a power of ten."""
    return f"{float(f'{value:.2g}'):.10g}"


def _co2_g(portions: Sequence[Portion]) -> float:
    """The CO2 that these portions make by Balling's balance, in g."""
    return CO2_PER_EXTRACT * sum(portion.sweetener.fermentable_g(portion.mass_g) for portion in portions)
