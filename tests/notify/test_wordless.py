"""A notice that cannot be put into words is told plainly, or waits alone; it holds back no other."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, time

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import StoreUnavailableError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.digest import DailyAt
from monitor.notify.notice import Notice, Reason, notice_of
from monitor.notify.post import Backoff, CourierPolicy, Digest, Post
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Delivery
from monitor.units import MS_PER_HOUR

POLICY = CourierPolicy(backoff=Backoff(first_ms=10_000, least_ms=10_000))
STALLED = AlertKind.STALLED


class Box:
    """A channel that collects."""

    name = "mail"
    carries_pictures = False

    def __init__(self) -> None:
        self.got: list[Notice] = []

    def send(self, notice: Notice) -> None:
        """Take it."""
        self.got.append(notice)

    @property
    def titles(self) -> list[str]:
        """What was taken."""
        return [notice.title for notice in self.got]


class Cellar:
    """Two batches, `shed` has no words for its alerts while `faulty`; on a clock that is set by hand."""

    def __init__(self, store: SqlStore, digest: Digest | None = None, *, mute: bool = False) -> None:
        """Where it is `mute` the plain words for `shed` fail as the full ones do."""
        self.store = store
        self.now_ms = 30 * MS_PER_HOUR
        self.faulty: type[Exception] | None = ValueError
        self.box = Box()
        self.post = Post(
            store,
            self.box,
            now_ms=lambda: self.now_ms,
            share=lambda: 1.0,
            policy=POLICY,
            compose=self.words,
            plain=self.words if mute else notice_of,
            digest=digest,
        )

    def words(self, delivery: Delivery, sheet: Sheet | None, reason: Reason) -> Notice:
        """The plain words, where there are any."""
        if delivery.alert.batch == "shed" and self.faulty is not None:
            raise self.faulty("a fault of ours")
        return notice_of(delivery, sheet, reason)

    def fire(self, slug: str, kind: AlertKind = STALLED, severity: Severity = Severity.ACT) -> None:
        """An alert of a batch begins now."""
        change = AlertChange(self.now_ms, kind, AlertState.FIRING, self.now_ms, severity, "It says why.")
        self.store.alerts.record(slug, change, channels=("mail",), now_ms=self.now_ms)

    def later(self, by_ms: int) -> list[str]:
        """Time passes and the channel works; the titles of all that arrived."""
        self.now_ms += by_ms
        self.post.deliver()
        return self.box.titles


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with the two batches."""
    with SqlStore(StoreOptions("sqlite://")) as opened:
        for name in ("Porch", "Shed"):
            opened.batches.start(Sheet(name.lower(), name, 0), at_ms=0)
        yield opened


@pytest.fixture
def mute(store: SqlStore) -> Cellar:
    """A cellar in which plain words for `shed` fail as the full ones do."""
    return Cellar(store, mute=True)


def test_what_cannot_be_worked_out_is_left_out(store: SqlStore) -> None:
    """Where the full words fail the notice goes out in plain ones, and the channel is in no trouble."""
    cellar = Cellar(store)
    cellar.fire("shed", AlertKind.REFERMENTING, Severity.DANGER)
    assert cellar.later(0) == ["DANGER: Shed ferments again"]
    assert cellar.post.trouble is None


@pytest.mark.parametrize("kind", [STALLED, AlertKind.TEMPERATURE_LOW])
def test_one_without_words_holds_back_no_other(mute: Cellar, kind: AlertKind) -> None:
    """Even a danger: it waits for its next try, and others are told, also those that it was to go with."""
    mute.fire("shed", severity=Severity.DANGER if kind is not STALLED else Severity.ACT)
    mute.fire("porch", kind)
    assert len(mute.later(0)) == 1
    assert mute.box.titles[0].startswith("Porch ")
    (waiting,) = mute.store.outbox.due(mute.now_ms + 10_000)
    assert (waiting.alert.batch, waiting.attempts, waiting.due_ms) == ("shed", 1, mute.now_ms + 10_000)
    assert "ValueError" in waiting.last_error


def test_its_channel_is_in_trouble_until_it_is_told(mute: Cellar) -> None:
    """Since the first try, whatever else gets through meanwhile; and no longer than it lasts."""
    mute.fire("shed")
    began_ms = mute.now_ms
    mute.later(0)
    mute.fire("porch")
    assert mute.later(10_000) == ["Porch has stalled"]
    trouble = mute.post.trouble
    assert trouble is not None
    assert (trouble.channel, trouble.since_ms) == ("mail", began_ms)
    assert "cannot be put into words" in trouble.error
    assert (mute.post.counts.sent, mute.post.counts.failed) == (1, 2)
    mute.faulty = None
    assert mute.later(20_000) == ["Porch has stalled", "Shed has stalled"]
    assert mute.post.trouble is None


def test_its_trouble_ends_where_it_need_not_be_told_any_more(mute: Cellar) -> None:
    """Once somebody has seen the alert, nothing waits and nothing is amiss."""
    mute.fire("shed")
    mute.later(0)
    mute.store.alerts.acknowledge(mute.store.alerts.listed()[0].id, at_ms=mute.now_ms)
    assert mute.later(10_000) == []
    assert mute.post.trouble is None


def test_a_store_that_fails_is_no_fault_of_the_words(mute: Cellar) -> None:
    """It counts as no try: the whole channel waits for the store."""
    mute.faulty = StoreUnavailableError
    mute.fire("shed")
    with pytest.raises(StoreUnavailableError):
        mute.later(0)
    assert [one.attempts for one in mute.store.outbox.waiting()] == [0]
    assert mute.post.trouble is None


def test_a_digest_without_words_is_tried_again(store: SqlStore) -> None:
    """It waits like any other, its channel is in trouble meanwhile, and it comes when it can."""
    faults: list[Exception] = [ValueError("a fault of ours")]

    def digest(_batches: frozenset[str]) -> Notice:
        if faults:
            raise faults.pop()
        return Notice("All is well", "b", Severity.NOTE)

    cellar = Cellar(store, Digest(DailyAt(time(8), UTC), digest))
    assert cellar.later(0) == []
    assert cellar.later(2 * MS_PER_HOUR) == []
    assert cellar.post.trouble is not None
    assert cellar.post.next_due_ms() == cellar.now_ms + 10_000
    assert cellar.later(10_000) == ["All is well"]
    assert cellar.post.trouble is None
