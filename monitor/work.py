"""The composition root of `carboyd work`: a process that judges and tells, and takes no readings in.

Any number of them may run beside one or more daemons on one PostgreSQL. Like the daemon it decides nothing.
"""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import replace

from monitor.chronicle import Chronicle
from monitor.clock import Clock, SystemClock
from monitor.errors import ConfigurationError, StoreUnavailableError
from monitor.notices import courier_for
from monitor.notify.channels import channels_of
from monitor.onlooker import Onlooker
from monitor.sensors.mqtt import Subscriber
from monitor.settings import Loaded
from monitor.shift import Shift, ShiftPolicy
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.supervision import Supervisor
from monitor.watch import Watch, WatchPolicy

logger = logging.getLogger(__name__)

TURN_S = 0.2
RETRY_S = 2.0
LOOK_S = 10.0


class Work:
    """One worker; `run` in the thread that owns it until `stop` is called from any other."""

    def __init__(
        self, loaded: Loaded, *, clock: Clock | None = None, policy: ShiftPolicy | None = None
    ) -> None:
        """Raises ConfigurationError where the store is not one that can be shared, StoreError."""
        settings = loaded.settings
        if settings.mqtt.broker == "embedded":
            raise ConfigurationError(
                ['mqtt.broker = "embedded" belongs to one daemon; allowed for `carboyd work`: "external"'],
                hint="several processes need a broker of their own, such as Mosquitto",
            )
        if not loaded.store_url.startswith("postgresql"):
            raise ConfigurationError(
                ["`carboyd work` needs PostgreSQL: store.url must be postgresql+psycopg://..."],
                hint="with SQLite one `carboyd run` takes readings in and judges them, alone",
            )
        self._clock = SystemClock() if clock is None else clock
        self._stopping = threading.Event()
        channels = channels_of(settings.notify.targets)
        self.store = SqlStore(StoreOptions(loaded.store_url, quarantine_rows=settings.store.quarantine_rows))
        onlooker = Onlooker(self.store)
        self.courier = courier_for(
            self.store,
            channels,
            settings,
            snapshots=onlooker.refreshed,
            phases=onlooker.phases,
            now_ms=self._clock.now_ms,
        )
        prefix = settings.mqtt.publish_prefix
        self.watch = Watch(
            self.store,
            WatchPolicy(
                settings.analysis,
                tuple(channel.name for channel in channels),
                prefix,
                settings.hub.policy(prefix),
                shared=True,
            ),
            publish=lambda topic, payload: self._publish(topic, payload),
            told=self.courier.wake,
            chronicle=None if settings.influx.target is None else Chronicle(self.store),
        )
        self.shift = Shift(self.store, self.watch, policy=policy)
        link = settings.mqtt.link(settings.mqtt.effective_port)
        self.publisher = Subscriber(
            replace(
                link,
                client_id=f"{link.client_id}-{self.shift.name}",
                topics=(),
                session_expiry_s=0,
                availability_topic="",
            ),
            self._clock.now_ms,
        )

    def run(self, supervisor: Supervisor) -> None:
        """Work until `stop`; a store that cannot be reached is waited for, which no restart would mend."""
        self.shift.start()
        self.courier.start()
        self.publisher.start()
        supervisor.ready(f"judging as {self.shift.name}")
        said = ""
        while not self._stopping.wait(0.0 if self.watch.is_busy else TURN_S):
            try:
                self.shift.turn(self._clock.now_ms())
                self.publisher.revive()
                said = ""
            except StoreUnavailableError as error:
                if str(error) != said:
                    said = str(error)
                    logger.warning("judging waits: %s", said)
                self._stopping.wait(RETRY_S)
            # said by the worker itself, and however often it comes round, once in a stretch of time
            supervisor.look(int(time.monotonic() / LOOK_S))
        supervisor.stopping()
        self.publisher.stop()
        self.courier.stop(1.0)
        self.shift.stop()
        self.store.close()

    def stop(self) -> None:
        """End soon, handing the batches over."""
        self._stopping.set()

    def _publish(self, topic: str, payload: bytes) -> None:
        self.publisher.publish(topic, payload, retain=True)
