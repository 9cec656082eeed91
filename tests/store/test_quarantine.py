"""Quarantine: the contract of every engine."""

from __future__ import annotations

from monitor.store.gate import StoreOptions
from monitor.store.quarantine import LONGEST_PAYLOAD
from monitor.store.sql import SqlStore
from monitor.store.values import FaultCount, Refused


def refused(number: int, kind: str = "not-json", payload: bytes = b"\x00\xff{") -> Refused:
    """A refused message."""
    return Refused(number, f"carboyd/readings/{number}", payload, kind, "no JSON", "/value")


def test_a_message_is_kept_as_it_came(store: SqlStore) -> None:
    """Topic, bytes, kind, field and reason come back equal."""
    store.readings.commit([], refused=[refused(1)])
    (kept,) = store.quarantine.listed()
    assert kept.refused == refused(1)
    assert kept.payload_bytes == 3


def test_the_oldest_go_and_the_counts_stay(url: str) -> None:
    """Beyond the cap the oldest messages leave; how many of a kind there were is not forgotten."""
    with SqlStore(StoreOptions(url, quarantine_rows=5)) as store:
        for number in range(4):
            store.readings.commit([], refused=[refused(number)])
        store.readings.commit([], refused=[refused(n, "no-field") for n in range(4, 7)])
        assert [one.refused.received_ms for one in store.quarantine.listed()] == [6, 5, 4, 3, 2]
        assert store.quarantine.counts() == [FaultCount("not-json", 4, 3), FaultCount("no-field", 3, 6)]
        store.readings.commit([], refused=[refused(n) for n in range(100, 200)])
        assert [one.refused.received_ms for one in store.quarantine.listed()] == [199, 198, 197, 196, 195]
        assert store.quarantine.counts()[0] == FaultCount("not-json", 104, 199)


def test_a_huge_message_is_cut_and_says_so(store: SqlStore) -> None:
    """No more than 64 KiB of a message is kept, beside its true size."""
    store.readings.commit([], refused=[refused(1, payload=b"x" * 100_000)])
    (kept,) = store.quarantine.listed()
    assert (len(kept.refused.payload), kept.payload_bytes) == (LONGEST_PAYLOAD, 100_000)


def test_a_topic_may_hold_anything(store: SqlStore) -> None:
    """NUL and half a surrogate pair in a topic or reason do not stand in the way of keeping the message."""
    store.readings.commit([], refused=[Refused(1, "a\0b\ud800", b"", "k\0", "why \udfff")])
    assert len(store.quarantine.listed()) == 1


def test_by_kind_and_limit(store: SqlStore) -> None:
    """Only the kind that was asked for, only so many."""
    store.readings.commit([], refused=[refused(n, "even" if n % 2 == 0 else "odd") for n in range(6)])
    assert [one.refused.received_ms for one in store.quarantine.listed(2, kind="even")] == [4, 2]


def test_endless_kinds_are_counted_together(store: SqlStore) -> None:
    """However many kinds are invented, the table of counts stays small and the sum is right."""
    store.readings.commit([], refused=[refused(n, f"kind-{n}") for n in range(300)])
    counts = store.quarantine.counts()
    assert len(counts) <= 201
    assert sum(one.count for one in counts) == 300


def test_cleared(store: SqlStore) -> None:
    """Clearing throws the messages away and keeps the counts."""
    store.readings.commit([], refused=[refused(1), refused(2)])
    assert store.quarantine.clear() == 2
    assert store.quarantine.listed() == []
    assert store.quarantine.counts()[0].count == 2
