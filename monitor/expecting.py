"""What the ended batches of a store say of where a new one should end, and that written into its sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from monitor.batch.expectation import Expectation, alike, expectation, same_recipe
from monitor.batch.journal import entry
from monitor.batch.outcome import Outcome, may_count, outcome_of
from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.last_words import hand_samples, hourly_points
from monitor.store.base import Store

MOST_LOOKED_AT: Final = 24
"""The youngest so many of a recipe or a kind: what is older is of other years' honey and other habits."""


def expected(store: Store, sheet: Sheet) -> Expectation | None:
    """The expectation for a batch that is about to begin; None where too few earlier ones can tell."""
    ended = [one for one in store.batches.listed() if one.slug != sheet.slug and may_count(one)]
    ended.sort(key=lambda one: one.pitched_ms, reverse=True)
    of_recipe = [one for one in ended if same_recipe(one.recipe, sheet.recipe)]
    of_kind = [one for one in ended if alike(sheet.must, one.must.kind, one.must.original_gravity_sg)]
    for others in (of_recipe, of_kind):
        found = expectation(sheet.must, sheet.recipe, _outcomes(store, others[:MOST_LOOKED_AT]))
        if found is not None:
            return found
    return None


def begin(
    store: Store, sheet: Sheet, *, at_ms: int, learning: bool = True
) -> tuple[Sheet, Expectation | None]:
    """Begin a batch; the sheet as it is kept, and what earlier batches let expect where that was written in.

    A range that the sheet has already stays; with `learning` off none is looked for. The journal keeps where
    the range came from. InputError as of `store.batches.start`.
    """
    found = None
    if learning and sheet.must.expected_apparent_attenuation is None:
        found = expected(store, sheet)
    if found is not None:
        sheet = replace(sheet, must=replace(sheet.must, expected_apparent_attenuation=found.pair))
    store.batches.start(sheet, at_ms=at_ms)
    if found is not None:
        written = entry(JournalKind.NOTE, done_ms=at_ms, at_ms=at_ms, note=found.said)
        store.batches.write_down(sheet.slug, written)
    return sheet, found


def _outcomes(store: Store, sheets: list[Sheet]) -> list[Outcome]:
    journals = store.batches.journals([one.slug for one in sheets])
    found = (_outcome(store, one, journals[one.slug]) for one in sheets)
    return [one for one in found if one is not None]


def _outcome(store: Store, sheet: Sheet, journal: list[JournalEntry]) -> Outcome | None:
    told = store.alerts.listed(batch=sheet.slug)
    spans = {
        kind: [(one.fired_ms, one.resolved_ms) for one in told if one.kind is kind]
        for kind in (AlertKind.FINISHED, AlertKind.STALLED)
    }
    return outcome_of(
        sheet,
        journal,
        finishes=spans[AlertKind.FINISHED],
        stalls=spans[AlertKind.STALLED],
        samples=hand_samples(store, sheet, sheet.ended_ms),
        float_points=hourly_points(store, sheet, sheet.gravity_sensor, sheet.ended_ms or sheet.pitched_ms),
    )
