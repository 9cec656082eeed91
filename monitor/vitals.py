"""What the daemon knows of itself, gathered from its parts for `/metrics`."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.intake import IntakeCounts
from monitor.notify.delivery import Courier
from monitor.notify.heartbeat import Heartbeat
from monitor.sensors.mqtt import Subscriber
from monitor.store.base import Store
from monitor.web.metrics import ChannelVitals, Vitals


@dataclass(frozen=True, slots=True)
class Pulse:
    """The parts that count."""

    subscriber: Subscriber
    counts: IntakeCounts
    courier: Courier
    heartbeat: Heartbeat | None
    store: Store

    def vitals(self) -> Vitals:
        """All of it as it is now; asks the store for the size of its log, which is a look at a file."""
        link, counts = self.subscriber.state, self.counts
        troubled = {trouble.channel for trouble in self.courier.troubles()}
        return Vitals(
            connected=link.connected,
            connections=link.connections,
            received=link.received,
            waiting=link.waiting,
            turned_away=link.turned_away,
            readings=counts.readings,
            duplicates=counts.duplicates,
            quarantined=counts.quarantined,
            store_log_bytes=self.store.log_bytes(),
            heartbeat_ms=None if self.heartbeat is None else self.heartbeat.accepted_ms,
            channels={
                name: ChannelVitals(one.sent, one.failed, name in troubled)
                for name, one in self.courier.counts().items()
            },
        )
