"""The watch announces open batches to a hub and removes ended ones."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.batch.sheet import Sheet
from monitor.hub.discovery import HubPolicy, discovery_documents, discovery_topics
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.watch import Watch, WatchPolicy

SLUGS = ("heather-dry", "orchard-session")


def _topics(prefix: str) -> set[str]:
    return {topic for slug in SLUGS for topic in discovery_topics(slug, HubPolicy(prefix))}


@pytest.fixture
def told() -> Iterator[tuple[SqlStore, dict[str, bytes]]]:
    """A store of two batches that a hub was told of, and what the broker keeps; then one of them ends."""
    retained: dict[str, bytes] = {}
    with SqlStore(StoreOptions("sqlite://")) as store:
        for slug in SLUGS:
            store.batches.start(Sheet(slug, slug.capitalize(), 0), at_ms=0)
        Watch(store, WatchPolicy(hub=HubPolicy()), publish=retained.__setitem__).rebuild(1_000)
        assert retained.keys() >= _topics("homeassistant")
        store.batches.end(SLUGS[0], ended_ms=2_000, at_ms=2_000)
        yield store, retained


@pytest.mark.parametrize("hub", [None, HubPolicy("attic")])
def test_discovery_that_was_turned_off_or_moved_is_taken_back_once(
    told: tuple[SqlStore, dict[str, bytes]], hub: HubPolicy | None
) -> None:
    """No document stays at the old prefix, of a batch that ended meanwhile neither; the state stays."""
    store, retained = told
    watch = Watch(store, WatchPolicy(hub=hub), publish=retained.__setitem__)
    watch.rebuild(3_000)
    watch.announce()
    assert {retained[topic] for topic in _topics("homeassistant")} == {b""}
    assert retained[f"carboyd/batch/{SLUGS[1]}/state"]
    documents = {} if hub is None else dict(discovery_documents(store.batches.get(SLUGS[1]), hub))
    assert documents.items() <= retained.items()
    retained.clear()
    watch.announce()
    assert retained == documents


def test_a_batch_that_ends_before_the_broker_is_there_leaves_nothing_behind(
    told: tuple[SqlStore, dict[str, bytes]],
) -> None:
    """With discovery turned off its documents go with it, though the others' wait for the connection."""
    store, retained = told
    watch = Watch(store, WatchPolicy(), publish=retained.__setitem__)
    watch.rebuild(3_000)
    store.batches.end(SLUGS[1], ended_ms=4_000, at_ms=4_000)
    watch.catch_up(5_000)
    watch.announce()
    assert set(retained.values()) == {b""}


def test_discovery_that_goes_on_is_left_alone(told: tuple[SqlStore, dict[str, bytes]]) -> None:
    """After a restart with the same prefix nothing of an open batch is cleared, not for a moment."""
    store, _ = told
    said: list[tuple[str, bytes]] = []
    watch = Watch(store, WatchPolicy(hub=HubPolicy()), publish=lambda *one: said.append(one))
    watch.rebuild(3_000)
    watch.announce()
    assert {topic for topic, document in said if not document and SLUGS[1] in topic} == set()
    assert {topic for topic, document in said if document} >= set(discovery_topics(SLUGS[1], HubPolicy()))


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
