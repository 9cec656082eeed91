"""Nitrogen for the yeast: how much a honey must needs, from what, and when.

Honey brings almost none of the nitrogen that yeast can take up (a few tens of mg per kg, from memory). The
need is reckoned from the sugar and the yeast's demand, 0.75, 0.90 or 1.25 mg per g of sugar: common practice.
Published trials disagree on the gain: a response-surface optimum for mead lies at 150 mg/L, while Pereira et
al. (J. Inst. Brew. 121, 2015) found none from salts or vitamins, and Mendes-Ferreira et al. (IJFM 144, 2010)
faster but not surer ends. So the figures are a sound middle, not a law.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.molar import H, N, O, P
from monitor.cellar.possible import within
from monitor.errors import QuantityError
from monitor.must.density import extract_g_per_l_from_sg

FIRST_FEED_H: Final = 24.0
"""After pitching, once the lag is over; common practice."""
SUGAR_BREAK: Final = 1.0 / 3.0
"""Share of the gravity's fall at which the last feed is due; common practice."""
LATEST_SHARE: Final = 0.5
"""Past this share little is taken up, and what stays feeds spoilage."""
_ROUNDING_SG: Final = 1e-6
"""A reading of three decimals that lies on a boundary belongs to the earlier side of it."""


class Demand(StrEnum):
    """What the yeast's maker says of its need for nitrogen."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


YAN_MG_PER_G_SUGAR: Final[Mapping[Demand, float]] = MappingProxyType(
    {Demand.LOW: 0.75, Demand.MEDIUM: 0.90, Demand.HIGH: 1.25}
)
"""Milligrams of assimilable nitrogen per gram of sugar, common practice."""


@dataclass(frozen=True, slots=True)
class Nutrient:
    """A product, by what it is made of; figures of a particular one can be given instead."""

    name: str
    nitrogen_mg_per_g: float
    """Assimilable nitrogen by assay."""
    effectiveness: float = 1.0
    """How many mg of inorganic nitrogen a mg of this is counted for."""
    ammonium_phosphate_share: float = 0.0
    """How much of it is ammonium phosphate, by mass; the legal limits are on that."""


DIAMMONIUM_PHOSPHATE: Final = Nutrient(
    name="diammonium phosphate",
    nitrogen_mg_per_g=1_000.0 * 2 * N / (2 * N + 9 * H + P + 4 * O),
    ammonium_phosphate_share=1.0,
)
YEAST_AUTOLYSATE: Final = Nutrient(name="yeast autolysate", nitrogen_mg_per_g=40.0)
"""About 4 % assimilable by assay, common practice. Some makers count it three or four times; not so here."""


@dataclass(frozen=True, slots=True)
class PhosphateLimit:
    """The most ammonium phosphate that a law allows in a must for sale."""

    place: str
    most_g_l: float
    source: str


PHOSPHATE_LIMITS: Final = (
    PhosphateLimit("US", 0.96, "27 CFR 24.246, 8 lb in 1000 US gal, from memory, as of 2023"),
    PhosphateLimit("EU", 1.0, "Regulation (EU) 2019/934 for wine, quoted second-hand, as of 2019"),
)


class FeedTiming(StrEnum):
    """Whether a feed still makes sense."""

    IN_TIME = "in time"
    WITH_CARE = "with care"
    TOO_LATE = "too late"


@dataclass(frozen=True, slots=True)
class Portion:
    """So much of one product."""

    nutrient: Nutrient
    grams: float


@dataclass(frozen=True, slots=True)
class Feed:
    """One addition, at an hour or at a gravity; what is left of all of them is due once the sugar break is
    reached."""

    share: float
    after_pitching_h: float | None
    at_gravity_sg: float | None
    portions: tuple[Portion, ...]


class Split(StrEnum):
    """How the nutrient is spread."""

    TWO = "half after the lag, half at the sugar break"
    FOUR = "quarters: after the lag, a day later, two days later, at the sugar break"


_SPLIT_HOURS: Final[Mapping[Split, tuple[float, ...]]] = MappingProxyType(
    {Split.TWO: (FIRST_FEED_H,), Split.FOUR: (FIRST_FEED_H, 48.0, 72.0)}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NutrientPlan(Advised):
    """What to feed a must, and when."""

    sugar_g_l: float
    yan_needed_mg_l: float
    yan_added_mg_l: float
    sugar_break_sg: float
    feeds: tuple[Feed, ...]
    ammonium_phosphate_g_l: float
    limits_exceeded: tuple[PhosphateLimit, ...]


def yan_needed_mg_l(original_gravity_sg: float, demand: Demand) -> float:
    """Assimilable nitrogen, mg/L, that a must of this gravity needs; its extract is counted as sugar.

    Raises QuantityError outside 1.000..1.200.
    """
    within("original gravity", original_gravity_sg, 1.0, 1.2)
    return YAN_MG_PER_G_SUGAR[demand] * float(extract_g_per_l_from_sg(original_gravity_sg))


def yan_from_mg_l(nutrient: Nutrient, grams_per_l: float) -> float:
    """Nitrogen, mg/L, that a product brings at so many g/L, counted by its effectiveness."""
    within("nutrient", grams_per_l, 0.0, 50.0, "g/L")
    return grams_per_l * nutrient.nitrogen_mg_per_g * nutrient.effectiveness


def grams_per_l_for(nutrient: Nutrient, yan_mg_l: float) -> float:
    """Grams per litre of a product that bring so much nitrogen; undoes `yan_from_mg_l`.

    Raises QuantityError for a product without nitrogen.
    """
    within("nitrogen", yan_mg_l, 0.0, 1_000.0, "mg/L")
    return yan_mg_l / _counted_mg_per_g(nutrient)


def _counted_mg_per_g(nutrient: Nutrient) -> float:
    within(f"nitrogen of {nutrient.name}", nutrient.nitrogen_mg_per_g, 0.1, 500.0, "mg/g")
    within(f"effectiveness of {nutrient.name}", nutrient.effectiveness, 0.1, 10.0)
    return nutrient.nitrogen_mg_per_g * nutrient.effectiveness


def sugar_break_sg(original_gravity_sg: float, final_gravity_sg: float, share: float = SUGAR_BREAK) -> float:
    """Gravity at which a share of the sugar is gone: gravity falls in a straight line with it, within 0.0001.

    Raises QuantityError for a final gravity above the original or outside 0.97..1.2.
    """
    within("original gravity", original_gravity_sg, 1.0, 1.2)
    within("final gravity", final_gravity_sg, 0.97, original_gravity_sg)
    return original_gravity_sg - within("share", share, 0.0, 1.0) * (original_gravity_sg - final_gravity_sg)


def feed_timing(original_gravity_sg: float, final_gravity_sg: float, present_sg: float) -> FeedTiming:
    """Whether nutrient still makes sense at the present gravity.

    In time up to the sugar break, with care (no ammonium phosphate) up to half the fall, then too late.
    """
    within("present gravity", present_sg, 0.97, 1.2)
    reading_sg = present_sg + _ROUNDING_SG
    if reading_sg >= sugar_break_sg(original_gravity_sg, final_gravity_sg):
        return FeedTiming.IN_TIME
    if reading_sg >= sugar_break_sg(original_gravity_sg, final_gravity_sg, LATEST_SHARE):
        return FeedTiming.WITH_CARE
    return FeedTiming.TOO_LATE


def nutrient_plan(
    volume_l: float,
    original_gravity_sg: float,
    *,
    final_gravity_sg: float = 1.0,
    demand: Demand = Demand.MEDIUM,
    blend: tuple[tuple[Nutrient, float], ...] = ((DIAMMONIUM_PHOSPHATE, 0.5), (YEAST_AUTOLYSATE, 0.5)),
    must_yan_mg_l: float = 0.0,
    split: Split = Split.TWO,
) -> NutrientPlan:
    """Feeds for a must; `blend` says which share of the nitrogen each product brings.

    `must_yan_mg_l` is what the must holds already: 0 to 20 for honey alone, more with fruit. Raises
    QuantityError for impossible values and for a blend whose shares do not add up to 1.
    """
    within("volume", volume_l, 0.1, 10_000.0, "L")
    total_share = sum(share for _, share in blend)
    if abs(total_share - 1.0) > 1e-9 or any(share < 0.0 for _, share in blend):
        raise QuantityError(
            f"the blend's shares add up to {total_share:g}, not to 1", hint="0.5 and 0.5, or 0.3 and 0.7"
        )
    needed_mg_l = yan_needed_mg_l(original_gravity_sg, demand)
    lacking_mg_l = max(needed_mg_l - within("nitrogen in the must", must_yan_mg_l, 0.0, 1_000.0, "mg/L"), 0.0)
    per_l = [(nutrient, grams_per_l_for(nutrient, share * lacking_mg_l)) for nutrient, share in blend]
    phosphate_g_l = sum(nutrient.ammonium_phosphate_share * grams for nutrient, grams in per_l)
    over = tuple(limit for limit in PHOSPHATE_LIMITS if phosphate_g_l > limit.most_g_l)
    break_sg = sugar_break_sg(original_gravity_sg, final_gravity_sg)
    return NutrientPlan(
        sugar_g_l=float(extract_g_per_l_from_sg(original_gravity_sg)),
        yan_needed_mg_l=needed_mg_l,
        yan_added_mg_l=lacking_mg_l,
        sugar_break_sg=break_sg,
        feeds=_feeds(per_l, volume_l, break_sg, split),
        ammonium_phosphate_g_l=phosphate_g_l,
        limits_exceeded=over,
        cautions=(*(_limit_caution(limit, phosphate_g_l) for limit in over), *_ALWAYS),
    )


def _feeds(
    per_l: list[tuple[Nutrient, float]], volume_l: float, break_sg: float, split: Split
) -> tuple[Feed, ...]:
    hours = _SPLIT_HOURS[split]
    share = 1.0 / (len(hours) + 1)
    portions = tuple(Portion(nutrient, share * grams * volume_l) for nutrient, grams in per_l)
    timed = (Feed(share, hour, None, portions) for hour in hours)
    return (*timed, Feed(share, None, break_sg, portions))


def _limit_caution(limit: PhosphateLimit, phosphate_g_l: float) -> Caution:
    text = (
        f"{phosphate_g_l:.2f} g/L of ammonium phosphate lies above the {limit.most_g_l:g} g/L of the"
        f" {limit.place} ({limit.source}): take a larger share of it from yeast autolysate."
    )
    return Caution(Hazard.LAW, text)


_ALWAYS: Final = (
    Caution(
        Hazard.QUALITY,
        "Feed only once the yeast is at work, never ammonium phosphate onto dry or just rehydrated yeast, and"
        " none past half of the gravity's fall: what the yeast leaves feeds spoilage. A fast ferment gets"
        " what is left of its feeds when it reaches the sugar break, however early that is.",
    ),
    Caution(
        Hazard.CARBON_DIOXIDE,
        "Powder makes a working must foam over: stir the gas out first, mix the powder with a little must,"
        " and let air into the room.",
    ),
)
