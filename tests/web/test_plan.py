"""The plan of a batch as page and API give it."""

from __future__ import annotations

from monitor.batch.journal import entry
from monitor.ferment.event import JournalKind

from .rooms import Cellar, Visit, words_of

SLUG = "hedgerow-session"
PAGE = f"/batches/{SLUG}"
API = f"/api/v1{PAGE}/plan"


def test_a_packaged_batch_is_said_to_be_packaged(visit: Visit, busy: Cellar) -> None:
    """Page and API say when, weigh nothing out, and do not lead to the sheet, where nothing is wrong."""
    packaged = entry(JournalKind.PACKAGED, done_ms=busy.now_ms, at_ms=busy.now_ms)
    busy.store.batches.write_down(SLUG, packaged)
    page = visit.get(PAGE).text
    plan = words_of(page[page.index('id="plan-title"') : page.index('id="sensors-title"')])
    assert "Hedgerow session was packaged on Sunday 1 March 2026: nothing is left to plan" in plan
    assert "metabisulfite" not in plan
    assert "Open the sheet" not in plan
    answer = visit.json("GET", API)
    assert answer.status_code == 422
    assert "was packaged on Sunday 1 March 2026" in answer.json()["detail"]
    assert "by hand" in answer.json()["hint"]
