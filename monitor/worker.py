"""The daemon's one worker: in a thread of its own it stores, judges, and does what is due, turn by turn.

It alone writes what follows from readings and owns the pipelines. Others leave messages in the subscriber's
queue and marks in the chores.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Sequence
from typing import Final

from monitor.chores import Chores
from monitor.clock import Clock
from monitor.errors import StoreUnavailableError
from monitor.intake import Intake
from monitor.notify.heartbeat import Heartbeat
from monitor.sensors.arrivals import Arrival
from monitor.sensors.mqtt import Subscriber
from monitor.sharing import Sharing
from monitor.store.sql import SqlStore
from monitor.thinning import Thinning
from monitor.units import MS_PER_DAY, MS_PER_HOUR
from monitor.watch import Watch

logger = logging.getLogger(__name__)

MOST_AT_ONCE: Final = 500
"""Messages in one commit."""
TAKE_WAIT_S: Final = 0.1
DRAIN_S: Final = 2.0
"""How long a stop goes on storing what has arrived; the rest waits at the broker."""
SEAL_S: Final = 1.0
KEEP_DELIVERIES_MS: Final = 90 * MS_PER_DAY
"""How long settled deliveries and ended silences are kept."""


class Worker:
    """`start` and `stop` are for whoever owns it, the counts for anyone, all else for its own thread."""

    def __init__(
        self,
        *,
        store: SqlStore,
        clock: Clock,
        subscriber: Subscriber,
        intake: Intake,
        watch: Watch,
        sharing: Sharing,
        chores: Chores,
        thinning: Thinning,
        heartbeat: Heartbeat | None,
        retry_s: tuple[float, float],
    ) -> None:
        """`retry_s`: how long a store that cannot be written is left alone, at first and at most."""
        self._store = store
        self._clock = clock
        self._subscriber = subscriber
        self._intake = intake
        self._watch = watch
        self._sharing = sharing
        self._chores = chores
        self._thinning = thinning
        self._heartbeat = heartbeat
        self._retry_s = retry_s
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._connected_before = False
        self._judged = 0
        self._turns = 0
        self._thread = threading.Thread(target=self.run, name="worker", daemon=True)

    @property
    def failure(self) -> BaseException | None:
        """What ended the worker, if anything did."""
        return self._failure

    @property
    def messages(self) -> int:
        """Messages stored and judged since the start."""
        return self._judged

    @property
    def turns(self) -> int:
        """How often the worker has come round; it stands still where the worker hangs."""
        return self._turns

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def stop(self) -> None:
        """Drain, put pipelines aside, and end."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(DRAIN_S + SEAL_S + 1.0)

    def run(self) -> None:
        """Work until it is to stop."""
        try:
            while not self._stopping.is_set():
                self.turn(0.0 if self._watch.is_busy else TAKE_WAIT_S)
            self._drain()
            self._put_aside()
        except Exception as error:  # whatever it is: who runs this must hear that nobody works any more
            logger.exception("the worker cannot go on")
            self._failure = error

    def turn(self, wait_s: float) -> None:
        """Take in what has arrived, waiting at most so long for it, and do what is due."""
        arrivals = self._subscriber.take(MOST_AT_ONCE, wait_s)
        if arrivals:
            self.store_and_judge(arrivals)
        for chore in sorted(self._chores.take()):
            self._do(chore)
        self._do("judge")
        self._turns += 1

    def _drain(self) -> None:
        deadline = time.monotonic() + DRAIN_S
        while time.monotonic() < deadline:
            arrivals = self._subscriber.take(MOST_AT_ONCE, 0.0)
            if not arrivals:
                return
            self.store_and_judge(arrivals)

    def _put_aside(self) -> None:
        """Checkpoints of what there is time for: the next start is the shorter."""
        deadline = time.monotonic() + SEAL_S
        try:
            while time.monotonic() < deadline and self._watch.seal(every_ms=MS_PER_HOUR, most=5):
                pass
        except StoreUnavailableError as error:
            logger.warning("no checkpoints: %s", error)

    def store_and_judge(self, arrivals: Sequence[Arrival]) -> None:
        """First the one, however long it takes, then the other; stopped before, neither."""
        first_s, most_s = self._retry_s
        delay_s = first_s
        while True:
            try:
                readings = self._intake.take(arrivals)
                break
            except StoreUnavailableError as error:
                if delay_s == first_s:
                    logger.error("readings wait, the store cannot be written: %s (%s)", error, error.hint)
                if self._stopping.wait(delay_s):
                    return  # stopping: they are unacknowledged, and come again
                delay_s = min(2.0 * delay_s, most_s)
                self._turns += 1  # it waits for the store, which no restart of ours would mend
        try:
            self._sharing.admit(readings, self._clock.now_ms())
        except StoreUnavailableError as error:  # they were taken in; the next look tells the rest
            logger.warning("what there is to tell waits: %s", error)
        self._judged += len(arrivals)

    def _do(self, chore: str) -> None:
        now_ms = self._clock.now_ms()
        try:
            if chore == "judge":
                if self._sharing.turn(now_ms):
                    self._do("calibrations")
            elif chore == "changes":
                if self._sharing.catch_up(now_ms):
                    self._do("calibrations")
            elif chore == "calibrations":
                self._intake.reload_calibrations()
            elif chore == "tick":
                self._subscriber.revive()
                if self._subscriber.state.connected and not self._connected_before:
                    self._watch.announce()  # what was published before the connection may not have arrived
                if self._all_heard():
                    self._sharing.let_time_pass(now_ms)
            elif chore == "seal":
                self._sharing.seal()
            elif chore == "birth":
                self._watch.announce()
            elif chore == "heartbeat" and self._heartbeat is not None:
                # the worker is alive if it comes here, and this write fails where the store cannot be written
                self._store.changes.set_mark("alive", now_ms)
                if self._subscriber.state.connected:  # deaf is as good as dead
                    self._heartbeat.beat()
            elif chore == "tidy":
                self._store.outbox.prune(now_ms - KEEP_DELIVERIES_MS)
                self._store.alerts.prune_silences(now_ms - KEEP_DELIVERIES_MS)
                self._store.tidy()
                self._thinning.begin()
                self._sharing.forget_ended()
        except StoreUnavailableError as error:
            logger.warning("%s waits: %s", chore, error)
            self._chores.mark(chore)
            self._stopping.wait(self._retry_s[0])

    def _all_heard(self) -> bool:
        """Whether silence means anything: we are connected, were so at the last look, and nothing waits."""
        state = self._subscriber.state
        before, self._connected_before = self._connected_before, state.connected
        return before and state.connected and not state.waiting
