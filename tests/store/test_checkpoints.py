"""Checkpoints: the contract of every engine."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import StoreError
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind, Checkpoint
from monitor.units import Quantity

ASIDE = Checkpoint("orchard-session", "digest", 0, 0, 0, b"\x00body")


def _put(store: SqlStore, one: Checkpoint = ASIDE) -> None:
    store.checkpoints.put([one], changes_seen=store.changes.position())


def _reading(minute: int) -> Reading:
    at_ms = 1_000_000_000 + minute * 60_000
    return Reading("float-a", Quantity.GRAVITY, at_ms, 1.04, at_ms)


def test_the_newest_checkpoint_is_kept(store: SqlStore, orchard: Sheet) -> None:
    """A later one replaces an earlier one, and dropping leaves none."""
    assert store.checkpoints.get(orchard.slug) is None
    _put(store)
    later = replace(ASIDE, position=7, body=b"later")
    _put(store, later)
    assert store.checkpoints.get(orchard.slug) == later
    assert store.checkpoints.bytes_kept() == len(b"later")
    store.checkpoints.drop(orchard.slug)
    assert store.checkpoints.get(orchard.slug) is None
    assert store.checkpoints.bytes_kept() == 0


def test_readings_computed_anew_void_the_checkpoint(store: SqlStore, orchard: Sheet) -> None:
    """It was computed from other values."""
    _put(store)
    store.readings.replace_derived([_reading(1)], at_ms=5)
    assert store.checkpoints.get(orchard.slug) is None


def test_a_checkpoint_made_before_a_change_was_known_is_not_kept(store: SqlStore, orchard: Sheet) -> None:
    """The sheet was changed by another process a moment ago: what was made of the old one is void."""
    seen = store.changes.position()
    store.batches.update(replace(orchard, name="Orchard"), at_ms=5)
    store.checkpoints.put([ASIDE], changes_seen=seen)
    assert store.checkpoints.get(orchard.slug) is None
    _put(store)
    assert store.checkpoints.get(orchard.slug) == ASIDE


def test_a_batch_that_has_ended_keeps_none(store: SqlStore, orchard: Sheet) -> None:
    """Nobody would take it up."""
    store.batches.end(orchard.slug, ended_ms=orchard.pitched_ms + 1, at_ms=5)
    _put(store)
    assert store.checkpoints.get(orchard.slug) is None


def test_events_left_are_those_that_a_pipeline_lacks(store: SqlStore, orchard: Sheet) -> None:
    """Taken in up to any place, journal and hand samples counted: the rest follows without gap or repeat."""
    for minute in range(10):
        store.readings.commit([_reading(minute)])
        if minute % 3 == 0:
            at_ms = _reading(minute).received_ms + 1
            store.batches.write_down(orchard.slug, JournalEntry(JournalKind.NOTE, at_ms, at_ms, str(minute)))
            sample = Reading(orchard.hand_sensor, Quantity.SAMPLE_GRAVITY, at_ms, 1.04, at_ms + 1)
            store.readings.record_sample(orchard.slug, sample)
    whole = list(store.batches.events(orchard.slug))
    assert len(whole) == 18
    positions = {
        (one.sensor, one.time_ms): int(position)
        for one, position in zip(
            store.batches.readings(orchard.slug).readings(),
            store.batches.readings(orchard.slug).position,
            strict=True,
        )
    }
    after = entries = samples = 0
    for taken, event in enumerate(whole, 1):
        if isinstance(event, JournalEntry):
            entries += 1
        elif event.sensor == orchard.hand_sensor:
            samples += 1
        else:
            after = positions[event.sensor, event.time_ms]
        left = list(store.batches.events(orchard.slug, after=after, entries=entries, samples=samples))
        assert left == whole[taken:]


def test_a_changed_sheet_voids_the_checkpoint(store: SqlStore, orchard: Sheet) -> None:
    """Whoever runs or not: the batch is looked at from the beginning."""
    _put(store)
    store.batches.update(orchard, at_ms=5)
    assert store.checkpoints.get(orchard.slug) is None


def test_readings_put_behind_void_the_checkpoint(store: SqlStore, orchard: Sheet) -> None:
    """Its place may lie past their rows; those that were there already may never have been judged."""
    for stored, known in ((1, 0), (0, 1)):
        _put(store)
        seen = store.changes.position()
        done = store.readings.put_behind(orchard.slug, [_reading(1)], at_ms=5)
        assert (done.stored, done.duplicates) == (stored, known)
        assert store.checkpoints.get(orchard.slug) is None
        assert [(one.kind, one.subject) for one in store.changes.since(seen)] == [
            (ChangeKind.BATCH, orchard.slug)
        ]


def test_readings_put_behind_void_that_of_every_batch_with_their_sensor(
    store: SqlStore, orchard: Sheet
) -> None:
    """A thermometer that two batches share; a batch with other sensors keeps its checkpoint."""
    store.batches.update(replace(orchard, other_sensors=("room",)), at_ms=5)
    beside, apart = (
        Sheet(name, name, orchard.pitched_ms, other_sensors=(sensor,))
        for name, sensor in (("beside", "room"), ("apart", "attic"))
    )
    kept = []
    for sheet in (beside, apart):
        store.batches.start(sheet, at_ms=5)
        kept.append(replace(ASIDE, batch=sheet.slug))
    store.checkpoints.put([ASIDE, *kept], changes_seen=store.changes.position())
    seen = store.changes.position()
    warm = replace(_reading(1), sensor="room", quantity=Quantity.AMBIENT_TEMPERATURE, value=18.0)
    store.readings.put_behind(orchard.slug, [warm], at_ms=5)
    assert [store.checkpoints.get(slug) for slug in (orchard.slug, "beside", "apart")] == [
        None,
        None,
        kept[1],
    ]
    assert {one.subject for one in store.changes.since(seen)} == {orchard.slug, "beside"}


def test_readings_that_cannot_be_put_behind_change_nothing(store: SqlStore, orchard: Sheet) -> None:
    """Either they are kept and the batch is judged anew, or neither."""
    _put(store)
    seen = store.changes.position()
    nameless = replace(_reading(1), sensor="")
    with pytest.raises(StoreError):
        store.readings.put_behind(orchard.slug, [_reading(1), nameless], at_ms=5)
    assert len(store.batches.readings(orchard.slug)) == 0
    assert store.checkpoints.get(orchard.slug) == ASIDE
    assert store.changes.position() == seen
