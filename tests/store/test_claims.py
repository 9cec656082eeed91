"""Claims on batches in a real PostgreSQL: one judge a batch, and no write by one that has lost it."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from sqlalchemy import text

from monitor.batch.sheet import Sheet
from monitor.errors import ClaimLostError, StoreError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Checkpoint, Claim, StoredStanding

LONG_MS = 60_000
COLD = AlertChange(1_000, AlertKind.TEMPERATURE_LOW, AlertState.FIRING, 1_000, Severity.ACT, "cold")


@pytest.fixture
def shared(server_url: str) -> Iterator[SqlStore]:
    """A store on PostgreSQL with four open batches."""
    with SqlStore(StoreOptions(server_url)) as opened:
        for number in range(4):
            opened.batches.start(Sheet(f"batch-{number}", f"Batch {number}", pitched_ms=0), at_ms=0)
        yield opened


def _lapse(store: SqlStore, member: str) -> None:
    """The lease of a member ends, as it does when nobody renews it."""
    with store._gate.claiming() as connection:
        connection.execute(text("UPDATE members SET lease_until_ms = 0 WHERE name = :m"), {"m": member})


def _taken_over(store: SqlStore) -> tuple[Claim, Claim]:
    """The claim of one member on a batch, and that of the member which has taken it over."""
    store.claims.beat("first", LONG_MS)
    (before,) = store.claims.take("first", 1)
    _lapse(store, "first")
    store.claims.beat("second", LONG_MS)
    after = next(claim for claim in store.claims.take("second", 4) if claim.batch == before.batch)
    return before, after


def test_a_batch_is_claimed_by_one_member(shared: SqlStore) -> None:
    """What one has another does not get, and the roll tells who holds what."""
    shared.claims.beat("first", LONG_MS)
    shared.claims.beat("second", LONG_MS)
    first = shared.claims.take("first", 3)
    second = shared.claims.take("second", 3)
    assert [claim.batch for claim in first] == ["batch-0", "batch-1", "batch-2"]
    assert [claim.batch for claim in second] == ["batch-3"]
    roll = shared.claims.beat("second", LONG_MS)
    assert (roll.members, roll.batches, roll.held) == (2, 4, second)


def test_members_that_claim_at_once_get_different_batches(shared: SqlStore) -> None:
    """Eight threads, each for one batch: four get one, no batch twice, nobody waits for another."""
    names = [f"member-{number}" for number in range(8)]
    for name in names:
        shared.claims.beat(name, LONG_MS)
    ready = threading.Barrier(len(names), timeout=10)
    taken: list[Claim] = []

    def claim(name: str) -> None:
        ready.wait()
        taken.extend(shared.claims.take(name, 1))

    threads = [threading.Thread(target=claim, args=(name,)) for name in names]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # a member that found all rows locked at that moment got none: it asks again
    for name in names:
        taken.extend(shared.claims.take(name, 1))
    assert sorted(claim.batch for claim in taken) == [f"batch-{number}" for number in range(4)]


def test_a_batch_changes_hands_once_its_member_is_silent(shared: SqlStore) -> None:
    """Not before the lease has ended; then with a higher epoch."""
    shared.claims.beat("first", LONG_MS)
    first = shared.claims.take("first", 4)
    shared.claims.beat("second", LONG_MS)
    assert shared.claims.take("second", 4) == ()
    _lapse(shared, "first")
    second = shared.claims.take("second", 4)
    assert [(claim.batch, claim.epoch) for claim in second] == [
        (claim.batch, claim.epoch + 1) for claim in first
    ]
    assert shared.claims.beat("first", LONG_MS).held == ()


def test_the_lease_ends_by_the_clock_of_the_database(shared: SqlStore) -> None:
    """A lease of no length is over at once, without anybody touching it."""
    shared.claims.beat("first", 0)
    shared.claims.take("first", 4)
    shared.claims.beat("second", LONG_MS)
    assert len(shared.claims.take("second", 4)) == 4


def test_who_has_lost_a_batch_can_write_no_alert(shared: SqlStore) -> None:
    """The alert and its delivery are refused whole; the new judge's are kept, once."""
    before, after = _taken_over(shared)
    with pytest.raises(ClaimLostError):
        shared.alerts.record(before.batch, COLD, channels=["phone"], now_ms=5, claim=before)
    assert shared.alerts.listed() == []
    assert shared.outbox.waiting() == []
    alert = shared.alerts.record(before.batch, COLD, channels=["phone"], now_ms=5, claim=after)
    assert alert is not None
    with pytest.raises(ClaimLostError):
        shared.alerts.withdraw(alert.id, at_ms=9, why="nothing", claim=before)
    assert shared.alerts.get(alert.id).state is AlertState.FIRING
    assert len(shared.outbox.waiting()) == 1


