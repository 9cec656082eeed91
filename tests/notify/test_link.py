"""A notice links to its batch."""

from __future__ import annotations

import pytest

from monitor.batch.sheet import Sheet
from monitor.cellar.shown import UnitSystem
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.finishing import composer
from monitor.notify.notice import LONGEST_BODY
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore


@pytest.mark.parametrize("message", ["It stands.", "It stands. " * 600])
@pytest.mark.parametrize("url", ["https://cellar.example", "https://cellar.example/"])
def test_the_link_ends_the_notice(url: str, message: str) -> None:
    """The link is whole, however long the words; without an address there is none."""
    sheet = Sheet("orchard-session", "Orchard session", 0)
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(sheet, at_ms=0)
        change = AlertChange(1_000, AlertKind.STALLED, AlertState.FIRING, 1_000, Severity.ACT, message)
        store.alerts.record(sheet.slug, change, channels=("mail",), now_ms=1_000)
        (delivery,) = store.outbox.due(1_000, channel="mail", limit=1)
        metric = UnitSystem("metric")
        body = composer(store, dict, metric, lambda: 1_000, url)(delivery, sheet).body
        bare = composer(store, dict, metric, lambda: 1_000)(delivery, sheet).body
    assert body.endswith("\n\nhttps://cellar.example/batches/orchard-session")
    assert len(body) <= LONGEST_BODY
    assert "cellar.example" not in bare
