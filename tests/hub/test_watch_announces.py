"""The watch announces open batches to a hub and removes ended ones."""

from __future__ import annotations

from monitor.batch.sheet import Sheet
from monitor.hub.discovery import HubPolicy, discovery_documents, discovery_topics
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.watch import Watch, WatchPolicy


def test_a_batch_comes_and_goes() -> None:
    """Its documents are published when it is taken up and again on demand, and cleared when it ends."""
    sheet = Sheet("orchard-session", "Orchard session", 0)
    retained: dict[str, bytes] = {}
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(sheet, at_ms=0)
        watch = Watch(store, WatchPolicy(hub=HubPolicy()), publish=retained.__setitem__)
        watch.rebuild(1_000)
        documents = dict(discovery_documents(sheet, HubPolicy()))
        assert documents.items() <= retained.items()
        retained.clear()
        watch.announce()
        assert retained == documents
        store.batches.end(sheet.slug, ended_ms=2_000, at_ms=2_000)
        watch.catch_up(3_000)
        assert all(retained[topic] == b"" for topic in discovery_topics(sheet.slug, HubPolicy()))
