"""Checkpoints under a running watch: a restart takes them up, and says and tells what it would have said."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.errors import StoreUnavailableError
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import JournalKind, Reading
from monitor.ferment.premise import Yeast
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import StoredAlert
from monitor.units import MS_PER_HOUR, Quantity
from monitor.watch import Watch, WatchPolicy

from .porch import PITCHED_MS, PORCH


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with one open batch."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        opened.batches.start(PORCH, at_ms=PITCHED_MS)
        yield opened


def _watch(store: Any) -> Watch:
    return Watch(store, WatchPolicy(channels=("phone",)), publish=lambda _topic, _payload: None)


def _live(store: SqlStore, watch: Watch, from_hour: int, to_hour: int, temperature_c: float = 18.0) -> int:
    """Readings of so many hours come in; the time afterwards."""
    at_ms = PITCHED_MS
    for hour in range(from_hour, to_hour):
        at_ms = PITCHED_MS + hour * MS_PER_HOUR
        found = [
            Reading("float-a", Quantity.GRAVITY, at_ms, 1.0 + 0.04 * math.exp(-hour / 60), at_ms),
            Reading("float-a", Quantity.TEMPERATURE, at_ms, temperature_c, at_ms),
        ]
        store.readings.commit(found)
        watch.admit(found, at_ms)
        watch.tick(at_ms + 1)
    return at_ms + 1


def _rebuilt(store: SqlStore, now_ms: int) -> Watch:
    watch = _watch(store)
    watch.rebuild(now_ms)
    watch.tick(now_ms)
    return watch


def _as_told(store: SqlStore) -> list[tuple[str, ...]]:
    return [(one.kind, str(one.fired_ms), str(one.resolved_ms), one.message) for one in store.alerts.listed()]


def test_a_restart_from_a_checkpoint_stands_where_the_whole_fold_stands(store: SqlStore) -> None:
    """Put aside in the warm, cold when stopped, a sample and an entry between: both restarts agree."""
    watch = _watch(store)
    watch.rebuild(PITCHED_MS)
    now_ms = _live(store, watch, 0, 40)
    assert watch.seal() == 1
    sample = hand_sample(PORCH, gravity_sg=1.025, time_ms=now_ms, received_ms=now_ms)
    store.readings.record_sample(PORCH.slug, sample)
    store.batches.write_down(PORCH.slug, entry(JournalKind.NUTRIENT, done_ms=now_ms, at_ms=now_ms + 1))
    watch.catch_up(now_ms + 1)
    now_ms = _live(store, watch, 40, 60, temperature_c=5.0)
    told, waiting = _as_told(store), store.outbox.waiting()
    assert any(AlertKind.TEMPERATURE_LOW in one for one in told)

    kept = store.checkpoints.get(PORCH.slug)
    assert kept is not None
    assert kept.position < store.readings.position()
    short = _rebuilt(store, now_ms)
    store.checkpoints.drop(PORCH.slug)
    whole = _rebuilt(store, now_ms)
    for restarted in (short, whole):
        assert repr(restarted.snapshots["porch"]) == repr(watch.snapshots["porch"])
        assert restarted.phases("porch") == watch.phases("porch")
    assert _as_told(store) == told
    assert store.outbox.waiting() == waiting


def test_an_alert_that_fires_since_before_the_checkpoint_is_neither_withdrawn_nor_told_again(
    store: SqlStore,
) -> None:
    """The checkpoint says nothing of it a second time, and it is not taken for one that holds no more."""
    watch = _watch(store)
    watch.rebuild(PITCHED_MS)
    now_ms = _live(store, watch, 0, 12, temperature_c=5.0)
    watch.seal()
    before = store.alerts.listed(only_firing=True)
    assert before
    _rebuilt(store, now_ms + MS_PER_HOUR)
    assert store.alerts.listed(only_firing=True) == before
    assert len(store.outbox.waiting()) == len(before)


def test_a_changed_sheet_is_judged_from_the_beginning(store: SqlStore) -> None:
    """The old checkpoint is of another premise: a yeast that likes the cold has no alert."""
    watch = _watch(store)
    watch.rebuild(PITCHED_MS)
    now_ms = _live(store, watch, 0, 12, temperature_c=5.0)
    watch.seal()
    store.batches.update(replace(PORCH, yeast=Yeast((2.0, 24.0))), at_ms=now_ms)
    watch.catch_up(now_ms)
    assert store.alerts.listed(only_firing=True) == []
    assert _rebuilt(store, now_ms).snapshots["porch"].open_alerts == ()


def test_checkpoints_are_made_when_they_are_due(store: SqlStore) -> None:
    """The first at once, the next after half a day of looks."""
    watch = _watch(store)
    watch.rebuild(PITCHED_MS)
    _live(store, watch, 0, 5)
    assert [watch.seal(), watch.seal()] == [1, 0]
    _live(store, watch, 5, 10)
    assert watch.seal() == 0
    _live(store, watch, 10, 20)
    assert watch.seal() == 1


def test_before_it_is_opened_a_batch_shows_what_was_told_last(store: SqlStore) -> None:
    """A start with many batches has its page at once."""
    watch = _watch(store)
    watch.rebuild(PITCHED_MS)
    _live(store, watch, 0, 30)
    watch.seal()
    again = _watch(store)
    again.prepare()
    again.remember()
    again.hold({PORCH.slug: None})
    assert repr(again.snapshots["porch"]) == repr(watch.snapshots["porch"])
    assert again.phases("porch") == watch.phases("porch")
    assert again.waiting == ("porch",)
    number, _ = store.standings.since(-1)
    assert again.open_next(PITCHED_MS + 30 * MS_PER_HOUR)
    assert not again.open_next(PITCHED_MS + 30 * MS_PER_HOUR)
    assert store.standings.since(number) == (number, [])  # it stands there already
    again.tick(PITCHED_MS + 31 * MS_PER_HOUR)
    assert len(store.standings.since(number)[1]) == 1


class Shaky:
    """A store whose alerts cannot be written for a while."""

    def __init__(self, store: SqlStore) -> None:
        self._store = store
        self.down = False
        self.alerts = self

    def __getattr__(self, name: str) -> Any:
        """Everything else is the store's own."""
        return getattr(self._store, name)

    def record(self, *arguments: Any, **named: Any) -> StoredAlert | None:
        """As the store's, when it can be written."""
        if self.down:
            raise StoreUnavailableError("no room")
        return self._store.alerts.record(*arguments, **named)

    def listed(self, **named: Any) -> Sequence[StoredAlert]:
        """As the store's."""
        return self._store.alerts.listed(**named)


def test_what_the_store_could_not_take_is_told_when_it_can(store: SqlStore) -> None:
    """The disk is full at the hour of the alert: at the next tick it is recorded and told, once."""
    shaky = Shaky(store)
    watch = _watch(shaky)
    watch.rebuild(PITCHED_MS)
    shaky.down = True
    refused = 0
    for hour in range(8):
        try:
            now_ms = _live(store, watch, hour, hour + 1, temperature_c=5.0)
        except StoreUnavailableError:
            refused += 1
    assert refused
    assert store.alerts.listed() == []
    assert watch.seal() == 0  # a checkpoint would forget what is yet to be said
    shaky.down = False
    now_ms = PITCHED_MS + 8 * MS_PER_HOUR
    watch.tick(now_ms)
    low = [one for one in store.alerts.listed() if one.kind is AlertKind.TEMPERATURE_LOW]
    assert len(low) == 1
    assert [one.alert.kind for one in store.outbox.waiting()].count(AlertKind.TEMPERATURE_LOW) == 1
