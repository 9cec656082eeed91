"""The watch over a batch without a float: what hand samples tell is kept, told once, and taken up again."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertKind, AlertState, Severity
from monitor.ferment.event import JournalKind
from monitor.ferment.premise import Must, MustKind
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR
from monitor.watch import Watch, WatchPolicy

PITCHED_MS = 1_767_463_200_000
JAR = Sheet(slug="jar", name="Jar", pitched_ms=PITCHED_MS, must=Must(MustKind.HONEY, 1.050))


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with one open batch that has no sensor."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        opened.batches.start(JAR, at_ms=PITCHED_MS)
        yield opened


def _at(day: float) -> int:
    return PITCHED_MS + round(day * MS_PER_DAY)


def _sampled(store: SqlStore, day: float, gravity_sg: float) -> None:
    taken = hand_sample(JAR, gravity_sg=gravity_sg, time_ms=_at(day), received_ms=_at(day))
    store.readings.record_sample("jar", taken)


def _did(store: SqlStore, day: float, kind: JournalKind) -> None:
    store.batches.write_down("jar", entry(kind, done_ms=_at(day), at_ms=_at(day)))


def _watch(store: SqlStore, published: dict[str, bytes]) -> Watch:
    return Watch(
        store,
        WatchPolicy(channels=("phone",)),
        publish=lambda topic, payload: published.update({topic: payload}),
        touched=lambda _: None,
    )


def _hours_pass(watch: Watch, day: float, hours: int) -> None:
    """What was written down is heard of, and the batch is looked at hour by hour."""
    watch.catch_up(_at(day))
    for hour in range(hours):
        watch.tick(_at(day) + hour * MS_PER_HOUR + 1)


def _again(store: SqlStore) -> list[tuple[AlertState, Severity]]:
    listed = store.alerts.listed()
    return [(one.state, one.severity) for one in listed if one.kind is AlertKind.REFERMENTING]


def _told(store: SqlStore) -> list[str]:
    waiting = store.outbox.waiting()
    return [str(one.occasion) for one in waiting if one.alert.kind is AlertKind.REFERMENTING]


@pytest.mark.parametrize("from_checkpoint", [True, False])
def test_bottles_that_fall_are_told_once_and_through_a_restart(
    store: SqlStore, from_checkpoint: bool
) -> None:
    """A danger after the first sample; after a restart it stands, is told no second time, and ends."""
    published: dict[str, bytes] = {}
    watch = _watch(store, published)
    watch.rebuild(PITCHED_MS)
    for day, gravity_sg in ((20, 1.000), (24, 1.000)):
        _sampled(store, day, gravity_sg)
    for day, kind in ((25, JournalKind.STABILISED), (27, JournalKind.SWEETENED)):
        _did(store, day, kind)
    _sampled(store, 27.5, 1.012)
    _did(store, 41, JournalKind.PACKAGED)
    _sampled(store, 56, 1.004)
    _hours_pass(watch, 56, 5)
    assert _again(store) == [(AlertState.FIRING, Severity.DANGER)]
    state = json.loads(published["carboyd/batch/jar/state"])
    assert state["phase"] == "refermenting"
    assert "Closed bottles can burst" in state["alerts"][0]["message"]
    if from_checkpoint:
        assert watch.seal(every_ms=0) == 1
    else:
        store.checkpoints.drop("jar")
    second = _watch(store, published)
    second.rebuild(_at(57))
    _hours_pass(second, 57, 3)
    assert second.snapshots["jar"].phase == "refermenting"
    assert _told(store) == ["firing"]
    for day in (60, 68):
        _sampled(store, day, 1.002)
        _hours_pass(second, day, 30)
    assert _again(store) == [(AlertState.RESOLVED, Severity.DANGER)]
