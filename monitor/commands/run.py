"""`carboyd run`: the daemon, its signals, and what it says when it starts."""

from __future__ import annotations

import logging
import queue
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

import click

from monitor import __version__
from monitor.commands.context import config_option
from monitor.daemon import Daemon
from monitor.errors import CarboydError, ConfigurationError
from monitor.settings import Loaded, load
from monitor.settings_sections import MqttSettings
from monitor.sharing import let_go
from monitor.supervision import Supervisor

logger = logging.getLogger(__name__)

SWITCH_S: Final = 0.0005
LOOK_S: Final = 1.0
EXAMPLE: Final = '[{"n":"density","u":"kg/m3","v":1038.1},{"n":"temperature","u":"Cel","v":18.4}]'

Build = Callable[[Loaded], Daemon]
"""Makes a daemon that is not started yet; raises what `Daemon` does."""


@click.command("run")
@config_option
@click.option("-v", "--verbose", is_flag=True, help="Log more.")
def run_command(config: Path | None, verbose: bool) -> int:
    """Watch until stopped: take readings in, judge, tell.

    Without a configuration it brings its own broker, on loopback only, and keeps everything in the
    user's data directory. SIGTERM or Ctrl-C stops it with nothing lost; SIGHUP reads the configuration
    again, and a faulty new one leaves the old one running.
    """
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )
    for noisy in ("apscheduler", "sqlalchemy", "amqtt", "transitions", "alembic"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    # the page shares the interpreter with the worker: it must not wait 5 ms at each of its queries
    sys.setswitchinterval(SWITCH_S)
    loaded = load(config)
    return supervise(loaded)


def supervise(loaded: Loaded, build: Build = Daemon) -> int:
    """Run what `build` makes until a signal says stop; the exit status."""
    signals: queue.SimpleQueue[int] = queue.SimpleQueue()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda received, _frame: signals.put(received))
    supervisor = Supervisor.of()
    daemon = build(loaded)
    daemon.start()
    supervisor.ready(status_words(daemon))
    for line in greeting(loaded, daemon):
        click.echo(line)
    while True:
        try:
            received = signals.get(timeout=LOOK_S)
        except queue.Empty:
            if daemon.failure is not None:
                daemon.stop()
                return 1
            supervisor.look(daemon.turns)
            continue
        if received == signal.SIGHUP:
            supervisor.reloading()
            loaded, successor = reload(loaded, daemon, build)
            if successor is not daemon:
                daemon = successor
                # only here: until now this name kept the old one
                let_go()
            supervisor.ready(status_words(daemon))
        else:
            logger.info("stopping")
            supervisor.stopping()
            daemon.stop()
            return 0


def status_words(daemon: Daemon) -> str:
    """One line for the supervisor's own status."""
    count = len(daemon.snapshots)
    return f"watching {count} open batch" if count == 1 else f"watching {count} open batches"


def greeting(loaded: Loaded, daemon: Daemon) -> list[str]:
    """Where it listens, where data lies, how to point a sensor at it, what this broker does not do."""
    mqtt = loaded.settings.mqtt
    port = mqtt.effective_port
    topics = ", ".join(mqtt.topics)
    first = mqtt.topics[0].rstrip("#").rstrip("/")
    if daemon.broker is None:
        kind = "TLS" if mqtt.tls else "no TLS"
        where = f"carboyd {__version__} reads {topics} from {mqtt.host}:{port} (MQTT 5, {kind})"
        keeps = f"The broker keeps what arrives while carboyd is away, for {mqtt.session_expiry_days:g} days."
    else:
        where = f"carboyd {__version__} listens on 127.0.0.1:{port} for {topics} (its own broker, MQTT 3.1.1)"
        keeps = (
            "This broker keeps nothing while it is down: for real batches configure Mosquitto (see README)."
        )
    page = "" if daemon.web is None else f"; the page is at {daemon.web.address}"
    return [
        where,
        f"Data lies in {daemon.store.location}{page}",
        f"Point a sensor at it: publish SenML (RFC 8428) to {first}/<sensor>, for example",
        f"  mosquitto_pub -h {mqtt.host} -p {port}{_login(mqtt)} -q 1 -t {first}/float-a -m '{EXAMPLE}'",
        keeps,
    ]


def _login(mqtt: MqttSettings) -> str:
    """What a sensor has to show to a broker that carboyd itself has to show it to."""
    authority = "" if mqtt.ca_file is None else f" --cafile {mqtt.ca_file}"
    return authority if mqtt.username is None else f"{authority} -u float-a -P PASSWORD"


def reload(loaded: Loaded, daemon: Daemon, build: Build) -> tuple[Loaded, Daemon]:
    """Another daemon on the configuration as it is now; the old one goes on if that has faults."""
    try:
        fresh = load(loaded.config_file)
        successor = build(fresh)
    except ConfigurationError as error:
        for fault in error.faults:
            logger.error("the new configuration is not used: %s", fault)
        return loaded, daemon
    except CarboydError as error:
        logger.error("the new configuration is not used: %s", error)
        return loaded, daemon
    # everything that can be refused has been; only now does anything change
    daemon.stop()
    try:
        successor.start()
    except CarboydError as error:
        logger.error("the new configuration cannot start, back to the old one: %s", error)
        successor.stop()
        old = build(loaded)
        old.start()
        return loaded, old
    logger.info("the configuration was read again")
    return fresh, successor
