"""`/metrics`: what runs, in the text format of Prometheus, from memory alone.

Names follow its conventions: one prefix, base units, a plural unit as suffix, `_total` on what only grows,
the moment of an event and not its age, which would stand still with the process. The series of a batch end
with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor import __version__
from monitor.ferment.emission import Phase, Severity
from monitor.ferment.pipeline import Snapshot
from monitor.units import MS_PER_SECOND, POINTS_PER_SG

SECONDS_PER_HOUR: Final = 3_600.0


@dataclass(frozen=True, slots=True)
class ChannelVitals:
    """One channel of notices since the start."""

    sent: int
    failed: int
    in_trouble: bool


@dataclass(frozen=True, slots=True)
class Vitals:
    """What the daemon knows of itself without asking its store."""

    connected: bool = True
    connections: int = 0
    received: int = 0
    """Messages that came from the broker."""
    waiting: int = 0
    """Of these, not yet stored."""
    turned_away: int = 0
    readings: int = 0
    duplicates: int = 0
    quarantined: int = 0
    store_log_bytes: int = 0
    heartbeat_ms: int | None = None
    """When the last sign of life was accepted; None before the first, or where none is sent."""
    channels: Mapping[str, ChannelVitals] = field(default_factory=dict)


class Gauges(Collector):
    """Asked at every scrape; the numbers are those of that moment."""

    def __init__(self, vitals: Callable[[], Vitals], snapshots: Callable[[], Mapping[str, Snapshot]]) -> None:
        self._vitals = vitals
        self._snapshots = snapshots

    def collect(self) -> Iterator[Metric]:
        """Every family of metrics."""
        vitals = self._vitals()
        yield _build()
        yield from _intake(vitals)
        yield from _notices(vitals)
        yield from _batches(self._snapshots())


def metrics_route(vitals: Callable[[], Vitals], snapshots: Callable[[], Mapping[str, Snapshot]]) -> Route:
    """The address of the metrics; who may ask is the guard's business."""
    registry = CollectorRegistry()
    registry.register(Gauges(vitals, snapshots))
    ProcessCollector(registry=registry)

    async def metrics(request: Request) -> Response:
        encode, media = choose_encoder(request.headers.get("accept", ""))
        return Response(await run_in_threadpool(encode, registry), headers={"Content-Type": media})

    return Route("/metrics", metrics)


def _build() -> Metric:
    family = GaugeMetricFamily("carboyd_build_info", "Version of carboyd that runs.", labels=["version"])
    family.add_metric([__version__], 1)
    return family


def _intake(vitals: Vitals) -> Iterator[Metric]:
    yield GaugeMetricFamily(
        "carboyd_mqtt_connected", "Whether the broker is connected (1) or not (0).", float(vitals.connected)
    )
    for name, says, value in (
        ("mqtt_connections", "Connections to the broker since the start.", vitals.connections),
        ("mqtt_messages_received", "Messages that came from the broker.", vitals.received),
        ("mqtt_messages_turned_away", "Messages that found the queue full.", vitals.turned_away),
        ("messages_quarantined", "Messages that could not be understood, and were kept.", vitals.quarantined),
        ("readings_stored", "Readings that were new and are stored.", vitals.readings),
        ("readings_repeated", "Readings that were stored already.", vitals.duplicates),
    ):
        yield CounterMetricFamily(f"carboyd_{name}", says, value)
    yield GaugeMetricFamily("carboyd_mqtt_messages_waiting", "Messages not stored yet.", vitals.waiting)
    yield GaugeMetricFamily(
        "carboyd_store_log_bytes", "Written but not yet folded into the store's file.", vitals.store_log_bytes
    )
    if vitals.heartbeat_ms is not None:
        yield GaugeMetricFamily(
            "carboyd_heartbeat_timestamp_seconds",
            "When the last sign of life was accepted outside.",
            vitals.heartbeat_ms / MS_PER_SECOND,
        )


def _notices(vitals: Vitals) -> Iterator[Metric]:
    sent = CounterMetricFamily("carboyd_notices_sent", "Notices a channel accepted.", labels=["channel"])
    failed = CounterMetricFamily(
        "carboyd_notices_failed", "Tries a channel did not accept.", labels=["channel"]
    )
    trouble = GaugeMetricFamily(
        "carboyd_channel_in_trouble", "Whether a channel fails now (1) or not (0).", labels=["channel"]
    )
    for name, channel in vitals.channels.items():
        sent.add_metric([name], channel.sent)
        failed.add_metric([name], channel.failed)
        trouble.add_metric([name], float(channel.in_trouble))
    yield from (sent, failed, trouble)


def _batches(snapshots: Mapping[str, Snapshot]) -> Iterator[Metric]:
    stand = list(snapshots.items())
    yield _of_each("gravity_ratio", "Specific gravity, the robust level.", stand, _gravity)
    yield _of_each("temperature_celsius", "Temperature of the liquid.", stand, _celsius)
    yield _of_each("final_gravity_ratio", "Where it should end, the middle.", stand, _final)
    yield _of_each("finish_timestamp_seconds", "When it should end, the middle.", stand, _finish)
    yield _of_each("heard_timestamp_seconds", "The last hour that has a reading.", stand, _heard)
    yield _of_each(
        "judged_timestamp_seconds", "When it was last looked at.", stand, lambda s: s.at_ms / MS_PER_SECOND
    )
    phases = GaugeMetricFamily(
        "carboyd_batch_phase", "The phase of a batch: 1 for the one it is in.", labels=["batch", "phase"]
    )
    alerts = GaugeMetricFamily("carboyd_batch_alerts", "Alerts that fire now.", labels=["batch", "severity"])
    for slug, snapshot in stand:
        for phase in Phase:
            phases.add_metric([slug, phase.value], float(snapshot.phase is phase))
        for severity in Severity:
            count = sum(alert.severity is severity for alert in snapshot.open_alerts)
            alerts.add_metric([slug, severity.value], count)
    yield from (phases, alerts)


def _of_each(
    name: str, says: str, stand: Iterable[tuple[str, Snapshot]], value: Callable[[Snapshot], float]
) -> Metric:
    family = GaugeMetricFamily(f"carboyd_batch_{name}", says, labels=["batch"])
    for slug, snapshot in stand:
        number = value(snapshot)
        if math.isfinite(number):  # what is not known is left out
            family.add_metric([slug], number)
    return family


def _gravity(snapshot: Snapshot) -> float:
    return 1.0 + snapshot.evidence.shown_points / POINTS_PER_SG


def _celsius(snapshot: Snapshot) -> float:
    return snapshot.evidence.temperature_c


def _final(snapshot: Snapshot) -> float:
    return 1.0 + snapshot.evidence.final_p50 / POINTS_PER_SG


def _finish(snapshot: Snapshot) -> float:
    return snapshot.at_ms / MS_PER_SECOND + snapshot.evidence.end_hours_p50 * SECONDS_PER_HOUR


def _heard(snapshot: Snapshot) -> float:
    return snapshot.at_ms / MS_PER_SECOND - snapshot.evidence.data_age_hours * SECONDS_PER_HOUR
