"""Delivery from the outbox."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import DeliveryError, StoreUnavailableError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.delivery import Courier
from monitor.notify.notice import Notice, RepeatPolicy
from monitor.notify.post import Backoff, CourierPolicy, Post
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR

POLICY = CourierPolicy(
    backoff=Backoff(first_ms=10_000, ceiling_ms=60_000, least_ms=1_000),
    repeat=RepeatPolicy(act_hours=24.0, danger_hours=4.0),
    tell_others_after=3,
)
BUSY = DeliveryError("mail is busy", retry=True)


@dataclass
class Clock:
    """A clock that stands until it is set."""

    ms: int = 1_000_000

    def __call__(self) -> int:
        """The time."""
        return self.ms


@dataclass
class Letterbox:
    """A channel that collects notices, or raises the errors that it was given, in turn."""

    name: str = "mail"
    got: list[Notice] = field(default_factory=list)
    down: list[Exception] = field(default_factory=list)
    tries: int = 0
    tried: threading.Event = field(default_factory=threading.Event)
    arrived: threading.Event = field(default_factory=threading.Event)

    def send(self, notice: Notice) -> None:
        """Take a notice or raise."""
        self.tries += 1
        self.tried.set()
        if self.down:
            raise self.down.pop(0)
        self.got.append(notice)
        self.arrived.set()

    @property
    def titles(self) -> list[str]:
        """What was taken."""
        return [notice.title for notice in self.got]


@pytest.fixture
def clock() -> Clock:
    """A clock that stands."""
    return Clock()


@pytest.fixture
def box() -> Letterbox:
    """A channel named mail."""
    return Letterbox()


@pytest.fixture
def post(store: SqlStore, clock: Clock, box: Letterbox) -> Post:
    """The work on that channel; waits after failures are the whole span."""
    return Post(store, box, now_ms=clock, share=lambda: 1.0, policy=POLICY)


Fire = Callable[..., AlertChange]


@pytest.fixture
def fire(store: SqlStore, clock: Clock) -> Fire:
    """Begins or ends an alert now, to be told to `mail`."""

    def tell(
        kind: AlertKind = AlertKind.STALLED,
        severity: Severity = Severity.ACT,
        *,
        ends: AlertChange | None = None,
        channels: tuple[str, ...] = ("mail",),
    ) -> AlertChange:
        if ends is None:
            change = AlertChange(clock.ms, kind, AlertState.FIRING, clock.ms, severity, "It stands still.")
        else:
            change = AlertChange(
                clock.ms, ends.kind, AlertState.RESOLVED, ends.fired_ms, ends.severity, "It goes on."
            )
        store.alerts.record("orchard-session", change, channels=channels, now_ms=clock.ms)
        return change

    return tell


class TestBackoff:
    """Waiting after failures."""

    @given(st.integers(0, 10_000), st.floats(0, 1))
    def test_between_its_bounds(self, attempts: int, share: float) -> None:
        """However many failures, the wait is neither nothing nor for ever."""
        assert 1_000 <= POLICY.backoff.delay_ms(attempts, share) <= 60_000

    def test_the_span_doubles_and_the_share_is_of_all_of_it(self) -> None:
        """Full jitter: the wait is a random share of the whole doubling span."""
        backoff = POLICY.backoff
        assert [backoff.delay_ms(n, 1.0) for n in range(5)] == [10_000, 20_000, 40_000, 60_000, 60_000]
        assert [backoff.delay_ms(n, 0.25) for n in range(5)] == [2_500, 5_000, 10_000, 15_000, 15_000]
        assert backoff.delay_ms(3, 0.0) == 1_000


class TestPost:
    """One channel, step by step on a clock that stands."""

    def test_told_once(self, post: Post, box: Letterbox, fire: Fire) -> None:
        """What was accepted is not sent again."""
        fire()
        post.deliver()
        post.deliver()
        assert box.titles == ["Orchard session has stalled"]

    def test_a_failure_is_tried_again_when_its_wait_is_over(
        self, post: Post, box: Letterbox, clock: Clock, fire: Fire
    ) -> None:
        """Not a millisecond before; and the wait doubles."""
        box.down = [BUSY, BUSY]
        fire()
        post.deliver()
        for wait_ms, tries in ((9_999, 1), (1, 2), (19_999, 2), (1, 3)):
            clock.ms += wait_ms
            post.deliver()
            assert box.tries == tries
        assert len(box.got) == 1

    def test_an_error_that_lasts_is_logged_once(
        self, post: Post, box: Letterbox, clock: Clock, fire: Fire, caplog: pytest.LogCaptureFixture
    ) -> None:
        """An outage is one line, another error another, the recovery one more."""
        box.down = [BUSY, BUSY, BUSY, DeliveryError("mail is shut", retry=True)]
        fire()
        with caplog.at_level(logging.INFO, "monitor.notify.delivery"):
            for _ in range(5):
                post.deliver()
                clock.ms += 60_000
        assert [record.getMessage() for record in caplog.records] == [
            "channel mail: mail is busy",
            "channel mail: mail is shut",
            "channel mail accepts notices again",
        ]
        assert post.trouble is None

    def test_trouble_knows_since_when(self, post: Post, box: Letterbox, clock: Clock, fire: Fire) -> None:
        """While a channel does not accept, its trouble says since when and why."""
        box.down = [BUSY, BUSY]
        fire()
        began = clock.ms
        post.deliver()
        clock.ms += 10_000
        post.deliver()
        assert post.trouble is not None
        assert (post.trouble.since_ms, post.trouble.error) == (began, "mail is busy")

    def test_what_makes_no_sense_to_repeat_is_dropped(
        self, post: Post, box: Letterbox, store: SqlStore, fire: Fire
    ) -> None:
        """A refusal for good ends the delivery."""
        box.down = [DeliveryError("no such address", retry=False)]
        fire()
        post.deliver()
        assert store.outbox.waiting() == []
        assert box.tries == 1

    def test_the_end_follows_the_beginning(
        self, post: Post, box: Letterbox, clock: Clock, fire: Fire
    ) -> None:
        """Beginning and end are told in that order, once each."""
        begun = fire()
        post.deliver()
        clock.ms += 5
        fire(ends=begun)
        post.deliver()
        assert box.titles == [
            "Orchard session has stalled",
            "Orchard session does not count as stalled any more",
        ]

    def test_no_end_of_what_was_never_told(
        self, post: Post, box: Letterbox, clock: Clock, store: SqlStore, fire: Fire
    ) -> None:
        """An alert that came and went while the channel was down is told neither way."""
        box.down = [BUSY]
        begun = fire()
        post.deliver()
        clock.ms += 10_000
        fire(ends=begun)
        post.deliver()
        assert box.got == []
        assert store.outbox.waiting() == []

    def test_reminded_until_acknowledged(
        self, post: Post, box: Letterbox, clock: Clock, store: SqlStore, fire: Fire
    ) -> None:
        """A reminder comes at each interval, and none after somebody has seen it."""
        fire()
        post.deliver()
        for number in (1, 2):
            clock.ms += 24 * MS_PER_HOUR - 1
            post.deliver()
            assert len(box.got) == number
            clock.ms += 1
            post.deliver()
            assert box.titles[-1] == f"Orchard session has stalled (reminder {number})"
        store.alerts.acknowledge(store.alerts.listed()[0].id, at_ms=clock.ms)
        clock.ms += 48 * MS_PER_HOUR
        post.deliver()
        assert len(box.got) == 3
        assert store.outbox.waiting() == []

    def test_a_note_is_told_once_and_a_danger_often(
        self, post: Post, box: Letterbox, clock: Clock, fire: Fire
    ) -> None:
        """In a day a note comes once, a danger at once and then every four hours."""
        fire(AlertKind.NUTRIENT_DUE, Severity.NOTE)
        fire(AlertKind.REFERMENTING, Severity.DANGER)
        for _ in range(24):
            post.deliver()
            clock.ms += MS_PER_HOUR
        assert sum("nutrient" in title for title in box.titles) == 1
        assert sum("DANGER" in title for title in box.titles) == 6

    def test_a_silence_delays_and_does_not_lose(
        self, post: Post, box: Letterbox, clock: Clock, store: SqlStore, fire: Fire
    ) -> None:
        """What still fires when the silence ends is told then."""
        store.alerts.silence(from_ms=clock.ms, until_ms=clock.ms + 500, batch="orchard-session")
        fire()
        post.deliver()
        assert box.got == []
        assert post.next_due_ms() == clock.ms + 500
        clock.ms += 500
        post.deliver()
        assert len(box.got) == 1

    def test_a_store_that_fails_after_sending_causes_no_second_copy(
        self, clock: Clock, box: Letterbox, store: SqlStore, fire: Fire
    ) -> None:
        """The mark that could not be made is made first next time."""

        class Forgetful:
            """The outbox of a store that fails once to mark."""

            failures = 1

            def __getattr__(self, name: str) -> object:
                if name == "mark_sent" and self.failures:
                    self.failures -= 1
                    raise StoreUnavailableError("full")
                return getattr(store.outbox, name)

        @dataclass
        class Wrapped:
            """The store with that outbox."""

            outbox: Forgetful = field(default_factory=Forgetful)
            alerts = store.alerts
            batches = store.batches

        post = Post(Wrapped(), box, now_ms=clock, share=lambda: 1.0, policy=POLICY)  # type: ignore[arg-type]
        fire()
        with pytest.raises(StoreUnavailableError):
            post.deliver()
        post.deliver()
        assert len(box.got) == 1
        assert [one.turn for one in store.outbox.waiting()] == [1]

    def test_others_hear_of_a_dead_channel(
        self, store: SqlStore, clock: Clock, box: Letterbox, fire: Fire
    ) -> None:
        """After some failures of one notice the others are told, once."""
        told: list[tuple[str, Notice]] = []
        post = Post(
            store,
            box,
            now_ms=clock,
            share=lambda: 1.0,
            policy=POLICY,
            tell_others=lambda name, notice: told.append((name, notice)),
        )
        box.down = [BUSY] * 6
        fire()
        for _ in range(6):
            post.deliver()
            clock.ms += 60_000
        assert [(name, notice.title) for name, notice in told] == [
            ("mail", "Notices do not get through to mail")
        ]

    def test_an_aside_has_one_try(self, post: Post, box: Letterbox) -> None:
        """A notice about another channel is sent beside the outbox; if it fails it is gone."""
        notice = Notice("t", "b", Severity.ACT)
        box.down = [BUSY]
        post.aside(notice)
        post.deliver()
        post.aside(notice)
        post.deliver()
        assert box.got == [notice]

    def test_it_stops_between_two_notices(self, post: Post, box: Letterbox, fire: Fire) -> None:
        """Told to stop, it begins no further notice, and what is left stays due."""
        fire(AlertKind.STALLED)
        fire(AlertKind.TEMPERATURE_LOW)
        post.deliver(lambda: not box.got)
        assert len(box.got) == 1
        assert post.next_due_ms() is not None


class TestCourier:
    """The threads."""

    def test_woken_it_delivers_to_every_channel_once(self, store: SqlStore, clock: Clock, fire: Fire) -> None:
        """Each channel has its own thread and gets its own copy."""
        boxes = [Letterbox("mail"), Letterbox("phone")]
        courier = Courier(store, boxes, now_ms=clock, share=random.Random(1).random, policy=POLICY)
        courier.start()
        fire(channels=("mail", "phone"))
        courier.wake()
        assert all(box.arrived.wait(10) for box in boxes)
        assert courier.stop(10)
        assert [len(box.got) for box in boxes] == [1, 1]
        assert [one.turn for one in store.outbox.waiting()] == [1, 1]

    def test_a_channel_that_hangs_holds_back_no_other(
        self, store: SqlStore, clock: Clock, fire: Fire
    ) -> None:
        """While one channel blocks, the other delivers; stopping says that one is still busy."""
        let_go = threading.Event()

        class Hanging(Letterbox):
            """Does not come back until it is let go."""

            def send(self, notice: Notice) -> None:
                let_go.wait(30)
                super().send(notice)

        hanging, phone = Hanging("mail"), Letterbox("phone")
        courier = Courier(store, [hanging, phone], now_ms=clock, share=lambda: 1.0, policy=POLICY)
        fire(channels=("mail", "phone"))
        courier.start()
        assert phone.arrived.wait(10)
        assert not courier.stop(0.0)
        let_go.set()
        assert courier.stop(10)
        assert [len(hanging.got), len(phone.got)] == [1, 1]

    def test_a_fault_in_a_channel_does_not_end_its_thread(
        self, store: SqlStore, clock: Clock, fire: Fire, caplog: pytest.LogCaptureFixture
    ) -> None:
        """After an error that nobody expected, the next look delivers."""
        box = Letterbox(down=[RuntimeError("a fault of ours")])
        courier = Courier(store, [box], now_ms=clock, share=lambda: 1.0, policy=POLICY)
        fire()
        courier.start()
        assert box.tried.wait(10)
        courier.wake()
        assert box.arrived.wait(10)
        assert courier.stop(10)
        assert len(box.got) == 1
        assert "delivery failed" in caplog.text

    def test_the_other_channels_are_told_of_a_dead_one(
        self, store: SqlStore, clock: Clock, fire: Fire
    ) -> None:
        """A channel that keeps failing is told of on the one that works."""
        dead = Letterbox("mail", down=[BUSY] * 3)
        phone = Letterbox("phone")
        policy = CourierPolicy(backoff=Backoff(first_ms=0, least_ms=0), tell_others_after=3)
        courier = Courier(store, [dead, phone], now_ms=clock, share=lambda: 0.0, policy=policy)
        fire()
        courier.start()
        assert phone.arrived.wait(10)
        assert dead.arrived.wait(10)
        assert courier.stop(10)
        assert phone.titles == ["Notices do not get through to mail"]
        assert courier.troubles() == []