def test_who_has_lost_a_batch_writes_no_standing_and_no_checkpoint(shared: SqlStore) -> None:
    """What the new judge wrote stays; of other batches in the same call what is held is kept."""
    before, after = _taken_over(shared)
    newer = StoredStanding(before.batch, 9, {"phase": "active"})
    shared.standings.put([newer], claims=[after])
    shared.standings.put([StoredStanding(before.batch, 5, {"phase": "lag"})], claims=[before])
    assert shared.standings.listed() == [newer]
    aside = Checkpoint(before.batch, "d", 1, 0, 0, b"old")
    shared.checkpoints.put([aside], changes_seen=shared.changes.position(), claims=[before])
    assert shared.checkpoints.get(before.batch) is None
    shared.checkpoints.put([aside], changes_seen=shared.changes.position(), claims=[after])
    assert shared.checkpoints.get(before.batch) == aside


def test_a_member_whose_lease_has_ended_cannot_write_even_if_nobody_took_over(shared: SqlStore) -> None:
    """Somebody may just be about to; once it renews the lease it can again."""
    shared.claims.beat("first", LONG_MS)
    (claim, *_) = shared.claims.take("first", 4)
    _lapse(shared, "first")
    with pytest.raises(ClaimLostError):
        shared.alerts.record(claim.batch, COLD, now_ms=5, claim=claim)
    shared.claims.beat("first", LONG_MS)
    assert shared.alerts.record(claim.batch, COLD, now_ms=5, claim=claim) is not None


def test_a_batch_does_not_change_hands_amid_a_write(shared: SqlStore) -> None:
    """While a judge writes under its claim, others pass the batch over, however late its lease."""
    shared.claims.beat("first", LONG_MS)
    (claim, *_) = shared.claims.take("first", 4)
    shared.claims.beat("second", LONG_MS)
    with shared._gate.writing() as connection:
        from monitor.store.claims import hold

        hold(connection, claim)
        _lapse(shared, "first")
        assert claim.batch not in {one.batch for one in shared.claims.take("second", 4)}
    assert claim.batch in {one.batch for one in shared.claims.take("second", 4)}


def test_what_is_given_back_or_left_is_free_at_once(shared: SqlStore) -> None:
    """A member that ends in an orderly way lets nobody wait for its lease."""
    shared.claims.beat("first", LONG_MS)
    first = shared.claims.take("first", 4)
    shared.claims.beat("second", LONG_MS)
    shared.claims.give_back(first[:1])
    assert [claim.batch for claim in shared.claims.take("second", 4)] == ["batch-0"]
    shared.claims.leave("first")
    assert len(shared.claims.take("second", 4)) == 3
    assert shared.claims.beat("second", LONG_MS).members == 1


def test_a_settled_batch_is_claimed_no_more(shared: SqlStore) -> None:
    """A batch that ended unwatched is claimed once more, put in order, and then by nobody."""
    shared.claims.beat("first", LONG_MS)
    (claim, *_) = shared.claims.take("first", 4)
    shared.claims.leave("first")
    shared.batches.end(claim.batch, ended_ms=5, at_ms=5)
    shared.claims.beat("second", LONG_MS)
    again = next(one for one in shared.claims.take("second", 4) if one.batch == claim.batch)
    shared.claims.settle(again)
    shared.claims.leave("second")
    shared.claims.beat("third", LONG_MS)
    assert claim.batch not in {one.batch for one in shared.claims.take("third", 4)}


def test_sqlite_says_that_it_cannot_be_shared(file_url: str) -> None:
    """There is one process, and it needs no claim."""
    with SqlStore(StoreOptions(file_url)) as store:
        assert not store.claims.shared
        with pytest.raises(StoreError, match="PostgreSQL only"):
            store.claims.beat("first", LONG_MS)
