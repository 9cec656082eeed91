"""How fast `carboyd run` takes readings in from Mosquitto, beside a bare subscriber that throws them away.

    python tests/bench/bench_ingest.py [--messages 20000] [--rounds 3]

Both have a session at the same broker in which the same messages wait, so no publisher takes part of the
machine. Bare is paho with its own acknowledgement and an empty callback, timed from its first message to its
last. Ours is decoded, checked, committed (synchronous FULL) and acknowledged, timed from the first commit
that can be seen in the store to the last. The ratio counts, not the rates; 0.5 is the aim.
"""

from __future__ import annotations

import argparse
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

TOPIC = "carboyd/readings/float-a"
WINDOW = 1_000
LIMIT_S = 300.0
LOOK_S = 0.02


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def mosquitto(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """A broker without queue limits."""
    program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin")
    if program is None:
        sys.exit("mosquitto is not installed")
    lines = [
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "max_queued_messages 0",
        f"max_inflight_messages {WINDOW}",
        "log_type none",
    ]
    (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
    process = subprocess.Popen([program, "-c", str(folder / "mosquitto.conf")], stderr=subprocess.DEVNULL)
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), 0.1).close()
            return process
        except OSError:
            time.sleep(LOOK_S)


def client(port: int, identifier: str) -> paho.Client:
    """A connected client whose session stays."""
    one = paho.Client(CallbackAPIVersion.VERSION2, client_id=identifier, protocol=MQTTProtocolVersion.MQTTv5)
    one.max_inflight_messages_set(WINDOW)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3_600
    properties.ReceiveMaximum = WINDOW
    one.connect("127.0.0.1", port, clean_start=False, properties=properties)
    return one


def publish(port: int, count: int, offset: int) -> None:
    """Messages of two readings each, confirmed to the last."""
    sender = client(port, "sender")
    sender.loop_start()
    sent = [
        sender.publish(
            TOPIC,
            b'[{"bn":"float-a:","bt":%d,"n":"density","u":"kg/m3","v":1018.2},'
            b'{"n":"temperature","u":"Cel","v":18.3}]' % (1_764_000_000 + offset + n),
            qos=1,
        )
        for n in range(count)
    ]
    for info in sent:
        info.wait_for_publish(LIMIT_S)
    sender.disconnect()
    sender.loop_stop()


def subscribe_bare(port: int) -> None:
    """Leave a session behind for the bare subscriber."""
    one = client(port, "bare")
    done = threading.Event()
    one.on_subscribe = lambda *_: done.set()
    one.subscribe(TOPIC, qos=1)
    one.loop_start()
    done.wait(LIMIT_S)
    one.disconnect()
    one.loop_stop()


def bare(port: int, count: int) -> float:
    """Messages a second of a subscriber that does nothing."""
    times: list[float] = []
    done = threading.Event()

    def on_message(*_: object) -> None:
        times.append(time.perf_counter())
        if len(times) == count:
            done.set()

    one = client(port, "bare")
    one.on_message = on_message
    one.loop_start()
    if not done.wait(LIMIT_S):
        sys.exit(f"only {len(times)} of {count} messages came")
    one.disconnect()
    one.loop_stop()
    return (count - 1) / (times[-1] - times[0])


class Daemon:
    """`carboyd run` on this broker, in a folder of its own."""

    def __init__(self, folder: Path, port: int) -> None:
        self.store = folder / "carboyd.sqlite"
        self._config = folder / "carboyd.toml"
        self._config.write_text(
            f'[mqtt]\nbroker = "external"\nport = {port}\n[store]\nurl = "sqlite:///{self.store}"\n'
        )

    def start(self) -> subprocess.Popen[bytes]:
        """Run it."""
        command = [sys.executable, "-m", "monitor", "run", "--config", str(self._config)]
        return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def rows(self) -> int:
        """Readings that are committed; 0 before there is a store."""
        try:
            with sqlite3.connect(f"file:{self.store}?mode=ro", uri=True) as reader:
                found = reader.execute("SELECT max(position) FROM readings").fetchone()[0]
            reader.close()
        except sqlite3.OperationalError:
            return 0
        return found or 0

    def leave_session(self) -> None:
        """Run once, until a reading has come through, and stop."""
        process = self.start()
        while self.rows() == 0:
            publish(self._port_of(), 1, -1)
            time.sleep(0.2)
        process.terminate()
        process.wait(LIMIT_S)

    def _port_of(self) -> int:
        return int(self._config.read_text().split("port = ")[1].split("\n")[0])

    def ingest(self, count: int) -> float:
        """Messages a second from the first commit seen to the last."""
        before = self.rows()
        process = self.start()
        first_at, first_rows, rows, end = 0.0, 0, before, time.perf_counter() + LIMIT_S
        while rows < before + 2 * count and time.perf_counter() < end:
            time.sleep(LOOK_S)
            rows = self.rows()
            if rows > before and not first_at:
                first_at, first_rows = time.perf_counter(), rows
        last_at = time.perf_counter()
        process.terminate()
        process.wait(LIMIT_S)
        if rows < before + 2 * count:
            sys.exit(f"only {rows - before} of {2 * count} readings were stored")
        return (rows - first_rows) / 2 / (last_at - first_at)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=3)
    chosen = parser.parse_args()
    ratios = []
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        broker = mosquitto(folder, port)
        daemon = Daemon(folder, port)
        try:
            daemon.leave_session()
            subscribe_bare(port)
            for at in range(chosen.rounds):
                publish(port, chosen.messages, at * chosen.messages)
                plain = bare(port, chosen.messages)
                stored = daemon.ingest(chosen.messages)
                ratios.append(stored / plain)
                print(f"bare {plain:8.0f}/s   stored {stored:8.0f}/s   ratio {ratios[-1]:.2f}", flush=True)
        finally:
            broker.kill()
            broker.wait()
    print(f"median ratio {median(ratios):.2f}")


if __name__ == "__main__":
    main()
