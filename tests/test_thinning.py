"""Thinning beside a daemon's other work."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import Phase
from monitor.ferment.event import Reading
from monitor.ferment.pipeline import Analysis
from monitor.replay.recording import read
from monitor.store.gate import StoreOptions
from monitor.store.retention import RetentionPolicy
from monitor.store.sql import SqlStore
from monitor.store.values import Feed, Level
from monitor.thinning import KEEP_LEVELS_MS, Thinning
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity
from monitor.web.history import tell

NOW_MS = 1_000 * MS_PER_DAY
TARGET = "http://127.0.0.1:8086 carboyd/carboyd"


def filled(folder) -> SqlStore:
    """A store with a day of old readings."""
    store = SqlStore(StoreOptions(f"sqlite:///{folder}/carboyd.sqlite"))
    times = [n * 15 * MS_PER_MINUTE for n in range(96)]
    store.readings.commit([Reading("f", Quantity.GRAVITY, at, 1.04, at) for at in times])
    return store


def thinning(store: SqlStore, target: str | None = None) -> Thinning:
    """A policy of a hundred days."""
    return Thinning(store, RetentionPolicy(100, 100), target, lambda: NOW_MS)


def test_a_run_a_day_beside_the_rest(tmp_path):
    """It begins when due, in a thread of its own, and not again on the same day."""
    with filled(tmp_path) as store:
        one = thinning(store)
        assert one.begin()
        one.wait(30)
        assert len(store.readings.read(["f"])) == 24
        assert not thinning(store).begin()


def test_nothing_is_thinned_while_old_readings_wait_to_be_forwarded(tmp_path, caplog):
    """A server that has been away for more than a day gets the raw readings first."""
    with filled(tmp_path) as store:
        one = thinning(store, TARGET)
        assert one.begin()
        one.wait(30)
        assert len(store.readings.read(["f"])) == 96
        assert "wait to be forwarded" in caplog.text
        store.forwarding.accepted(TARGET, {Feed.READINGS: 96}, at_ms=1)
        two = thinning(store, TARGET)
        assert two.begin()
        two.wait(30)
        assert len(store.readings.read(["f"])) == 24


@pytest.mark.parametrize("policy", [RetentionPolicy(), RetentionPolicy(100, 100)])
def test_levels_that_were_forwarded_go_once_a_day_whatever_is_kept(tmp_path, policy):
    """Readings may be kept for ever, or wait for the server: old levels that it has are not kept for that."""
    with filled(tmp_path) as store:
        store.batches.start(Sheet("a", "A", 0), at_ms=0)
        fresh_ms = NOW_MS - KEEP_LEVELS_MS
        times = (1, 2, 3, fresh_ms, fresh_ms + 1)
        store.chronicle.keep([Level("a", at_ms, Phase.ACTIVE, {}) for at_ms in times], [])
        store.forwarding.accepted(TARGET, {Feed.LEVELS: 2}, at_ms=1)
        one = Thinning(store, policy, TARGET, lambda: NOW_MS)
        assert one.begin()
        one.wait(30)
        assert [look.at_ms for _, look in store.chronicle.levels_after(0, 9)] == [3, fresh_ms, fresh_ms + 1]
        assert len(store.readings.read(["f"])) == 96
        one = Thinning(store, RetentionPolicy(), TARGET, lambda: NOW_MS + MS_PER_HOUR)
        assert not one.begin()
        assert not Thinning(store, RetentionPolicy(), None, lambda: 2 * NOW_MS).begin()


@pytest.mark.parametrize(
    "name", ["session-43", "cider-57", "fed-48", "long-tail-52", "sweetened-42", "wort-51"]
)
def test_a_thinned_batch_is_judged_as_before(name: str):
    """On hourly means a recorded batch goes through the same phases in the same hours, to its finish within
    half a day: where a tail creeps, the chance that it is over passes its limit slowly.
    """
    recorded = read(Path(__file__).parents[1] / "replay_data" / name, with_truth=False)
    arrived = list(recorded.readings())
    premise, last_ms = recorded.premise, arrived[-1].received_ms
    sheet = Sheet(
        "a",
        "A",
        premise.pitched_ms,
        must=premise.must,
        yeast=premise.yeast,
        other_sensors=tuple(sorted({one.sensor for one in arrived if not one.sensor.startswith("hand")})),
    )
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(sheet, at_ms=0)
        store.readings.commit(arrived)
        store.batches.end("a", ended_ms=last_ms, at_ms=last_ms)
        before = tell(store, "a", Analysis(), last_ms)
        raw = len(store.batches.readings("a"))
        store.retention.thin(RetentionPolicy(None, 1), now_ms=last_ms + 3 * MS_PER_DAY)
        assert len(store.batches.readings("a")) < 0.6 * raw
        after = tell(store, "a", Analysis(), last_ms)
    assert [one.phase for one in after.phases] == [one.phase for one in before.phases]
    for one, other in zip(after.phases, before.phases, strict=True):
        hours = 12 if one.phase is Phase.FINISHED else 1
        assert abs(one.at_ms - other.at_ms) <= hours * MS_PER_HOUR
