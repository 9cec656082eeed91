"""Where batches stood: the contract of every engine."""

from __future__ import annotations

from monitor.batch.sheet import Sheet
from monitor.store.sql import SqlStore
from monitor.store.values import StoredStanding


def test_the_newest_standing_of_a_batch_is_kept(store: SqlStore, orchard: Sheet) -> None:
    """A later one replaces an earlier one, zero and all."""
    store.standings.put([StoredStanding(orchard.slug, 0, {"phase": "lag", "gravity_sg": None})])
    later = StoredStanding(orchard.slug, 5, {"phase": "active", "temperature_c": 0.0})
    store.standings.put([later])
    assert store.standings.listed() == [later]


def test_an_unknown_batch_keeps_nothing(store: SqlStore, orchard: Sheet) -> None:
    """A standing of a batch that is not there is passed over, and the others are kept."""
    known = StoredStanding(orchard.slug, 1, {})
    store.standings.put([StoredStanding("nowhere", 1, {}), known])
    assert store.standings.listed() == [known]


def test_a_standing_is_dropped(store: SqlStore, orchard: Sheet) -> None:
    """After the end of a batch nothing is left of it."""
    store.standings.put([StoredStanding(orchard.slug, 1, {})])
    store.standings.drop(orchard.slug)
    assert store.standings.listed() == []


def test_standings_are_followed_by_number(store: SqlStore, orchard: Sheet) -> None:
    """Whoever asks again gets what was written since, the whole snapshot with it, and nothing twice."""
    first = StoredStanding(orchard.slug, 1, {}, {"phases": [0.0, None]})
    store.standings.put([first])
    number, fresh = store.standings.since(-1)
    assert fresh == [first]
    assert store.standings.since(number) == (number, [])
    second = StoredStanding(orchard.slug, 2, {})
    store.standings.put([second])
    again, fresh = store.standings.since(number)
    assert again > number
    assert fresh == [second]


def test_a_number_is_used_once(store: SqlStore, orchard: Sheet) -> None:
    """Whoever follows misses nothing after the newest of all was dropped."""
    store.standings.put([StoredStanding(orchard.slug, 1, {})])
    number, _ = store.standings.since(-1)
    store.standings.drop(orchard.slug)
    again = StoredStanding(orchard.slug, 2, {})
    store.standings.put([again])
    assert store.standings.since(number)[1] == [again]
