"""Members that share the judging in a real PostgreSQL, in one process, on a clock set by hand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

import pytest
from sqlalchemy import text

from monitor.batch.sheet import Sheet
from monitor.errors import StoreUnavailableError
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import Reading
from monitor.ferment.premise import Yeast
from monitor.onlooker import Onlooker
from monitor.shift import HEARD_MARK, Shift, ShiftPolicy
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity
from monitor.watch import Watch, WatchPolicy

from .frail import FrailStore

PITCHED_MS = 1_767_463_200_000
BATCHES = 6
BROKE = StoreUnavailableError("the connection broke")
AT_ONCE = ShiftPolicy(claim_s=0.0, feed_s=0.0, seal_s=0.0)


class Member:
    """One process that judges, as far as the database can tell."""

    def __init__(self, url: str, name: str) -> None:
        self.frail = FrailStore(SqlStore(StoreOptions(url)))
        self.store = cast(SqlStore, self.frail)
        self.published: list[str] = []
        self.watch = Watch(
            self.store,
            WatchPolicy(channels=("phone",), shared=True),
            publish=lambda topic, _payload: self.published.append(topic),
        )
        self.shift = Shift(self.store, self.watch, policy=AT_ONCE, name=name)
        self.shift.start()

    def turn(self, now_ms: int, rounds: int = BATCHES + 1) -> None:
        """As many rounds as it takes to open everything."""
        for _ in range(rounds):
            self.shift.turn(now_ms)

    def close(self) -> None:
        """End in an orderly way."""
        self.shift.stop()
        self.store.close()


@pytest.fixture
def members(server_url: str) -> Iterator[list[Member]]:
    """Two members over a store with six batches that want 14 to 24 degC."""
    with SqlStore(StoreOptions(server_url)) as store:
        for number in range(BATCHES):
            sheet = Sheet(
                f"batch-{number}",
                f"Batch {number}",
                PITCHED_MS,
                yeast=Yeast((14.0, 24.0)),
                gravity_sensor=f"float-{number}",
                temperature_sensor=f"float-{number}",
            )
            store.batches.start(sheet, at_ms=PITCHED_MS)
    made = [Member(server_url, "first"), Member(server_url, "second")]
    yield made
    for member in made:
        member.close()


def _store_hour(store: SqlStore, hour: int, temperature_c: float = 5.0) -> int:
    """An hour's readings of all batches as a daemon stores them, and the mark that all was heard."""
    at_ms = PITCHED_MS + hour * MS_PER_HOUR
    found = []
    for number in range(BATCHES):
        found.append(Reading(f"float-{number}", Quantity.GRAVITY, at_ms, 1.040, at_ms))
        found.append(Reading(f"float-{number}", Quantity.TEMPERATURE, at_ms, temperature_c, at_ms))
    store.readings.commit(found)
    store.changes.set_mark(HEARD_MARK, at_ms + 1)
    return at_ms + 1


def _lapse(store: SqlStore, name: str) -> None:
    with store._gate.claiming() as connection:
        connection.execute(text("UPDATE members SET lease_until_ms = 0 WHERE name = :name"), {"name": name})


def _told(store: SqlStore) -> list[str]:
    return sorted(
        one.alert.batch for one in store.outbox.waiting() if one.alert.kind is AlertKind.TEMPERATURE_LOW
    )


def test_batches_are_shared_evenly(members: list[Member]) -> None:
    """One member has all; when a second comes it gives half back; when that one leaves it has all again."""
    first, second = members
    second.shift.stop()
    first.turn(PITCHED_MS)
    assert len(first.shift.mine) == BATCHES
    second.store.claims.beat("second", 60_000)
    first.turn(PITCHED_MS, 1)
    second.turn(PITCHED_MS)
    assert len(first.shift.mine) == len(second.shift.mine) == BATCHES // 2
    assert not first.shift.mine & second.shift.mine
    second.store.claims.leave("second")
    first.turn(PITCHED_MS)
    assert len(first.shift.mine) == BATCHES


def test_each_alert_is_told_once_whoever_judges(members: list[Member]) -> None:
    """A cold night over six batches and two members: six alerts, six deliveries, one a batch."""
    for hour in range(6):
        now_ms = _store_hour(members[0].store, hour)
        for member in members:
            member.turn(now_ms)
    assert _told(members[0].store) == [f"batch-{number}" for number in range(BATCHES)]


def test_a_dead_members_batches_go_on_where_they_were(members: list[Member]) -> None:
    """It dies amid the dwell of an alert; the other fires it at the hour at which it was due."""
    first, second = members
    for hour in range(3):
        now_ms = _store_hour(first.store, hour)
        for member in members:
            member.turn(now_ms)
    dead = second.shift.mine
    second.shift.stop()
    second.store.claims.beat("second", 1)  # as if it had not said goodbye
    _lapse(first.store, "second")
    for hour in range(3, 6):
        first.turn(_store_hour(first.store, hour))
    assert first.shift.mine >= dead
    assert _told(first.store) == [f"batch-{number}" for number in range(BATCHES)]
    fired = {one.fired_ms for one in first.store.alerts.listed() if one.kind is AlertKind.TEMPERATURE_LOW}
    assert len(fired) == 1


