"""One member's share of the judging, where several processes share it.

Which batches are its own is decided in the database: it claims what nobody judges, up to its fair share,
and watches that. Its lease is renewed by a thread that does nothing else, so that opening a long batch does
not lose it, but not while the worker has come to a stand: then another takes over. Readings come from the
store by position, whoever stored them; the passing of time comes from there too, as the time up to which
a daemon that hears its broker has stored everything.
"""

from __future__ import annotations

import logging
import os
import secrets
import socket
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from monitor.errors import StoreError, StoreUnavailableError
from monitor.store.base import Store
from monitor.store.values import Claim
from monitor.watch import Watch

logger = logging.getLogger(__name__)

HEARD_MARK: Final = "heard"
"""Under this name a daemon notes the time up to which all that was sent is stored."""
FEED_ROWS: Final = 2_000
MOST_WAITING: Final = 50
"""So many batches are claimed ahead of being opened; the others are free for members that are quicker."""


@dataclass(frozen=True, slots=True)
class ShiftPolicy:
    """How long a member may be silent, and how often it looks; seconds."""

    lease_s: float = 8.0
    """After so long without a sign its batches are free; the others look every `claim_s`."""
    beat_s: float = 2.0
    claim_s: float = 2.0
    feed_s: float = 1.0
    stuck_s: float = 120.0
    """A worker that has not come round for so long renews its lease no more."""
    seal_s: float = 60.0


class Shift:
    """What one member judges; `turn` is for its worker thread alone."""

    def __init__(
        self,
        store: Store,
        watch: Watch,
        *,
        policy: ShiftPolicy | None = None,
        name: str | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = _own_name() if name is None else name
        self.recalibrated = False
        """A calibration was changed since this was last looked at and cleared."""
        self._store = store
        self._watch = watch
        self._policy = ShiftPolicy() if policy is None else policy
        self._monotonic_s = monotonic_s
        self._mine: dict[str, Claim] = {}
        self._due: dict[str, float] = {}
        self._heard_ms = 0
        self._turned_s = monotonic_s()
        self._stopping = threading.Event()
        self._beating = threading.Thread(target=self._beat, name="lease", daemon=True)

    @property
    def mine(self) -> frozenset[str]:
        """The batches that are judged here."""
        return frozenset(self._mine)

    def start(self) -> None:
        """Become a member; StoreError where judging cannot be shared."""
        self._store.claims.beat(self.name, self._lease_ms)
        self._watch.prepare()
        self._beating.start()

    def stop(self) -> None:
        """Hand everything over at once."""
        self._stopping.set()
        if self._beating.is_alive():
            self._beating.join(self._policy.beat_s)
        try:
            self._store.claims.leave(self.name)
        except StoreError as error:
            logger.warning("the claims end by themselves: %s", error)

    def turn(self, now_ms: int) -> None:
        """One round: claims, changes, readings, time, one batch to open; StoreUnavailableError at any point.

        Whatever is interrupted by that is made up for at the next round.
        """
        self._turned_s = self._monotonic_s()
        if self._is_due("claim", self._policy.claim_s):
            self._claim()
        if self._is_due("feed", self._policy.feed_s):
            self.recalibrated |= self._watch.catch_up(now_ms)
            self.feed(now_ms)
        self._watch.tick_next(now_ms)
        self._watch.open_next(now_ms)
        if self._is_due("seal", self._policy.seal_s):
            self._watch.seal()

    def feed(self, now_ms: int) -> None:
        """Take in what was stored since, and then let time pass up to what has been heard."""
        heard_ms = self._store.changes.mark(HEARD_MARK)  # first: all that came before it is stored already
        while True:
            series = self._store.readings.after(self._watch.reached or 0, FEED_ROWS)
            if not len(series):
                break
            self._watch.admit(list(series.readings()), now_ms, int(series.position[-1]))
        if heard_ms > self._heard_ms:
            self._watch.begin_tick(heard_ms)
            self._heard_ms = heard_ms
        self._watch.tick_next(max(heard_ms, now_ms))

    def _claim(self) -> None:
        roll = self._store.claims.beat(self.name, self._lease_ms)
        held = {claim.batch: claim for claim in roll.held}
        lost = [batch for batch, claim in self._mine.items() if held.get(batch) != claim]
        if lost:
            self._watch.let_go(lost)
            self._mine = {batch: claim for batch, claim in self._mine.items() if batch not in lost}
        # claimed by a call whose answer was lost, or let go of while the lease had run out for a moment
        self._hold({batch: claim for batch, claim in held.items() if batch not in self._watch.held})
        share = -(-roll.batches // max(1, roll.members))
        self._give_back(len(self._mine) - share)
        room = min(share - len(self._mine), MOST_WAITING - len(self._watch.waiting))
        if room <= 0:
            return
        taken = {claim.batch: claim for claim in self._store.claims.take(self.name, room)}
        if taken:
            logger.info("%s judges %d more of %d", self.name, len(taken), roll.batches)
            self._hold(taken)

    def _hold(self, claims: Mapping[str, Claim]) -> None:
        self._mine.update(claims)
        self._watch.hold(claims)

    def _give_back(self, surplus: int) -> None:
        if surplus <= 0:
            return
        # what is not opened yet costs nobody anything
        order = [*self._watch.waiting, *(batch for batch in self._mine if batch not in self._watch.waiting)]
        given = [batch for batch in order if batch in self._mine][:surplus]
        self._watch.let_go(given)  # first: whoever takes one over judges it alone
        self._store.claims.give_back([self._mine.pop(batch) for batch in given])

    def _is_due(self, name: str, every_s: float) -> bool:
        now_s = self._monotonic_s()
        if now_s < self._due.get(name, now_s):
            return False
        self._due[name] = now_s + every_s
        return True

    @property
    def _lease_ms(self) -> int:
        return round(self._policy.lease_s * 1_000)

    def _beat(self) -> None:
        while not self._stopping.wait(self._policy.beat_s):
            if self._monotonic_s() - self._turned_s > self._policy.stuck_s:
                logger.error("the worker stands still; the lease is not renewed, others take over")
                continue
            try:
                self._store.claims.beat(self.name, self._lease_ms)
            except StoreUnavailableError as error:
                logger.warning("the lease could not be renewed: %s", error)
            except StoreError:
                logger.exception("the lease could not be renewed")


def _own_name() -> str:
    return f"{socket.gethostname()}-{os.getpid()}-{secrets.token_hex(3)}"
