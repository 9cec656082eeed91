"""What is due when: a pure function of the sheet and the journal.

When nutrient and tasting fall due is decided by `monitor.ferment.alert.AlertPolicy`, and what ends them by
`monitor.ferment.deeds`, so that this list and the alerts say the same. The outer bounds of an infusion's
contact time are common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.cellar.infusion import LONGEST_DAYS, USUAL_DAYS
from monitor.cellar.nutrient import nutrient_plan
from monitor.errors import InputError
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.deeds import Deeds
from monitor.ferment.event import JournalEntry
from monitor.ferment.premise import MustKind
from monitor.units import MS_PER_DAY, MS_PER_HOUR

TASTE_AGAIN_DAYS: Final = 7.0
"""What stays in beyond the usual time is tasted weekly (common practice)."""


class DueKind(StrEnum):
    """What falls due."""

    NUTRIENT = "nutrient"
    TASTE_INFUSION = "taste_infusion"
    END_INFUSION = "end_infusion"


@dataclass(frozen=True, slots=True)
class Due:
    """One thing to do, and the moment from which it is time."""

    at_ms: int
    kind: DueKind
    text: str


def due(sheet: Sheet, journal: Sequence[JournalEntry], policy: AlertPolicy | None = None) -> list[Due]:
    """Everything that is still to be done, soonest first; what has been done is not in it.

    Nothing is due any more once the batch has ended. That nutrient comes too late after a third of the
    fall is left to the analysis, which sees the gravity.
    """
    if not sheet.open:
        return []
    rule, deeds = policy or AlertPolicy(), Deeds(journal)
    return sorted(
        [*_nutrient(sheet, deeds, rule), *_infusion(deeds, rule)], key=lambda one: (one.at_ms, one.kind)
    )


def feeding_words(sheet: Sheet) -> str:
    """How much nutrient the calculator gives, after a space; nothing where gravity or volume is not known."""
    original_sg, volume_l = sheet.must.original_gravity_sg, sheet.must.volume_l
    if original_sg is None or volume_l is None:
        return ""
    try:
        plan = nutrient_plan(volume_l, original_sg)
    except InputError:
        return ""
    portions = [(one.grams, one.nutrient.name) for one in plan.feeds[0].portions if one.grams > 0.0]
    if not portions:
        return ""
    amounts = " and ".join(f"{grams:.1f} g {name}" for grams, name in portions)
    return (
        f" By `carboyd nutrient` with its usual blend: {amounts} now, the same again"
        f" at {plan.sugar_break_sg:.3f}."
    )


def _nutrient(sheet: Sheet, deeds: Deeds, policy: AlertPolicy) -> list[Due]:
    if sheet.must.kind is MustKind.MALT or deeds.feeding_is_over:
        return []
    return [
        Due(
            sheet.pitched_ms + round(policy.nutrient_hours * MS_PER_HOUR),
            DueKind.NUTRIENT,
            "Give nutrient once the yeast is seen at work, before a third of the expected fall is done, and"
            f" enter it.{feeding_words(sheet)}",
        )
    ]


def _infusion(deeds: Deeds, policy: AlertPolicy) -> list[Due]:
    begun = deeds.infusion
    if begun is None:
        return []
    what = f" ({begun.note})" if begun.note else ""
    found: list[Due] = []
    days = policy.infusion_days
    while days < LONGEST_DAYS:
        found.append(
            Due(
                begun.done_ms + round(days * MS_PER_DAY),
                DueKind.TASTE_INFUSION,
                f"Taste the infusion{what}: in for {days:g} days. Take it out when it is right.",
            )
        )
        # after the first taste the end of the usual time is what counts
        days = USUAL_DAYS[1] if days < USUAL_DAYS[1] else days + TASTE_AGAIN_DAYS
    last = Due(
        begun.done_ms + round(LONGEST_DAYS * MS_PER_DAY),
        DueKind.END_INFUSION,
        f"Take the infusion out{what}: it has been in for {LONGEST_DAYS:g} days.",
    )
    return [*found, last]
