"""Delivery: takes what is due from the outbox, sends it, and comes back until it is accepted.

Each channel has a thread of its own, so that one that hangs holds back no other. Everything that must
survive a restart is in the store; a thread only looks.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.errors import DeliveryError, NotFoundError, StoreError
from monitor.ferment.emission import Severity
from monitor.notify.channels import Channel
from monitor.notify.notice import (
    Notice,
    Reason,
    RepeatPolicy,
    notice_of,
    reminder_due_ms,
    should_send,
    silenced_until_ms,
)
from monitor.notify.routing import Route, RouteReason, routed
from monitor.store.base import Store
from monitor.store.values import Delivery
from monitor.units import MS_PER_HOUR, MS_PER_SECOND

_log = logging.getLogger(__name__)

_LONGEST_REST_S: Final = 60.0
"""However long nothing is due, look again after this: a clock may have been set, a row added elsewhere."""
_SHORTEST_REST_S: Final = 0.05
_AFTER_FAILURE_S: Final = 5.0
_MOST_ASIDES: Final = 8
_RESERVED_MS: Final = 60 * MS_PER_SECOND
"""Longer than any channel takes to answer; if the sender dies meanwhile, another sends it then."""


@dataclass(frozen=True, slots=True)
class Backoff:
    """How long to wait after a failure: a random share of a doubling span, so that retries do not march."""

    first_ms: int = 20 * MS_PER_SECOND
    ceiling_ms: int = MS_PER_HOUR
    least_ms: int = 2 * MS_PER_SECOND

    def delay_ms(self, attempts: int, share: float) -> int:
        """The wait after so many earlier attempts; `share` from 0 to 1 is drawn by the caller."""
        span: int = min(self.ceiling_ms, self.first_ms << min(attempts, 32))
        return max(self.least_ms, round(share * span))


@dataclass(frozen=True, slots=True)
class CourierPolicy:
    """How patiently notices are delivered."""

    backoff: Backoff = field(default_factory=Backoff)
    repeat: RepeatPolicy = field(default_factory=RepeatPolicy)
    tell_others_after: int = 6
    """After so many failures of one notice the other channels are told that this one does not work."""
    shared: bool = False
    """Whether couriers of other processes send from the same outbox."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """A channel that does not accept notices."""

    channel: str
    since_ms: int
    error: str


class Post:
    """The work on one channel: `deliver` sends what is due now, and does no more."""

    def __init__(
        self,
        store: Store,
        channel: Channel,
        *,
        now_ms: Callable[[], int],
        share: Callable[[], float],
        policy: CourierPolicy,
        route: Route | None = None,
        compose: Callable[[Delivery, Sheet | None], Notice] = notice_of,
        tell_others: Callable[[str, Notice], None] = lambda _name, _notice: None,
    ) -> None:
        self.channel = channel
        self.trouble: Trouble | None = None
        self._store = store
        self._now_ms = now_ms
        self._share = share
        self._policy = policy
        self._route = Route() if route is None else route
        self._compose = compose
        self._tell_others = tell_others
        self._asides: deque[Notice] = deque(maxlen=_MOST_ASIDES)
        self._unmarked: tuple[Delivery, int] | None = None

    def deliver(self, going: Callable[[], bool] = lambda: True) -> None:
        """Send whatever is due, one after the other, while `going`; StoreError where the store fails."""
        self._mark()
        while going():
            # one at a time: between two of them the maker may have acknowledged
            waiting = self._store.outbox.due(self._now_ms(), channel=self.channel.name, limit=1)
            if not waiting:
                break
            self._settle(waiting[0])
        while self._asides and going():
            self._send_aside(self._asides.popleft())

    def aside(self, notice: Notice) -> None:
        """A notice about another channel: worth one try, not worth keeping."""
        self._asides.append(notice)

    def next_due_ms(self) -> int | None:
        """When this channel has something to do next; None where nothing is open."""
        return self._store.outbox.next_due_ms(self.channel.name)

    def _settle(self, delivery: Delivery) -> None:
        now_ms = self._now_ms()
        silences = self._store.alerts.silences(now_ms)
        reason = should_send(delivery, silences, now_ms)
        if reason.sends:
            self._send_by_route(delivery, now_ms)
        elif reason is Reason.SILENCED:
            until_ms = silenced_until_ms(delivery.alert, silences, now_ms)
            assert until_ms is not None
            self._store.outbox.postpone(delivery.id, due_ms=until_ms)
        else:
            self._store.outbox.drop(delivery.id, why=str(reason), at_ms=now_ms)

    def _send_by_route(self, delivery: Delivery, now_ms: int) -> None:
        alert = delivery.alert
        answer = routed(self._route, alert.batch, alert.severity, now_ms)
        if answer.reason is RouteReason.OPEN:
            self._send(delivery)
        elif answer.until_ms is not None:
            self._store.outbox.postpone(delivery.id, due_ms=answer.until_ms)
        else:
            self._store.outbox.drop(delivery.id, why=str(answer.reason), at_ms=now_ms)

    def _send(self, delivery: Delivery) -> None:
        until_ms = self._now_ms() + _RESERVED_MS
        if self._policy.shared and not self._store.outbox.reserve(delivery, until_ms=until_ms):
            return  # another process sends it
        notice = self._compose(delivery, self._sheet(delivery.alert.batch))
        try:
            self.channel.send(notice)
        except DeliveryError as error:
            self._failed(delivery, error)
            return
        self._unmarked = (delivery, self._now_ms())
        self._mark()
        if self.trouble is not None:
            _log.warning("channel %s accepts notices again", self.channel.name)
            self.trouble = None

    def _mark(self) -> None:
        # kept until the store has taken it: a store that fails just then must not cause a second copy
        if self._unmarked is None:
            return
        delivery, sent_ms = self._unmarked
        remind_ms = reminder_due_ms(delivery, sent_ms, self._policy.repeat)
        self._store.outbox.mark_sent(delivery, at_ms=sent_ms, remind_at_ms=remind_ms)
        self._unmarked = None

    def _failed(self, delivery: Delivery, error: DeliveryError) -> None:
        now_ms, words = self._now_ms(), str(error)
        if self.trouble is None or self.trouble.error != words:
            _log.warning("channel %s: %s", self.channel.name, words)
            since_ms = now_ms if self.trouble is None else self.trouble.since_ms
            self.trouble = Trouble(self.channel.name, since_ms, words)
        if not error.retry:
            self._store.outbox.drop(delivery.id, why=words, at_ms=now_ms)
            return
        delay_ms = self._policy.backoff.delay_ms(delivery.attempts, self._share())
        self._store.outbox.mark_failed(delivery.id, error=words, next_due_ms=now_ms + delay_ms)
        if delivery.attempts + 1 == self._policy.tell_others_after:
            self._tell_others(self.channel.name, _undelivered(self.channel.name, delivery))

    def _send_aside(self, notice: Notice) -> None:
        try:
            self.channel.send(notice)
        except DeliveryError as error:
            _log.warning("channel %s: %s", self.channel.name, error)

    def _sheet(self, batch: str) -> Sheet | None:
        try:
            return self._store.batches.get(batch)
        except NotFoundError:
            return None


class Courier:
    """Threads that deliver, one a channel; `start`, then `wake` whenever something new may be due."""

    def __init__(
        self,
        store: Store,
        channels: Sequence[Channel],
        *,
        now_ms: Callable[[], int],
        share: Callable[[], float],
        policy: CourierPolicy | None = None,
        routes: Mapping[str, Route] | None = None,
        compose: Callable[[Delivery, Sheet | None], Notice] = notice_of,
    ) -> None:
        self._now_ms = now_ms
        self._posts = [
            Post(
                store,
                channel,
                now_ms=now_ms,
                share=share,
                policy=policy or CourierPolicy(),
                route=(routes or {}).get(channel.name),
                compose=compose,
                tell_others=self._tell_others,
            )
            for channel in channels
        ]
        self._news = threading.Condition()
        self._wakes = 0
        self._stopping = False
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to deliver."""
        for post in self._posts:
            # a service that hangs must not keep the process alive
            thread = threading.Thread(
                target=self._run, args=(post,), name=f"post-{post.channel.name}", daemon=True
            )
            self._threads.append(thread)
            thread.start()

    def wake(self) -> None:
        """Look now; may be called from any thread."""
        with self._news:
            self._wakes += 1
            self._news.notify_all()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Finish what is being sent and end; what is still due stays in the outbox.

        False where a channel was still busy after `timeout_s`: that notice may be sent again later.
        """
        with self._news:
            self._stopping = True
            self._news.notify_all()
        deadline = time.monotonic() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, deadline - time.monotonic()))
        return not any(thread.is_alive() for thread in self._threads)

    def troubles(self) -> list[Trouble]:
        """Channels that do not accept notices now."""
        return [post.trouble for post in self._posts if post.trouble is not None]

    def _run(self, post: Post) -> None:
        said = ""
        while self._going():
            with self._news:
                seen = self._wakes
            rest_s = _LONGEST_REST_S
            try:
                post.deliver(self._going)
                next_ms = post.next_due_ms()
                if next_ms is not None:
                    rest_s = (next_ms - self._now_ms()) / MS_PER_SECOND
                said = ""
            except StoreError as error:
                if str(error) != said:
                    said = str(error)
                    _log.error("notices wait: %s", said)
                rest_s = _AFTER_FAILURE_S
            except Exception:  # noqa: BLE001  the outermost frame of the thread
                # a fault of ours in one notice must not end the thread that all later ones need
                _log.exception("channel %s: delivery failed", post.channel.name)
                rest_s = _AFTER_FAILURE_S
            self._rest(seen, rest_s)

    def _rest(self, seen: int, rest_s: float) -> None:
        with self._news:
            self._news.wait_for(
                lambda: self._stopping or self._wakes != seen,
                timeout=min(max(rest_s, _SHORTEST_REST_S), _LONGEST_REST_S),
            )

    def _going(self) -> bool:
        with self._news:
            return not self._stopping

    def _tell_others(self, name: str, notice: Notice) -> None:
        for post in self._posts:
            if post.channel.name != name:
                post.aside(notice)
        self.wake()


def _undelivered(name: str, delivery: Delivery) -> Notice:
    return Notice(
        title=f"Notices do not get through to {name}",
        body=(
            f"{delivery.attempts + 1} tries failed, and it is tried again. The notice that waits is about "
            f"{delivery.alert.batch}: {delivery.alert.kind.replace('_', ' ')}.\n\n"
            f"Check the channel {name} in the configuration and that its service can be reached."
        ),
        severity=Severity.ACT,
    )
