"""The plan of a kept batch as it stands now: one answer for the page, the command and the notice."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from typing import Final

from monitor import quantities
from monitor.batch.facts import facts_of
from monitor.batch.sheet import Sheet
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import COLD_KEG_C, BatchFacts, Plan
from monitor.cellar.plan_text import shown_date
from monitor.errors import InputError, PackagedError, QuantityError
from monitor.ferment.emission import Phase
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import Evidence
from monitor.ferment.verdict import falls_by_hand
from monitor.ferment.wording import by_hand_warning, contradiction
from monitor.store.base import Store
from monitor.units import MS_PER_DAY, POINTS_PER_SG, Quantity

AS_IT_STANDS: Final = "These are the figures as if it stayed where it is now; they follow it as it goes on."
SAMPLE_AGE_MS: Final = 3 * MS_PER_DAY
"""A hand sample stands for the batch so long, after that the float's level does."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the maker tells of a batch when its plan is asked for, and no sheet has; None is not told."""

    alcohol_abv: float | None = None
    """Known better than from both gravities."""
    free_so2_mg_l: float | None = None
    """In it already, as the total and the sorbate are."""
    total_so2_mg_l: float | None = None
    sorbate_g: float | None = None
    keg_temperature_c: float | None = None
    malolactic: bool = False


NOTHING_TOLD: Final = Told()


@dataclass(frozen=True, slots=True)
class Asked:
    """A quantity that can be told: command, page and API have it under this name, with these words."""

    name: str
    label: str
    says: str
    example: str
    member: str
    """Of `Told`."""
    read: Callable[[str], float]


ASKED: Final = (
    Asked(
        "alcohol",
        "alcohol",
        "As you know it, instead of what both gravities tell.",
        "5.5%",
        "alcohol_abv",
        quantities.strength_abv,
    ),
    Asked(
        "free",
        "free SO2",
        "Free SO2 that is in it already.",
        "20 mg/L",
        "free_so2_mg_l",
        quantities.concentration_mg_l,
    ),
    Asked(
        "total",
        "total SO2",
        "Total SO2 that is in it already; the free otherwise.",
        "60 mg/L",
        "total_so2_mg_l",
        quantities.concentration_mg_l,
    ),
    Asked(
        "sorbate",
        "potassium sorbate",
        "Potassium sorbate that went into it, all together; 0g is none.",
        "4.5g",
        "sorbate_g",
        quantities.mass_g,
    ),
    Asked(
        "keg",
        "temperature of the keg",
        f"Where the keg will stand, instead of {COLD_KEG_C:g} degC.",
        "8C",
        "keg_temperature_c",
        quantities.temperature_c,
    ),
)
MALOLACTIC: Final = "malolactic"
MALOLACTIC_SAYS: Final = "Lactic bacteria are, were or may be at work."


def told_by(texts: Mapping[str, str | None]) -> Told:
    """What the maker tells, from the texts of options or fields by their names; an empty one tells nothing.

    Raises InputError that names the one at fault.
    """
    found: dict[str, float] = {}
    for one in ASKED:
        text = (texts.get(one.name) or "").strip()
        if text:
            try:
                found[one.member] = one.read(text)
            except QuantityError as error:
                fault = str(error)
                named = fault if fault.startswith(one.label) else f"{one.label}: {fault}"
                raise QuantityError(named, hint=error.hint) from error
    malolactic = (texts.get(MALOLACTIC) or "false").strip().casefold()
    if malolactic not in ("true", "false"):
        raise InputError(f"{MALOLACTIC} = {malolactic[:40]!r}: true or false")
    return Told(**found, malolactic=malolactic == "true")


def plan_of(
    store: Store,
    sheet: Sheet,
    evidence: Evidence | None,
    now_ms: int,
    *,
    phase: Phase = Phase.UNKNOWN,
    gravity_sg: float | None = None,
    told: Told = NOTHING_TOLD,
    zone: tzinfo = UTC,
) -> Plan:
    """What to do from the last bubble to the glass, as if the batch were finished as it stands now.

    `phase` decides whether the plan says that the batch has not finished. `evidence` is None where it has not
    been judged yet, `gravity_sg` unless it is known better than from samples and float: that settles a sample
    in doubt, but no stall and no new ferment. An error's dates are those of `zone`. Raises
    PackagedError for a batch that is packaged, InputError naming what has to be known first.
    """
    journal = store.batches.journal(sheet.slug)
    _refuse_packaged(sheet, journal, zone)
    known = Evidence(now_ms, added_points=math.nan) if evidence is None else evidence
    try:
        measured = measured_sg(store, sheet, evidence, now_ms) if gravity_sg is None else gravity_sg
        facts = _with_told(facts_by(sheet, known, measured, journal), told)
        plan = plan_for(facts, now_ms)
    except QuantityError as error:
        doubt = _sample_in_doubt(store, sheet, known, now_ms) if gravity_sg is None else ""
        if not doubt:
            raise
        back = (
            f"carboyd batch take-back {sheet.slug} LINE takes the sample back, with LINE as carboyd batch"
            f" show {sheet.slug} names it; so does its line in the journal on the page"
        )
        raise QuantityError(
            f"{error}. {doubt}", hint=f"{error.hint}; {back}" if error.hint else back
        ) from error
    return replace(
        plan,
        foreword=_foreword(phase, known),
        before_all=_before_all(phase, known, settled=gravity_sg is not None),
    )


