"""The work on one channel: takes what is due from the outbox and sends it until it is accepted."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

from monitor.batch.sheet import Sheet
from monitor.errors import DeliveryError, NotFoundError, StoreUnavailableError
from monitor.ferment.emission import Severity
from monitor.notify.channels import Channel
from monitor.notify.digest import DailyAt, Turn, turn_of
from monitor.notify.grouping import Due, grouped, next_bundle
from monitor.notify.notice import (
    Notice,
    Picture,
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

_MOST_ASIDES: Final = 8
_MOST_DUE: Final = 200
_MOST_PICTURES: Final = 4
_RESERVED_MS: Final = 60 * MS_PER_SECOND
"""Longer than any channel takes to answer; if the sender dies meanwhile, another sends it then."""
_DIGEST: Final = 0
"""The digest among what cannot be put into words; deliveries are numbered from 1."""
_LOOK_MS: Final = 5 * MS_PER_SECOND
"""While something waits to be grouped, look this often: a reminder of a danger may fall due meanwhile."""


DrawBatch = Callable[[str], bytes | None]
"""The curve of a batch as PNG; None where there is nothing to draw."""


class Composer(Protocol):
    """Words for a delivery."""

    def __call__(self, delivery: Delivery, sheet: Sheet | None, reason: Reason) -> Notice:
        """The notice of one delivery that is to be sent for this reason."""
        ...


@dataclass(frozen=True, slots=True)
class Digest:
    """The daily digest of one channel."""

    daily: DailyAt
    compose: Callable[[frozenset[str]], Notice | None]
    """The digest of these batches, of all where there are none; None where there is nothing to say."""


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
    group_ms: int = 0
    """How long the first alert of a kind waits for others of the kind, to be told in one notice."""
    tell_others_after: int = 6
    """After so many failures of one notice the other channels are told that this one does not work."""
    shared: bool = False
    """Whether couriers of other processes send from the same outbox."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """A channel that does not accept notices, or one of its notices that cannot be put into words."""

    channel: str
    since_ms: int
    error: str


@dataclass(slots=True)
class PostCounts:
    """What became of the notices of one channel since the start."""

    sent: int = 0
    failed: int = 0


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
        compose: Composer = notice_of,
        plain: Composer = notice_of,
        digest: Digest | None = None,
        picture: DrawBatch | None = None,
        tell_others: Callable[[str, Notice], None] = lambda _name, _notice: None,
    ) -> None:
        """`compose` finds the words of a notice; where it fails, `plain` does."""
        self.channel = channel
        self.counts = PostCounts()
        self._refuses: Trouble | None = None
        # by delivery; each with the time of its next try, until which it counts
        self._wordless: dict[int, tuple[Trouble, int]] = {}
        self._store = store
        self._now_ms = now_ms
        self._share = share
        self._policy = policy
        self._route = Route() if route is None else route
        self._compose = compose
        self._plain = plain
        self._picture = picture
        self._digest = digest if digest is not None and self._route.takes(Severity.NOTE) else None
        self._digest_tries = 0
        self._digest_due_ms: int | None = None
        self._tell_others = tell_others
        self._asides: deque[Notice] = deque(maxlen=_MOST_ASIDES)
        self._unmarked: list[tuple[Delivery, int]] = []
        self._ready_ms: int | None = None

    @property
    def trouble(self) -> Trouble | None:
        """Why something does not get through now; None where everything does."""
        waiting = [trouble for trouble, _ in self._wordless.values()]
        return self._refuses or min(waiting, key=lambda one: one.since_ms, default=None)

    def deliver(self, going: Callable[[], bool] = lambda: True) -> None:
        """Send whatever is due, one after the other, while `going`; StoreError where the store fails."""
        self._mark()
        began_ms = self._now_ms()
        while going():
            # looked up anew each time: between two of them the maker may have acknowledged
            bundle = next_bundle(self._sendable(), self._now_ms(), self._policy.group_ms)
            self._ready_ms = bundle.ready_ms
            if not bundle.members:
                break
            mine = [one for one in bundle.members if self._reserved(one.delivery)]
            if mine:
                self._send(mine)
        if self._digest is not None and going():
            self._send_digest(self._digest)
        # tried again by now, and told of anew if it was in vain
        self._wordless = {key: one for key, one in self._wordless.items() if one[1] > began_ms}
        while self._asides and going():
            self._send_aside(self._asides.popleft())

    def aside(self, notice: Notice) -> None:
        """A notice about another channel: worth one try, not worth keeping."""
        self._asides.append(notice)

    def next_due_ms(self) -> int | None:
        """When this channel has something to do next; None where nothing is open."""
        waits = [self._digest_due_ms]
        if self._ready_ms is None:
            waits.append(self._store.outbox.next_due_ms(self.channel.name))
        else:
            waits.append(min(self._ready_ms, self._now_ms() + _LOOK_MS))
        return min((one for one in waits if one is not None), default=None)

    def _sendable(self) -> list[Due]:
        """All that is due and is to be sent; what is not is dropped or postponed on the way."""
        now_ms = self._now_ms()
        waiting = self._store.outbox.due(now_ms, channel=self.channel.name, limit=_MOST_DUE)
        silences = self._store.alerts.silences(now_ms) if waiting else []
        found: list[Due] = []
        for delivery in waiting:
            reason = should_send(
                delivery, silences, now_ms, in_quiet=self._route.was_quiet(delivery.alert.fired_ms)
            )
            if reason is Reason.SILENCED:
                until_ms = silenced_until_ms(delivery.alert, silences, now_ms)
                assert until_ms is not None
                self._store.outbox.postpone(delivery.id, due_ms=until_ms)
            elif not reason.sends:
                self._store.outbox.drop(delivery.id, why=str(reason), at_ms=now_ms)
            elif self._routed(delivery, now_ms):
                found.append(Due(delivery, reason))
        return found

    def _routed(self, delivery: Delivery, now_ms: int) -> bool:
        alert = delivery.alert
        answer = routed(self._route, alert.batch, alert.severity, now_ms)
        if answer.reason is RouteReason.OPEN:
            return True
        if answer.until_ms is not None:
            self._store.outbox.postpone(delivery.id, due_ms=answer.until_ms)
        else:
            self._store.outbox.drop(delivery.id, why=str(answer.reason), at_ms=now_ms)
        return False

    def _reserved(self, delivery: Delivery) -> bool:
        """Whether it is ours to send: of several processes one gets it."""
        until_ms = self._now_ms() + _RESERVED_MS
        return not self._policy.shared or self._store.outbox.reserve(delivery, until_ms=until_ms)

    def _send(self, members: Sequence[Due]) -> None:
        composed = [(one, self._composed(one)) for one in members]
        told = [(one, words) for one, words in composed if words is not None]
        if not told:
            return
        members = [one for one, _ in told]
        notice = replace(grouped(members, [words for _, words in told]), pictures=self._pictures(members))
        try:
            self.channel.send(notice)
        except DeliveryError as error:
            self._failed([one.delivery for one in members], error)
            return
        now_ms = self._now_ms()
        self._unmarked = [(one.delivery, now_ms) for one in members]
        self._mark()
        self._works()

    def _composed(self, due: Due) -> Notice | None:
        """The words of one delivery, plain ones where the full ones fail; None where these fail too."""
        delivery, name = due.delivery, self.channel.name
        sheet = None
        try:
            sheet = self._sheet(delivery.alert.batch)
            return self._compose(delivery, sheet, due.reason)
        except StoreUnavailableError:
            raise
        except Exception:  # noqa: BLE001  whatever goes wrong in the words, what they are about is told
            _log.exception("channel %s: alert %d is told in plain words", name, delivery.alert.id)
        try:
            return self._plain(delivery, sheet, due.reason)
        except Exception as error:  # noqa: BLE001  it waits, so that others are told
            _log.exception("channel %s: alert %d cannot be put into words", name, delivery.alert.id)
            self._put_off(delivery, f"a notice cannot be put into words ({type(error).__name__})")
            return None

    def _put_off(self, delivery: Delivery, words: str) -> None:
        next_ms = self._now_ms() + self._policy.backoff.delay_ms(delivery.attempts, self._share())
        self._cannot_say(delivery.id, words, next_ms)
        self._store.outbox.mark_failed(delivery.id, error=words, next_due_ms=next_ms)

    def _cannot_say(self, key: int, words: str, next_ms: int) -> None:
        self.counts.failed += 1
        before = self._wordless.get(key)
        since_ms = self._now_ms() if before is None else before[0].since_ms
        # a new dict, because other threads ask for the trouble
        self._wordless = {**self._wordless, key: (Trouble(self.channel.name, since_ms, words), next_ms)}

    def _pictures(self, members: Sequence[Due]) -> tuple[Picture, ...]:
        # every other try goes without: what a service refuses because of its pictures gets through then
        if self._picture is None or members[0].delivery.attempts % 2 or not self.channel.carries_pictures:
            return ()
        slugs = list(dict.fromkeys(one.delivery.alert.batch for one in members))[:_MOST_PICTURES]
        try:
            drawn = [(slug, self._picture(slug)) for slug in slugs]
        except Exception:  # noqa: BLE001  whatever goes wrong in a drawing, the notice goes out without it
            _log.exception("channel %s: a picture could not be drawn", self.channel.name)
            return ()
        return tuple(Picture(f"{slug}.png", png) for slug, png in drawn if png is not None)

    def _mark(self) -> None:
        # kept until the store has taken it: a store that fails just then must not cause a second copy
        while self._unmarked:
            delivery, sent_ms = self._unmarked[0]
            remind_ms = reminder_due_ms(delivery, sent_ms, self._policy.repeat)
            self._store.outbox.mark_sent(delivery, at_ms=sent_ms, remind_at_ms=remind_ms)
            self._unmarked.pop(0)

    def _works(self) -> None:
        self.counts.sent += 1
        if self._refuses is not None:
            _log.warning("channel %s accepts notices again", self.channel.name)
            self._refuses = None

    def _fails(self, error: DeliveryError) -> None:
        self.counts.failed += 1
        words = str(error)
        if self._refuses is None or self._refuses.error != words:
            _log.warning("channel %s: %s", self.channel.name, words)
            since_ms = self._now_ms() if self._refuses is None else self._refuses.since_ms
            self._refuses = Trouble(self.channel.name, since_ms, words)

    def _failed(self, deliveries: Sequence[Delivery], error: DeliveryError) -> None:
        self._fails(error)
        now_ms, words = self._now_ms(), str(error)
        delay_ms = self._policy.backoff.delay_ms(max(one.attempts for one in deliveries), self._share())
        for delivery in deliveries:
            if error.retry:
                self._store.outbox.mark_failed(delivery.id, error=words, next_due_ms=now_ms + delay_ms)
            else:
                self._store.outbox.drop(delivery.id, why=words, at_ms=now_ms)
        if error.retry and deliveries[0].attempts + 1 == self._policy.tell_others_after:
            self._tell_others(self.channel.name, _undelivered(self.channel.name, deliveries[0]))

    def _send_digest(self, digest: Digest) -> None:
        """Send the digest of today unless this channel has accepted it; the store remembers which it was."""
        now_ms, mark = self._now_ms(), f"digest:{self.channel.name}"
        if self._digest_due_ms is not None and now_ms < self._digest_due_ms:
            return
        seen = self._store.changes.mark(mark)
        turn = turn_of(digest.daily, seen, now_ms, self._route.quiet)
        if turn is Turn.NOW and not self._digest_told(digest, now_ms, mark, seen):
            return
        if turn is not Turn.SAID:
            self._store.changes.set_mark(mark, digest.daily.last_ms(now_ms))
        self._digest_tries = 0
        self._digest_due_ms = digest.daily.next_ms(now_ms)

    def _digest_told(self, digest: Digest, now_ms: int, mark: str, seen: int) -> bool:
        self._digest_due_ms = None if self._route.quiet is None else self._route.quiet.ends_ms(now_ms)
        if self._digest_due_ms is not None:
            return False
        try:
            notice = digest.compose(self._route.batches)
        except StoreUnavailableError:
            raise
        except Exception as error:  # noqa: BLE001  what comes after it must not wait for it
            _log.exception("channel %s: the digest cannot be put into words", self.channel.name)
            due_ms = self._digest_later(now_ms)
            self._cannot_say(_DIGEST, f"the digest cannot be put into words ({type(error).__name__})", due_ms)
            return False
        if notice is None:
            return True
        # set first where others may send it too: of several processes one moves the mark
        if self._policy.shared and not self._store.changes.advance(mark, seen, digest.daily.last_ms(now_ms)):
            return True
        try:
            self.channel.send(notice)
        except DeliveryError as error:
            self._fails(error)
            if self._policy.shared:
                self._store.changes.set_mark(mark, seen)
            self._digest_later(now_ms)
            return False
        self._works()
        return True

    def _digest_later(self, now_ms: int) -> int:
        """Have the digest tried again after a wait; when."""
        due_ms = now_ms + self._policy.backoff.delay_ms(self._digest_tries, self._share())
        self._digest_due_ms = due_ms
        self._digest_tries += 1
        return due_ms

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
