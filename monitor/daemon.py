"""The composition root: builds the parts, starts them, drains and stops them in reverse. It decides nothing.

Threads meet here only. paho's thread puts arrivals on a queue; one worker owns the store's writes and the
pipelines; timers only leave a mark that something is due; the courier has threads of its own.
"""

from __future__ import annotations

import gc
import itertools
import logging
import random
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from monitor.chores import Chores, timers
from monitor.chronicle import Chronicle
from monitor.clock import Clock, SystemClock
from monitor.errors import DeliveryError, StoreUnavailableError
from monitor.ferment.emission import Emission, PhaseChange
from monitor.ferment.pipeline import Snapshot
from monitor.intake import Intake
from monitor.notices import courier_for
from monitor.notify.channels import channels_of
from monitor.notify.heartbeat import Heartbeat
from monitor.notify.notice import TEST_NOTICE
from monitor.onlooker import Onlooker
from monitor.sensors.arrivals import Arrival
from monitor.sensors.broker import EmbeddedBroker
from monitor.sensors.mqtt import Subscriber
from monitor.settings import Loaded
from monitor.shift import HEARD_MARK, Shift
from monitor.store.gate import StoreOptions
from monitor.store.influx_target import InfluxTarget
from monitor.store.sql import SqlStore
from monitor.thinning import Thinning
from monitor.units import MS_PER_DAY, MS_PER_HOUR
from monitor.vitals import Pulse
from monitor.watch import Watch, WatchPolicy
from monitor.web.app import create_app
from monitor.web.courtesy import Courtesy
from monitor.web.ports import Ports, TriedNotice
from monitor.web.server import WebServer, serve
from monitor.web.stream import Broadcast

if TYPE_CHECKING:
    from monitor.store.influx_forward import Forwarder

logger = logging.getLogger(__name__)

MOST_AT_ONCE: Final = 500
"""Messages in one commit."""
TAKE_WAIT_S: Final = 0.1
DRAIN_S: Final = 2.0
"""How long a stop goes on storing what has arrived; the rest waits at the broker."""
OPEN_S: Final = 2.0
"""So long a start waits for batches to be opened; the others follow while readings come in."""
FREEZE_EVERY: Final = 100
"""So many batches are opened before they are taken out of the search for garbage."""
SEAL_S: Final = 1.0
KEEP_DELIVERIES_MS: Final = 90 * MS_PER_DAY
"""How long settled deliveries and ended silences are kept."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How often things are looked at, in seconds of real time."""

    tick_s: float = 10.0
    changes_s: float = 1.0
    seal_s: float = 60.0
    tidy_s: float = 3_600.0
    beat_s: float | None = None
    """None: as often as the configuration says."""
    forward_s: float = 5.0
    retry_s: tuple[float, float] = (0.5, 30.0)
    """After the first a store that cannot be written is tried again, then ever later, up to the second."""


