"""What is told of an alert that was over by mistake: that it fires, once, and then its end, once."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import text

from monitor.errors import DeliveryError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.notice import Notice
from monitor.notify.post import Backoff, CourierPolicy, Post
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR

FIRED = AlertChange(50, AlertKind.STALLED, AlertState.FIRING, 50, Severity.ACT, "It stands still.")
OVER = replace(FIRED, state=AlertState.RESOLVED, message="It goes on.")
STALLED = "Orchard session has stalled"
ENDED = "Orchard session does not count as stalled any more"
REMINDED = f"{STALLED} (reminder 1)"


class Channel:
    """A channel that may be down, with its work, on a clock that is set by hand."""

    name = "mail"
    carries_pictures = False

    def __init__(self, store: SqlStore) -> None:
        self.titles: list[str] = []
        self.up = True
        self._store = store
        self._now_ms = 1_000
        policy = CourierPolicy(backoff=Backoff(first_ms=10, least_ms=10))
        self._post = Post(store, self, now_ms=lambda: self._now_ms, share=lambda: 1.0, policy=policy)

    def send(self, notice: Notice) -> None:
        """Take it, or refuse it."""
        if not self.up:
            raise DeliveryError("down", retry=True)
        self.titles.append(notice.title)

    def hear(self, change: AlertChange, *, later_ms: int = 100) -> list[str]:
        """The pipeline says something, again if it says that it fires; the titles of all that arrived."""
        self._now_ms += later_ms
        again = change.state is AlertState.FIRING
        said = replace(change, at_ms=self._now_ms)
        self._store.alerts.record(
            "orchard-session", said, channels=("mail",), now_ms=self._now_ms, again=again
        )
        return self.look()

    def look(self) -> list[str]:
        """The channel works; the titles of all that arrived."""
        self._now_ms += 10
        self._post.deliver()
        return self.titles


@pytest.fixture
def channel(store: SqlStore) -> Channel:
    """The channel."""
    return Channel(store)


def test_each_end_is_told_once(channel: Channel) -> None:
    """However often it fires again: who was told that it does is told of its end."""
    for change in (FIRED, OVER, FIRED, OVER, FIRED, OVER):
        channel.hear(change)
    assert channel.titles == [STALLED, ENDED, REMINDED, ENDED, f"{STALLED} (reminder 2)", ENDED]


def test_it_is_told_at_once_where_a_reminder_waited_for_tomorrow(channel: Channel) -> None:
    """Who was told that it is over does not wait a day to hear that it is not."""
    channel.hear(FIRED)
    channel.hear(OVER)
    assert channel.hear(FIRED) == [STALLED, ENDED, REMINDED]


def test_what_was_never_told_is_no_reminder(channel: Channel, store: SqlStore) -> None:
    """What came and went while the channel was down begins with its first notice, and its end comes."""
    channel.up = False
    channel.hear(FIRED)
    channel.hear(OVER)
    assert store.outbox.waiting() == []
    channel.up = True
    assert channel.hear(FIRED) == [STALLED]
    assert channel.hear(OVER) == [STALLED, ENDED]


def test_a_channel_that_is_new_is_told_first_too(channel: Channel, store: SqlStore) -> None:
    """It had no row of that alert: its first notice is no reminder."""
    store.alerts.record("orchard-session", FIRED, now_ms=900)
    store.alerts.record("orchard-session", OVER, now_ms=950)
    assert channel.hear(FIRED) == [STALLED]
    assert channel.hear(OVER) == [STALLED, ENDED]


def test_an_end_is_told_where_only_a_reminder_was(channel: Channel, store: SqlStore) -> None:
    """A store may hold such alerts, whose first notice was dropped and whose reminder went out."""
    channel.hear(FIRED)
    with store._gate.writing() as connection:
        connection.execute(
            text("UPDATE deliveries SET occasion = 'reminder', turn = 9 WHERE sent_ms IS NOT NULL")
        )
    assert channel.hear(OVER) == [STALLED, ENDED]


def test_no_second_end_without_a_beginning(channel: Channel, store: SqlStore) -> None:
    """Over again before anybody was told that it fires again: the last word stands."""
    channel.hear(FIRED)
    channel.hear(OVER)
    channel.up = False
    channel.hear(FIRED)
    channel.up = True
    assert channel.hear(OVER) == [STALLED, ENDED]
    assert store.outbox.waiting() == []


def test_reminders_go_on_in_their_order(channel: Channel) -> None:
    """After it fired again the next reminder comes a day later, under the next number."""
    for change in (FIRED, OVER, FIRED):
        channel.hear(change)
    channel.hear(FIRED, later_ms=24 * MS_PER_HOUR)
    assert channel.titles == [STALLED, ENDED, REMINDED, f"{STALLED} (reminder 2)"]
