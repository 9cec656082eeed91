"""`carboyd capture`: everything that comes over MQTT into a file, as it came."""

from __future__ import annotations

import logging
import queue
import signal
import sys
from dataclasses import replace
from pathlib import Path
from typing import Final

import click

from monitor.clock import Clock, SystemClock
from monitor.commands.context import config_option, span_ms
from monitor.replay.capture import CaptureFile
from monitor.sensors.link import Link
from monitor.sensors.mqtt import Subscriber
from monitor.settings import load
from monitor.settings_sections import MqttSettings
from monitor.units import MS_PER_SECOND

MOST_AT_ONCE: Final = 500
TAKE_WAIT_S: Final = 0.2
SAY_EVERY_MS: Final = 10 * MS_PER_SECOND
KEPT_FOR_S: Final = 3_600
"""How long the broker keeps what comes while a capture is interrupted: long enough to start it again."""


@click.command("capture")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--topic", "topics", multiple=True, metavar="FILTER", help="Only this; what the daemon reads otherwise."
)
@click.option(
    "--for", "span", metavar="TIME", help="Stop after 30min, 8h, 2d; by Ctrl-C or SIGTERM otherwise."
)
@click.option("--client-id", metavar="ID", help="The daemon's own with -capture after it otherwise.")
@config_option
def capture_command(
    file: Path, topics: tuple[str, ...], span: str | None, client_id: str | None, config: Path | None
) -> None:
    """Write every message into FILE: topic, bytes and time of arrival, one JSON object a line.

    The daemon may run beside it. Stop it at any time: what has been acknowledged is in FILE, and the broker
    keeps the rest for an hour, for a capture that goes on with the same FILE. `carboyd import FILE` and
    `carboyd replay FILE` read it.
    """
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s: %(message)s", stream=sys.stderr)
    link = link_of(load(config).settings.mqtt, topics, client_id)
    stop: queue.SimpleQueue[int] = queue.SimpleQueue()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda received, _frame: stop.put(received))
    count = captured(file, link, stop, SystemClock(), None if span is None else span_ms(span))
    click.echo(f"{count} messages written to {file}")


def link_of(mqtt: MqttSettings, topics: tuple[str, ...], client_id: str | None) -> Link:
    """The daemon's own way to the broker, as a client of its own that announces nothing."""
    checked = mqtt if not topics else MqttSettings(**{**mqtt.model_dump(), "topics": topics})
    return replace(
        checked.link(checked.effective_port),
        client_id=client_id or f"{mqtt.client_id}-capture",
        session_expiry_s=KEPT_FOR_S,
        availability_topic="",
    )


def captured(
    file: Path, link: Link, stop: queue.SimpleQueue[int], clock: Clock, span: int | None = None
) -> int:
    """Write until something is on `stop` or `span` milliseconds have gone; how many messages were written.

    RecordingError where FILE cannot be written: the broker still has what was not.
    """
    count = 0
    subscriber = Subscriber(link, clock.now_ms)
    started_ms = said_ms = clock.now_ms()
    with CaptureFile(file) as out:
        subscriber.start()
        try:
            while stop.empty() and (span is None or clock.now_ms() - started_ms < span):
                arrivals = subscriber.take(MOST_AT_ONCE, TAKE_WAIT_S)
                if arrivals:
                    out.write(arrivals)
                    subscriber.acknowledge(arrivals)
                    count += len(arrivals)
                if clock.now_ms() - said_ms >= SAY_EVERY_MS:
                    said_ms = clock.now_ms()
                    subscriber.revive()
                    trouble = subscriber.state.trouble
                    click.echo(f"{count} messages" + (f"; {trouble}" if trouble else ""), err=True)
        finally:
            subscriber.stop()
    return count
