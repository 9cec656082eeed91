"""The plan of a kept batch as it stands now: one answer for the page, the command and the notice."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from monitor.batch.facts import facts_of
from monitor.batch.sheet import Sheet
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import BatchFacts, Plan
from monitor.ferment.event import JournalEntry
from monitor.ferment.evidence import Evidence
from monitor.store.base import Store
from monitor.units import MS_PER_DAY, POINTS_PER_SG, Quantity

SAMPLE_AGE_MS: Final = 3 * MS_PER_DAY
"""A hand sample stands for the batch so long, after that the float's level does."""


def plan_of(store: Store, sheet: Sheet, evidence: Evidence | None, now_ms: int) -> Plan:
    """What to do from the last bubble to the glass, as if the batch were finished as it stands now.

    `evidence` is None where the batch has not been judged yet. Raises InputError naming what has to be
    known first.
    """
    gravity_sg = measured_sg(store, sheet, evidence, now_ms)
    known = Evidence(now_ms, added_points=math.nan) if evidence is None else evidence
    journal = store.batches.journal(sheet.slug)
    return plan_for(facts_by(sheet, known, gravity_sg, journal), now_ms)


def measured_sg(store: Store, sheet: Sheet, evidence: Evidence | None, now_ms: int) -> float | None:
    """The gravity to plan with: the last hand sample if it is fresh, else the level; None without either."""
    samples = store.readings.read(
        [sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], from_ms=now_ms - SAMPLE_AGE_MS
    )
    if len(samples):
        return float(samples.value[int(samples.time_ms.argmax())])
    if evidence is None:
        return None
    silent = math.isnan(evidence.level_points)
    return level_sg(evidence, _said_last_sg(store, sheet) if silent else None)


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
    return facts_of(
        sheet,
        gravity_sg=gravity_sg,
        added_points=evidence.added_points,
        temperature_c=None if math.isnan(warm_c) else warm_c,
        expected_points=evidence.expected_points,
        sampled_days=evidence.by_hand_hours / 24.0 if _is_by_hand(evidence, gravity_sg) else None,
        journal=journal,
    )


def _is_by_hand(evidence: Evidence, gravity_sg: float | None) -> bool:
    """Whether that gravity is of the hand sample since which no float was heard."""
    word = evidence.by_hand_points
    return gravity_sg is not None and abs((gravity_sg - 1.0) * POINTS_PER_SG - word) < 1e-6
