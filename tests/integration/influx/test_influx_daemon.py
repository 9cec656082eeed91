"""A running daemon that forwards: from a float's message to a row on the server."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest

from monitor.batch.sheet import Sheet
from monitor.daemon import Daemon, Pace
from monitor.settings import Loaded, Settings
from monitor.units import MS_PER_HOUR

pytestmark = pytest.mark.mosquitto

START_MS = 1_764_000_000_000


@dataclass
class HandClock:
    """A clock that shows what it is set to."""

    at_ms: int

    def now_ms(self) -> int:
        """What it was set to."""
        return self.at_ms


@pytest.fixture
def daemon(mosquitto, door, tmp_path) -> Iterator[tuple[object, Daemon]]:
    """A broker and a daemon that watches a batch and forwards to the door."""
    broker = mosquitto()
    settings = Settings.model_validate(
        {
            "mqtt": {"broker": "external", "host": broker.host, "port": broker.port},
            "store": {"url": f"sqlite:///{tmp_path}/inside.sqlite"},
            "web": {"enabled": False},
            "influx": {"enabled": True, "url": door.url, "token": "one-two-three", "org": "cellar"},
        }
    )
    pace = Pace(tick_s=0.05, changes_s=0.05, forward_s=0.05)
    made = Daemon(Loaded(settings, None, tmp_path), clock=HandClock(START_MS), pace=pace)
    made.store.batches.start(
        Sheet("test-mead", "Test mead", START_MS, gravity_sensor="float-1"), at_ms=START_MS
    )
    made.start()
    assert made.subscriber.wait_connected(30.0)
    yield broker, made
    made.stop()


def until(holds: Callable[[], bool]) -> None:
    """Wait until something holds."""
    pause = threading.Event()
    for _ in range(6_000):
        if holds():
            return
        pause.wait(0.005)
    raise AssertionError("it did not come to that")


def test_a_reading_and_its_level_reach_the_server(daemon, publisher, door, influx):
    """Published over MQTT, stored, judged, and read back by InfluxQL; the token came with it."""
    broker, running = daemon
    voice = publisher(broker)
    for hour in range(40):
        time_ms = START_MS + hour * MS_PER_HOUR
        running.clock.at_ms = time_ms
        pack = [{"n": "float-1:density", "u": "kg/m3", "v": 1080.0 - hour, "t": time_ms / 1_000}]
        voice.send("carboyd/readings/a", json.dumps(pack).encode())
        until(lambda wanted=hour: running.messages > wanted)
    until(lambda: len(influx.query("SELECT gravity_sg FROM reading WHERE sensor = 'float-1'")) == 40)
    until(lambda: bool(influx.query("SELECT phase FROM level WHERE batch = 'test-mead'")))
    until(lambda: bool(influx.query("SELECT phase FROM phase WHERE batch = 'test-mead'")))
    assert door.authorizations == {"Token one-two-three"}
