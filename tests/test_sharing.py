"""A daemon that judges alone, and one that shares the judging: what is seen in each."""

from __future__ import annotations

from monitor.ferment.event import Reading
from monitor.sharing import Alone, Shared
from monitor.shift import Shift, ShiftPolicy
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity
from monitor.watch import Watch, WatchPolicy

from .porch import PITCHED_MS, PORCH

NOW_MS = PITCHED_MS + 3 * MS_PER_HOUR


def _fill(store: SqlStore) -> None:
    """Three hours of a float."""
    store.batches.start(PORCH, at_ms=PITCHED_MS)
    for hour in range(3):
        at_ms = PITCHED_MS + hour * MS_PER_HOUR
        store.readings.commit([Reading("float-a", Quantity.GRAVITY, at_ms, 1.040, at_ms)])


def test_alone_it_has_opened_what_it_can_when_it_begins() -> None:
    """One batch is judged before the first turn, and seen at once."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        _fill(store)
        watch = Watch(store, WatchPolicy(), publish=lambda _topic, _payload: None)
        alone = Alone(store, watch)
        alone.begin(lambda: NOW_MS)
        assert not watch.waiting
        assert alone.snapshots.keys() == {"porch"}
        assert alone.refreshed() == alone.snapshots


def test_shared_it_shows_what_was_judged_by_whomever(server_url: str) -> None:
    """After a turn a batch is touched and seen; once it has ended it is forgotten."""
    touched: list[str] = []
    with SqlStore(StoreOptions(server_url)) as store:
        _fill(store)
        watch = Watch(store, WatchPolicy(shared=True), publish=lambda _topic, _payload: None)
        shift = Shift(store, watch, policy=ShiftPolicy(claim_s=0.0, feed_s=0.0), name="only")
        shared = Shared(store, shift, touched=touched.append, told=lambda: None)
        shared.begin(lambda: NOW_MS)
        assert shared.snapshots == {}
        assert not shared.turn(NOW_MS)
        assert not shared.catch_up(NOW_MS)
        assert touched == ["porch"]
        assert repr(shared.snapshots) == repr(watch.snapshots)
        store.batches.end("porch", ended_ms=NOW_MS, at_ms=NOW_MS)
        shared.forget_ended()
        assert shared.snapshots == {}
        shared.stop()
