"""Herbs, spices, fruit and wood in a finished batch: how much, how long, and when to taste.

Flavour follows concentration and time; there is no law of nature for either, so the windows are common
practice (7 to 14 days usual, one to eight weeks at the outside) and tasting decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.possible import within
from monitor.cellar.sorbate import LEAST_ABV
from monitor.ferment.deeds import INFUSION_LONGEST_DAYS, INFUSION_USUAL_DAYS

USUAL_DAYS: Final = INFUSION_USUAL_DAYS
LONGEST_DAYS: Final = INFUSION_LONGEST_DAYS
TASTE_EVERY_DAYS: Final = 2.0


class Form(StrEnum):
    """What state the flavouring is in."""

    FRESH = "fresh"
    DRIED = "dried"


STRENGTH_OF_FORM: Final[Mapping[Form, float]] = MappingProxyType({Form.FRESH: 1.0, Form.DRIED: 3.0})
"""Flavour by weight against fresh: for herbs one part dried does for three fresh; common practice."""


class ReminderKind(StrEnum):
    """What a reminder asks for."""

    TASTE = "taste"
    DECIDE = "decide"
    TAKE_OUT = "take out"


@dataclass(frozen=True, slots=True)
class Reminder:
    """What is due so many days after it went in."""

    day: float
    kind: ReminderKind
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InfusionPlan(Advised):
    """How much goes in, and the window in which it comes out again."""

    amount_g: float
    strength_g_l: float
    usual_days: tuple[float, float]
    latest_day: float
    reminders: tuple[Reminder, ...]
    """In the order of their days."""


def scaled_g(amount_g: float, from_volume_l: float, to_volume_l: float) -> float:
    """The amount that gives the same grams per litre in another volume.

    Raises QuantityError outside 0..100000 g and 0.05..10000 L.
    """
    within("amount", amount_g, 0.0, 100_000.0, "g")
    within("volume scaled from", from_volume_l, 0.05, 10_000.0, "L")
    within("volume scaled to", to_volume_l, 0.05, 10_000.0, "L")
    return amount_g / from_volume_l * to_volume_l


def same_strength_g(amount_g: float, form: Form, wanted_form: Form) -> float:
    """The weight in another form that flavours alike; a kitchen rule for herbs, so start below it."""
    within("amount", amount_g, 0.0, 100_000.0, "g")
    return amount_g * STRENGTH_OF_FORM[form] / STRENGTH_OF_FORM[wanted_form]


def strength_ratio(amount_g: float, volume_l: float, reference_g: float, reference_volume_l: float) -> float:
    """How many times as strong as a batch made before: grams per litre over grams per litre."""
    within("reference amount", reference_g, 1e-3, 100_000.0, "g")
    return scaled_g(amount_g, volume_l, reference_volume_l) / reference_g


def infusion_plan(
    volume_l: float,
    strength_g_l: float,
    *,
    usual_days: tuple[float, float] = USUAL_DAYS,
    latest_day: float = LONGEST_DAYS,
    taste_every_days: float = TASTE_EVERY_DAYS,
    brings_sugar: bool = False,
) -> InfusionPlan:
    """Amount and reminders for an infusion; days are counted from when it goes in.

    Tasting begins halfway to the usual window and goes on to the end of it; then comes a decision, and the
    day on which it comes out whatever it tastes like. `brings_sugar` for fruit and anything sweetened.
    Raises QuantityError outside 0.05..10000 L, 0..500 g/L, and for a window that is out of order or past
    56 days.
    """
    within("volume", volume_l, 0.05, 10_000.0, "L")
    within("strength", strength_g_l, 0.0, 500.0, "g/L")
    first, last = usual_days
    within("latest day", latest_day, 1.0, LONGEST_DAYS, "days")
    within("end of the usual window", last, 0.5, latest_day, "days")
    within("start of the usual window", first, 0.0, last, "days")
    within("days between tastings", taste_every_days, 0.5, LONGEST_DAYS, "days")
    return InfusionPlan(
        amount_g=strength_g_l * volume_l,
        strength_g_l=strength_g_l,
        usual_days=usual_days,
        latest_day=latest_day,
        reminders=_reminders(first, last, latest_day, taste_every_days),
        cautions=(*_ALWAYS, *((_SUGAR,) if brings_sugar else ())),
    )


def _reminders(first: float, last: float, latest: float, every: float) -> tuple[Reminder, ...]:
    start = first / 2.0
    # the slack keeps a rounding error from adding a tasting on the day of the decision
    count = max(math.ceil((last - start) / every - 1e-9), 0)
    tastings = [
        Reminder(
            start + i * every,
            ReminderKind.TASTE,
            "Taste a spoonful with a clean spoon; take it out as soon as it is right.",
        )
        for i in range(count)
    ]
    decide = Reminder(
        last, ReminderKind.DECIDE, "End of the usual time: taste, take it out, or say how long more."
    )
    out = Reminder(latest, ReminderKind.TAKE_OUT, "Take it out now: longer draws bitterness and spoils.")
    if latest == last:
        return (*tastings, out)
    return (*tastings, decide, out)


_ALWAYS: Final = (
    Caution(
        Hazard.QUALITY,
        "Flavour that is in cannot be taken out: start weak, taste often, and put in no more than can be"
        " fished out again. Floating pieces go mouldy: weigh them down.",
    ),
    Caution(
        Hazard.QUALITY,
        "Use only plants that are food and known for certain; some garden plants, kernels and woods are"
        " poisonous, and alcohol draws the poison out. Ask before serving it to people with allergies,"
        " pregnant or on medicines.",
    ),
)

_SUGAR: Final = Caution(
    Hazard.PRESSURE,
    f"It brings sugar: an unstabilised batch ferments again, so keep it under an airlock. Below {LEAST_ABV:g}"
    " % vol sulfite and sorbate are not enough alone, and a gravity that stands still proves nothing: seal it"
    " only if it was filtered sterile or pasteurised still, or keep it cold, in a keg with a relief valve; or"
    " let the sugar ferment out and sweeten with something that yeast leaves alone. Above, seal nothing"
    " before it is stabilised, sorbate is enough (`carboyd sorbate` tells), and the gravity has stood still.",
)