def _with_told(facts: BatchFacts, told: Told) -> BatchFacts:
    """The facts with what the maker told of the batch."""
    facts = replace(
        facts,
        abv=told.alcohol_abv,
        free_so2_mg_l=told.free_so2_mg_l,
        total_so2_mg_l=told.total_so2_mg_l,
        sorbate_g=told.sorbate_g,
        malolactic=told.malolactic,
    )
    if told.keg_temperature_c is None:
        return facts
    return replace(facts, keg_temperature_c=told.keg_temperature_c, keg_assumed=False)


def _sample_in_doubt(store: Store, sheet: Sheet, known: Evidence, now_ms: int) -> str:
    """What speaks against the hand sample that no plan comes of, no full stop; empty where nothing does.

    The judge doubts one that is far off the float or above the one before it; the first of all, without a
    float, only the sheet can.
    """
    said = contradiction(known)
    if said:
        return said.removesuffix(".")
    sample_sg, original_sg = _fresh_sample_sg(store, sheet, now_ms), sheet.must.original_gravity_sg
    # sugar on the way, by however much it rose, explains a sample above the must
    if sample_sg is None or original_sg is None or known.added_points != 0.0 or sample_sg <= original_sg:
        return ""
    return (
        f"The hand sample of {sample_sg:.4f} reads above the original gravity on the sheet,"
        f" {original_sg:.4f}, and no sugar is in the journal: correct the sheet, or take another sample and"
        " take this one back"
    )


def _before_all(phase: Phase, evidence: Evidence, *, settled: bool) -> str:
    # the end that a float saw stands against samples which only stand too high
    by_hand = "" if phase is Phase.FINISHED and not falls_by_hand(evidence) else by_hand_warning(evidence)
    doubted = "" if settled else contradiction(evidence)
    return f"{by_hand} {doubted}".strip()


def _foreword(phase: Phase, evidence: Evidence) -> str:
    if phase is Phase.REFERMENTING or falls_by_hand(evidence):
        return f"It is fermenting again. {AS_IT_STANDS}"
    if phase is Phase.FINISHED:
        return ""
    stands = "Whether it has finished is not known" if phase is Phase.UNKNOWN else "It has not finished"
    return f"{stands}. {AS_IT_STANDS}"


def _refuse_packaged(sheet: Sheet, journal: Iterable[JournalEntry], zone: tzinfo) -> None:
    packaged_ms = max((one.done_ms for one in journal if one.kind is JournalKind.PACKAGED), default=None)
    if packaged_ms is not None:
        raise PackagedError(
            f"{sheet.name} was packaged on {shown_date(packaged_ms, zone)}: nothing is left to plan, and"
            " no dose is worked out for it",
            hint="take that line of the journal back if it is wrong; carboyd sulfite, sorbate, sweeten and"
            " keg still answer what you ask them by hand",
        )


def measured_sg(store: Store, sheet: Sheet, evidence: Evidence | None, now_ms: int) -> float | None:
    """The gravity to plan with: the last hand sample if it is fresh, else the level; None without either."""
    sample_sg = _fresh_sample_sg(store, sheet, now_ms)
    if sample_sg is not None:
        return sample_sg
    if evidence is None:
        return None
    silent = math.isnan(evidence.level_points)
    return level_sg(evidence, _said_last_sg(store, sheet) if silent else None)


def _fresh_sample_sg(store: Store, sheet: Sheet, now_ms: int) -> float | None:
    """The last hand sample, where it is fresh enough to stand for the batch."""
    samples = store.readings.read(
        [sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], from_ms=now_ms - SAMPLE_AGE_MS
    )
    return float(samples.value[int(samples.time_ms.argmax())]) if len(samples) else None


def level_sg(evidence: Evidence, last_sg: float | None) -> float | None:
    """The level as specific gravity, or the hand sample that is newer than all that the float said; where the
    float has been silent for too long its last word, corrected.

    None where neither is known.
    """
    level = evidence.shown_points
    if not math.isnan(level):
        return 1.0 + level / POINTS_PER_SG
    return None if last_sg is None else last_sg + evidence.offset_points / POINTS_PER_SG


def _said_last_sg(store: Store, sheet: Sheet) -> float | None:
    names = sheet.sensors if sheet.gravity_sensor is None else (sheet.gravity_sensor,)
    heard = store.readings.heard(names)
    said_sg = {
        one.sensor: one.last_value
        for one in heard
        if one.quantity is Quantity.GRAVITY and one.last_time_ms >= sheet.pitched_ms
    }
    return next((said_sg[name] for name in names if name in said_sg), None)


def facts_by(
    sheet: Sheet, evidence: Evidence, gravity_sg: float | None, journal: Iterable[JournalEntry]
) -> BatchFacts:
    """The facts with temperature, added sugar and expected end from the evidence, and deeds from the journal.

    Raises InputError naming what has to be known first.
    """
    warm_c = evidence.temperature_c
    expected = evidence.expected_points
    return facts_of(
        sheet,
        gravity_sg=gravity_sg,
        added_points=evidence.added_points,
        temperature_c=None if math.isnan(warm_c) else warm_c,
        expected_points=evidence.by_hand_expected_points if math.isnan(expected) else expected,
        sampled_days=evidence.by_hand_hours / 24.0 if _is_by_hand(evidence, gravity_sg) else None,
        journal=journal,
    )


def _is_by_hand(evidence: Evidence, gravity_sg: float | None) -> bool:
    """Whether that gravity is of the hand sample since which no float was heard."""
    word = evidence.by_hand_points
    return gravity_sg is not None and abs((gravity_sg - 1.0) * POINTS_PER_SG - word) < 1e-6
