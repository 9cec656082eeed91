"""The composition root: builds the parts, starts them, drains and stops them in reverse. It decides nothing.

Threads meet here only. paho's thread puts arrivals on a queue; one worker owns the store's writes and the
pipelines (`worker.py`); timers only leave a mark that something is due; the courier has threads of its own.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.chores import Chores, timers
from monitor.chronicle import Chronicle
from monitor.clock import Clock, SystemClock
from monitor.errors import DeliveryError
from monitor.ferment.emission import Emission
from monitor.ferment.pipeline import Snapshot
from monitor.intake import Intake
from monitor.notices import courier_for
from monitor.notify.channels import channels_of
from monitor.notify.heartbeat import Heartbeat
from monitor.notify.notice import TEST_NOTICE
from monitor.sensors.broker import EmbeddedBroker
from monitor.sensors.mqtt import Subscriber
from monitor.settings import Loaded
from monitor.sharing import Alone, Shared, Sharing
from monitor.shift import Shift
from monitor.store.gate import StoreOptions
from monitor.store.influx_target import InfluxTarget
from monitor.store.sql import SqlStore
from monitor.thinning import Thinning
from monitor.vitals import Pulse
from monitor.watch import Watch, WatchPolicy
from monitor.web.app import create_app
from monitor.web.courtesy import Courtesy
from monitor.web.ports import Ports, TriedNotice
from monitor.web.server import WebServer, serve
from monitor.web.stream import Broadcast
from monitor.worker import Worker

if TYPE_CHECKING:
    from monitor.store.influx_forward import Forwarder


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
        self._courtesy = Courtesy()
        self._channels = channels_of(settings.notify.targets)
        decoder = settings.decoder
        if loaded.settings.store.url is None:
            loaded.data_dir.mkdir(parents=True, exist_ok=True)
        self.store = open_store(
            StoreOptions(loaded.store_url, quarantine_rows=settings.store.quarantine_rows)
        )
        shared = self.store.claims.shared
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
            snapshots=lambda: self.sharing.refreshed(),
            phases=lambda slug: self.sharing.phases(slug),
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
        self.sharing: Sharing = (
            Shared(self.store, Shift(self.store, self.watch), touched=self._touched, told=self.courier.wake)
            if shared
            else Alone(self.store, self.watch)
        )
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
        self.worker = Worker(
            store=self.store,
            clock=self.clock,
            subscriber=self.subscriber,
            intake=self._intake,
            watch=self.watch,
            sharing=self.sharing,
            chores=self._chores,
            thinning=self._thinning,
            heartbeat=self._heartbeat,
            retry_s=self._pace.retry_s,
        )

    def start(self) -> None:
        """Start the parts, from the ground up; raises ConfigurationError where the broker cannot listen."""
        if self.broker is not None:
            self.broker.start()
        self.store.outbox.drop_channels_but(
            [channel.name for channel in self._channels], at_ms=self.clock.now_ms()
        )
        self.sharing.begin(self.clock.now_ms)
        self.courier.start()
        if self.forwarder is not None:
            self.forwarder.start()
        self.worker.start()
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
        self.worker.stop()
        self.subscriber.stop()
        self.courier.stop(1.0)
        self.sharing.stop()
        if self.forwarder is not None:
            self.forwarder.stop(1.0)
        self._thinning.stop(1.0)
        if self.broker is not None:
            self.broker.stop()
        self.store.close()

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
            phases=self.sharing.phases,
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
        return self.worker.failure

    @property
    def messages(self) -> int:
        """Messages stored and judged since the start."""
        return self.worker.messages

    @property
    def turns(self) -> int:
        """How often the worker has come round; it stands still where the worker hangs."""
        return self.worker.turns

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands, whoever judges it."""
        return self.sharing.snapshots

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
