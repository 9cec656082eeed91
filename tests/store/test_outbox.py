"""The outbox: the contract of every engine."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.store.sql import SqlStore
from monitor.store.values import Delivery, Occasion

FIRED = AlertChange(50, AlertKind.FINISHED, AlertState.FIRING, 50, Severity.ACT, "it is finished")
RESOLVED = replace(FIRED, at_ms=90, state=AlertState.RESOLVED, message="it is not")


@pytest.fixture
def due(store: SqlStore, orchard: Sheet) -> Delivery:
    """A delivery to `mail` that is due since 60; one to `phone` stands beside it."""
    store.alerts.record(orchard.slug, FIRED, channels=["mail", "phone"], now_ms=60)
    return store.outbox.due(60, channel="mail")[0]


def test_due_from_the_moment_it_was_kept(store: SqlStore, due: Delivery) -> None:
    """Nothing is due before, each channel has its own row, and the row holds the whole alert."""
    assert store.outbox.due(59) == []
    assert [one.channel for one in store.outbox.due(60)] == ["mail", "phone"]
    assert (due.alert.message, due.occasion, due.turn, due.attempts) == (
        "it is finished",
        Occasion.FIRING,
        0,
        0,
    )
    assert not due.told


def test_sent_is_settled(store: SqlStore, due: Delivery) -> None:
    """What one channel has accepted is not due there any more; the other channel still waits."""
    store.outbox.mark_sent(due, at_ms=70)
    assert [one.channel for one in store.outbox.waiting()] == ["phone"]
    assert store.outbox.next_due_ms("mail") is None
    assert store.outbox.next_due_ms() == 60


def test_a_failure_is_tried_again_later(store: SqlStore, due: Delivery) -> None:
    """Attempts and the last error are kept, and the time of the next try is obeyed."""
    store.outbox.mark_failed(due.id, error="refused", next_due_ms=100)
    store.outbox.mark_failed(due.id, error="x" * 5_000, next_due_ms=200)
    assert store.outbox.due(199, channel="mail") == []
    again = store.outbox.due(200, channel="mail")[0]
    assert (again.attempts, len(again.last_error)) == (2, 500)


def test_postponing_is_no_attempt(store: SqlStore, due: Delivery) -> None:
    """A notice that is held back counts no failure."""
    store.outbox.postpone(due.id, due_ms=500)
    assert store.outbox.next_due_ms("mail") == 500
    assert store.outbox.due(500, channel="mail")[0].attempts == 0


def test_dropped_is_settled(store: SqlStore, due: Delivery) -> None:
    """What is dropped is never due again."""
    store.outbox.drop(due.id, why="acknowledged", at_ms=70)
    assert store.outbox.due(10**12, channel="mail") == []


def test_told_is_known_by_channel(store: SqlStore, orchard: Sheet, due: Delivery) -> None:
    """The end knows of each channel whether the beginning was accepted there."""
    store.outbox.mark_sent(due, at_ms=70)
    store.alerts.record(orchard.slug, RESOLVED, channels=["mail", "phone"], now_ms=95)
    ends = [one for one in store.outbox.waiting() if one.occasion is Occasion.RESOLVED]
    assert [(one.channel, one.told) for one in ends] == [("mail", True), ("phone", False)]


def test_reminders_follow_one_another(store: SqlStore, due: Delivery) -> None:
    """Each notice sent may leave a reminder, numbered, and marking it twice leaves one."""
    store.outbox.mark_sent(due, at_ms=70, remind_at_ms=170)
    store.outbox.mark_sent(due, at_ms=70, remind_at_ms=170)
    (first,) = store.outbox.due(170, channel="mail")
    assert (first.occasion, first.turn, first.told) == (Occasion.REMINDER, 1, True)
    store.outbox.mark_sent(first, at_ms=171, remind_at_ms=271)
    assert [(one.occasion, one.turn) for one in store.outbox.due(271, channel="mail")] == [
        (Occasion.REMINDER, 2)
    ]


def test_channels_that_are_gone_leave_nothing_behind(store: SqlStore, due: Delivery) -> None:
    """What waits for a channel that is configured no more is dropped."""
    assert store.outbox.drop_channels_but(["phone"], at_ms=70) == 1
    assert [one.channel for one in store.outbox.waiting()] == ["phone"]
    assert store.outbox.drop_channels_but([], at_ms=70) == 1


def test_only_settled_rows_of_old_alerts_are_forgotten(
    store: SqlStore, orchard: Sheet, due: Delivery
) -> None:
    """Pruning keeps what is open and what belongs to an alert that still fires."""
    store.outbox.mark_sent(due, at_ms=70)
    assert store.outbox.prune(10**12) == 0
    store.alerts.record(orchard.slug, RESOLVED, now_ms=95)
    assert store.outbox.prune(90) == 0
    assert store.outbox.prune(91) == 1
    assert [one.channel for one in store.outbox.waiting()] == ["phone"]


def test_the_longest_due_comes_first(store: SqlStore, orchard: Sheet) -> None:
    """A backlog is worked off in order of due time, in pieces."""
    for late in (300, 100, 200):
        store.alerts.record(
            orchard.slug, replace(FIRED, at_ms=late, fired_ms=late), channels=["mail"], now_ms=late
        )
    assert [one.due_ms for one in store.outbox.due(1_000, limit=2)] == [100, 200]


def test_a_delivery_is_reserved_once(store: SqlStore, due: Delivery) -> None:
    """Of two that would send it one may; if that one dies it falls due again; what is sent is had by none."""
    assert store.outbox.reserve(due, until_ms=500)
    assert not store.outbox.reserve(due, until_ms=600)
    assert store.outbox.due(499, channel="mail") == []
    (again,) = store.outbox.due(500, channel="mail")
    assert store.outbox.reserve(again, until_ms=900)
    store.outbox.mark_sent(again, at_ms=501)
    assert not store.outbox.reserve(replace(again, due_ms=900), until_ms=1_000)
