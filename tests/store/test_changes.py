"""Changes and marks: the contract of every engine."""

from __future__ import annotations

from monitor.batch.sheet import Sheet
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind


def test_only_what_is_new(store: SqlStore, orchard: Sheet) -> None:
    """A poll from the last position gives what came since, in pieces if there is much."""
    seen = store.changes.position()
    assert store.changes.since(seen) == []
    for at_ms in (10, 20, 30):
        store.batches.write_down(orchard.slug, JournalEntry(JournalKind.NOTE, at_ms, at_ms))
    first = store.changes.since(seen, limit=2)
    assert [(one.kind, one.subject, one.at_ms) for one in first] == [
        (ChangeKind.JOURNAL, orchard.slug, 10),
        (ChangeKind.JOURNAL, orchard.slug, 20),
    ]
    assert [one.at_ms for one in store.changes.since(first[-1].position)] == [30]


def test_the_oldest_fall_off(url: str) -> None:
    """The table stays short, and positions go on growing."""
    with SqlStore(StoreOptions(url, change_rows=5)) as store:
        store.batches.start(Sheet("a", "A", 0), at_ms=0)
        for at_ms in range(1, 20):
            store.batches.write_down("a", JournalEntry(JournalKind.NOTE, 0, at_ms))
        left = store.changes.since(0)
        assert [one.at_ms for one in left] == [15, 16, 17, 18, 19]
        assert store.changes.position() == left[-1].position


def test_marks(store: SqlStore) -> None:
    """A forwarder's position is 0 at first and then what was set last."""
    assert store.changes.mark("history") == 0
    store.changes.set_mark("history", 7)
    store.changes.set_mark("history", 9)
    assert store.changes.mark("history") == 9
    assert store.changes.mark("other") == 0


def test_a_mark_is_moved_by_one_of_those_that_saw_it(store: SqlStore) -> None:
    """Two saw the same place: the first moves it on, the second is told that it was too late."""
    assert store.changes.advance("digest:phone", 0, 7)
    assert not store.changes.advance("digest:phone", 0, 8)
    assert store.changes.mark("digest:phone") == 7
    assert store.changes.advance("digest:phone", 7, 9)


def test_marks_are_found_by_how_their_names_begin(store: SqlStore) -> None:
    """Those set back to 0 are left out, and a per cent sign in a prefix stands for itself."""
    for name, position in (("a%:x", 1), ("a%:y", 0), ("ab:z", 1), ("b:w", 1)):
        store.changes.set_mark(name, position)
    assert store.changes.marked("a%:") == {"x"}
    assert store.changes.marked("b:") == {"w"}