class Daemon:
    """One running carboyd."""

    def __init__(
        self,
        loaded: Loaded,
        *,
        clock: Clock | None = None,
        pace: Pace | None = None,
        heard: Callable[[str, Emission], None] = lambda _slug, _emission: None,
        open_store: Callable[[StoreOptions], SqlStore] = SqlStore,
    ) -> None:
        """Everything that can be refused is refused here, before anything has an effect.

        Raises ConfigurationError, StoreError.
        """
        settings = loaded.settings
        self.clock = SystemClock() if clock is None else clock
        self._pace = Pace() if pace is None else pace
        self._chores = Chores()
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._connected_before = False
        self._judged = 0
        self._turns = 0
        self._courtesy = Courtesy()
        self._channels = channels_of(settings.notify.targets)
        decoder = settings.decoder
        if loaded.settings.store.url is None:
            loaded.data_dir.mkdir(parents=True, exist_ok=True)
        self.store = open_store(
            StoreOptions(loaded.store_url, quarantine_rows=settings.store.quarantine_rows)
        )
        shared = self.store.claims.shared
        self._onlooker = Onlooker(self.store) if shared else None
        self.broker = (
            EmbeddedBroker(settings.mqtt.effective_port) if settings.mqtt.broker == "embedded" else None
        )
        login = None if self.broker is None else (self.broker.username, self.broker.password)
        self._birth = settings.hub.birth_payload.encode()
        self.subscriber = Subscriber(
            settings.mqtt.link(settings.mqtt.effective_port, login, settings.hub.birth_topics),
            self.clock.now_ms,
            called=self._called,
        )
        self.courier = courier_for(
            self.store,
            self._channels,
            loaded.settings,
            snapshots=self._standing,
            phases=lambda slug: self._phases(slug),
            now_ms=self.clock.now_ms,
        )
        target = settings.influx.target
        self.watch = Watch(
            self.store,
            WatchPolicy(
                settings.analysis,
                tuple(channel.name for channel in self._channels),
                settings.mqtt.publish_prefix,
                settings.hub.policy(settings.mqtt.publish_prefix),
                shared,
            ),
            publish=lambda topic, payload: self._publish(topic, payload),
            told=self.courier.wake,
            heard=heard,
            touched=self._touched,
            chronicle=None if target is None else Chronicle(self.store),
            give_way=self._courtesy.give_way,
        )
        self.shift = Shift(self.store, self.watch) if shared else None
        self.forwarder = None if target is None else self._forwarder(target)
        self._thinning = Thinning(
            self.store,
            settings.store.retention,
            None if target is None else target.name,
            self.clock.now_ms,
        )
        self._broadcast = Broadcast()
        self._shown = itertools.count(1)
        self._intake = Intake(self.store, decoder, self.subscriber)
        beat = settings.heartbeat
        self._heartbeat = (
            None if beat.url is None else Heartbeat(beat.url.get_secret_value(), self.clock.now_ms)
        )
        self.web = self._page(loaded)
        self._scheduler = timers(
            self._chores,
            {
                "tick": self._pace.tick_s,
                "changes": self._pace.changes_s,
                "seal": self._pace.seal_s,
                "tidy": self._pace.tidy_s,
                "heartbeat": self._pace.beat_s or 60.0 * beat.every_minutes,
            },
        )
        self._worker = threading.Thread(target=self._run, name="worker", daemon=True)

    # -- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the parts, from the ground up; raises ConfigurationError where the broker cannot listen."""
        if self.broker is not None:
            self.broker.start()
        self.store.outbox.drop_channels_but(
            [channel.name for channel in self._channels], at_ms=self.clock.now_ms()
        )
        self._begin_to_judge()
        self.courier.start()
        if self.forwarder is not None:
            self.forwarder.start()
        self._worker.start()
        self.subscriber.start()
        self._scheduler.start()
        if self.web is not None:
            self.web.start()

    def stop(self) -> None:
        """Drain and stop, in reverse; what has not been stored was not acknowledged and comes again."""
        if self.web is not None:
            self.web.stop()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
        self._stopping.set()
        if self._worker.is_alive():
            self._worker.join(DRAIN_S + SEAL_S + 1.0)
        self.subscriber.stop()
        self.courier.stop(1.0)
        if self.shift is not None:
            self.shift.stop()
        if self.forwarder is not None:
            self.forwarder.stop(1.0)
        self._thinning.stop(1.0)
        if self.broker is not None:
            self.broker.stop()
        self.store.close()

    def _begin_to_judge(self) -> None:
        if self.shift is not None:
            self.shift.start()
            self._look_on()
            return
        self.watch.prepare()
        self.watch.remember()
        self.watch.hold({sheet.slug: None for sheet in self.store.batches.listed(only_open=True)})
        deadline = time.monotonic() + OPEN_S
        while time.monotonic() < deadline and self.watch.open_next(self.clock.now_ms()):
            pass

    def _forwarder(self, target: InfluxTarget) -> Forwarder:
        # slow to import, and most have no such server
        from monitor.store.influx import InfluxServer
        from monitor.store.influx_forward import Forwarder, ForwardPolicy

        return Forwarder(
            self.store,
            InfluxServer(target),
            now_ms=self.clock.now_ms,
            share=random.random,
            policy=ForwardPolicy(rest_s=self._pace.forward_s),
        )

    def _page(self, loaded: Loaded) -> WebServer | None:
        section = loaded.settings.web
        if not section.enabled:
            return None
        options = section.value(loaded.settings.display.units)
        ports = Ports(
            store=self.store,
            now_ms=self.clock.now_ms,
            broadcast=self._broadcast,
            snapshots=lambda: self.snapshots,
            phases=self._phases,
            changed=lambda _slug: self._chores.mark("changes"),
            test_notice=self._try_channels,
            analysis=loaded.settings.analysis,
            forwards_to=None if self.forwarder is None else self.forwarder.target,
            vitals=Pulse(
                self.subscriber, self._intake.counts, self.courier, self._heartbeat, self.store
            ).vitals,
            courtesy=self._courtesy,
        )
        return serve(create_app(ports, options), self._broadcast, options.host, options.port)

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

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands, whoever judges it."""
        return self.watch.snapshots if self._onlooker is None else self._onlooker.snapshots

    def _phases(self, slug: str) -> Sequence[PhaseChange]:
        return self.watch.phases(slug) if self._onlooker is None else self._onlooker.phases(slug)

    def _standing(self) -> Mapping[str, Snapshot]:
        return self.watch.snapshots if self._onlooker is None else self._onlooker.refreshed()

    # -- the worker ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._turn(0.0 if self.watch.is_busy else TAKE_WAIT_S)
            self._drain()
            self._put_aside()
        except Exception as error:  # whatever it is: who runs this must hear that nobody works any more
            logger.exception("the worker cannot go on")
            self._failure = error

    def _turn(self, wait_s: float) -> None:
        arrivals = self.subscriber.take(MOST_AT_ONCE, wait_s)
        if arrivals:
            self._store_and_judge(arrivals)
        for chore in sorted(self._chores.take()):
            self._do(chore)
        self._do("judge")
        self._turns += 1

    def _drain(self) -> None:
        deadline = time.monotonic() + DRAIN_S
        while time.monotonic() < deadline:
            arrivals = self.subscriber.take(MOST_AT_ONCE, 0.0)
            if not arrivals:
                return
            self._store_and_judge(arrivals)

    def _put_aside(self) -> None:
        """Checkpoints of what there is time for: the next start is the shorter."""
        deadline = time.monotonic() + SEAL_S
        try:
            while time.monotonic() < deadline and self.watch.seal(every_ms=MS_PER_HOUR, most=5):
                pass
        except StoreUnavailableError as error:
            logger.warning("no checkpoints: %s", error)

    def _store_and_judge(self, arrivals: Sequence[Arrival]) -> None:
        first_s, most_s = self._pace.retry_s
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
        if self.shift is None:
            try:
                self.watch.admit(readings, self.clock.now_ms())
            except StoreUnavailableError as error:  # they were taken in; the next look tells the rest
                logger.warning("what there is to tell waits: %s", error)
        self._judged += len(arrivals)

    def _do(self, chore: str) -> None:
        now_ms = self.clock.now_ms()
        try:
            if chore == "judge":
                self._judge(now_ms)
            elif chore == "changes":
                if self.shift is None and self.watch.catch_up(now_ms):
                    self._do("calibrations")
                self._look_on()
            elif chore == "calibrations":
                self._intake.reload_calibrations()
            elif chore == "tick":
                self.subscriber.revive()
                if self.subscriber.state.connected and not self._connected_before:
                    self.watch.announce()  # what was published before the connection may not have arrived
                if self._all_heard():
                    self._let_time_pass(now_ms)
            elif chore == "seal" and self.shift is None:
                self.watch.seal()
            elif chore == "birth":
                self.watch.announce()
            elif chore == "heartbeat" and self._heartbeat is not None:
                # the worker is alive if it comes here, and this write fails where the store cannot be written
                self.store.changes.set_mark("alive", now_ms)
                if self.subscriber.state.connected:  # deaf is as good as dead
                    self._heartbeat.beat()
            elif chore == "tidy":
                self.store.outbox.prune(now_ms - KEEP_DELIVERIES_MS)
                self.store.alerts.prune_silences(now_ms - KEEP_DELIVERIES_MS)
                self.store.tidy()
                self._thinning.begin()
                if self._onlooker is not None:
                    self._onlooker.forget_all_but(
                        {sheet.slug for sheet in self.store.batches.listed(only_open=True)}
                    )
        except StoreUnavailableError as error:
            logger.warning("%s waits: %s", chore, error)
            self._chores.mark(chore)
            self._stopping.wait(self._pace.retry_s[0])

    def _judge(self, now_ms: int) -> None:
        if self.shift is None:
            self.watch.tick_next(now_ms)
            opened = self.watch.open_next(now_ms)
            if opened and (not self.watch.waiting or len(self.watch.waiting) % FREEZE_EVERY == 0):
                # pipelines are kept for weeks: with thousands of them a search for garbage takes seconds
                gc.freeze()
            return
        self.shift.turn(now_ms)
        if self.shift.recalibrated:
            self.shift.recalibrated = False
            self._do("calibrations")

    def _let_time_pass(self, now_ms: int) -> None:
        if self.shift is None:
            self.watch.begin_tick(now_ms)
        else:  # for every member: all that was sent by now is stored
            self.store.changes.set_mark(HEARD_MARK, now_ms)
            self.courier.wake()  # others put notices into the outbox too

    def _look_on(self) -> None:
        """Show what others judged since."""
        for slug in () if self._onlooker is None else self._onlooker.refresh():
            self._touched(slug)

    def _all_heard(self) -> bool:
        """Whether silence means anything: we are connected, were so at the last look, and nothing waits."""
        state = self.subscriber.state
        before, self._connected_before = self._connected_before, state.connected
        return before and state.connected and not state.waiting

    def _touched(self, slug: str) -> None:
        """Tell open pages what was touched; the empty slug is a sensor that stands in no batch."""
        self._broadcast.publish(
            "batch" if slug else "sensor", f"{self.clock.now_ms()}-{next(self._shown)}", {"batch": slug}
        )

    def _try_channels(self) -> list[TriedNotice]:
        """Send a test notice to every channel, past the outbox: the answer is wanted now."""
        tried = []
        for channel in self._channels:
            try:
                channel.send(TEST_NOTICE)
                tried.append(TriedNotice(channel.name))
            except DeliveryError as error:
                tried.append(TriedNotice(channel.name, str(error)))
        return tried

    def _called(self, _topic: str, payload: bytes) -> None:
        if payload == self._birth:
            self._chores.mark("birth")

    def _publish(self, topic: str, payload: bytes) -> None:
        self.subscriber.publish(topic, payload, retain=True)