def test_a_member_that_slept_through_its_lease_tells_nothing(members: list[Member]) -> None:
    """It wakes with readings to judge, but its batches are another's: it drops them; each is told once."""
    first, second = members
    for hour in range(3):
        now_ms = _store_hour(first.store, hour)
        for member in members:
            member.turn(now_ms)
    asleep, told = second.shift.mine, set()
    assert asleep
    second.shift._stopping.set()  # no beat while it sleeps
    second.shift._beating.join(10.0)
    _lapse(first.store, "second")
    first.turn(now_ms)
    # it has not looked at its claims yet when it judges: the store refuses what it would write
    second.shift._due["claim"] = float("inf")
    for hour in range(3, 6):
        now_ms = _store_hour(first.store, hour)
        second.shift.feed(now_ms)
        assert not {one.batch for one in first.store.alerts.listed()} & (asleep - told)
        first.turn(now_ms)
        told = {one.batch for one in first.store.alerts.listed()}
    assert not second.watch.snapshots.keys() & asleep
    assert _told(first.store) == [f"batch-{number}" for number in range(BATCHES)]


def test_what_another_judged_can_be_seen(members: list[Member]) -> None:
    """An onlooker has the snapshot and the phases of every batch, as its judge has them, and forgets."""
    for hour in range(5):
        now_ms = _store_hour(members[0].store, hour)
        for member in members:
            member.turn(now_ms)
    onlooker = Onlooker(members[0].store)
    assert set(onlooker.refreshed()) == {f"batch-{number}" for number in range(BATCHES)}
    for member in members:
        for slug in member.shift.mine:
            assert repr(onlooker.snapshots[slug]) == repr(member.watch.snapshots[slug])
            assert tuple(onlooker.phases(slug)) == member.watch.phases(slug)
    assert onlooker.refresh() == []
    onlooker.forget_all_but({"batch-0"})
    assert set(onlooker.snapshots) == {"batch-0"}


def test_a_batch_that_ended_while_nobody_watched_is_put_in_order(members: list[Member]) -> None:
    """Its alerts are withdrawn and its standing dropped by whoever claims it next, and nobody holds it."""
    first = members[0]
    for hour in range(6):
        now_ms = _store_hour(first.store, hour)
        for member in members:
            member.turn(now_ms)
    for member in members:
        member.shift.stop()
    first.store.batches.end("batch-0", ended_ms=now_ms, at_ms=now_ms)
    third = Member(first.store._gate.options.url, "third")
    third.turn(now_ms)
    assert not first.store.alerts.listed(batch="batch-0", only_firing=True)
    assert "batch-0" not in {one.batch for one in first.store.standings.listed()}
    third.turn(now_ms)
    assert "batch-0" not in third.shift.mine
    third.close()


@pytest.mark.parametrize("done", [False, True])
def test_what_was_claimed_without_an_answer_is_judged(members: list[Member], *, done: bool) -> None:
    """A claim that the database has and its member never heard of is taken up at the next round."""
    first, second = members
    second.shift.stop()
    first.frail.fail_next("claims", "take", BROKE, done=done)
    with pytest.raises(StoreUnavailableError):
        first.turn(PITCHED_MS)
    first.turn(PITCHED_MS)
    assert len(first.shift.mine) == len(first.watch.snapshots) == BATCHES


@pytest.mark.parametrize("done", [False, True])
def test_what_could_not_be_given_back_is_judged_or_given_back_later(
    members: list[Member], *, done: bool
) -> None:
    """The call that gives back breaks off: each batch is judged by one of the two all the same."""
    first, second = members
    second.shift.stop()
    first.turn(PITCHED_MS)
    second.store.claims.beat("second", 60_000)
    first.frail.fail_next("claims", "give_back", BROKE, done=done)
    with pytest.raises(StoreUnavailableError):
        first.turn(PITCHED_MS)
    first.turn(PITCHED_MS)
    second.turn(PITCHED_MS)
    assert len(first.shift.mine) == len(second.shift.mine) == BATCHES // 2
    assert not first.shift.mine & second.shift.mine
    for member in members:
        assert member.watch.snapshots.keys() == member.shift.mine


def test_a_lease_that_ran_out_while_nobody_else_was_there_loses_nothing(members: list[Member]) -> None:
    """The store refuses what is judged meanwhile; once the lease is renewed it is judged again, and told."""
    first, second = members
    second.shift.stop()
    for hour in range(3):
        first.turn(_store_hour(first.store, hour))
    first.shift._stopping.set()  # no beat meanwhile
    first.shift._beating.join(10.0)
    _lapse(first.store, "first")
    for hour in range(3, 6):
        first.shift.feed(_store_hour(first.store, hour))
    assert first.watch.snapshots.keys() < first.shift.mine
    for hour in range(6, 9):  # found out late: told if it still holds
        first.turn(_store_hour(first.store, hour))
    assert first.watch.snapshots.keys() == first.shift.mine
    assert _told(first.store) == [f"batch-{number}" for number in range(BATCHES)]
