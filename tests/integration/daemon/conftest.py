"""A running `carboyd run` in a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.batch.sheet import Sheet
from monitor.daemon import Daemon, Pace
from monitor.settings import Loaded, Settings
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore

LIMIT_S = 30.0


@dataclass
class Running:
    """One daemon process; may be stopped, killed and started again on the same configuration."""

    config: Path
    environment: dict[str, str]
    process: subprocess.Popen[str] | None = None
    greeting: list[str] = field(default_factory=list)
    log: list[str] = field(default_factory=list)
    _news: threading.Condition = field(default_factory=threading.Condition)
    _reader: threading.Thread | None = None

    def start(self, *, connected: bool = True) -> None:
        """Run it and wait for its five lines, and for the broker unless told otherwise."""
        self.log.clear()
        command = [sys.executable, "-m", "monitor", "run", "--config", str(self.config)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=self.environment
        )
        self._reader = threading.Thread(target=self._read, args=(self.process,), daemon=True)
        self._reader.start()
        assert self.process.stdout is not None
        self.greeting = [self.process.stdout.readline().rstrip("\n") for _ in range(5)]
        assert all(self.greeting), self.log
        if connected:
            assert self.said("subscribed to"), self.log

    def said(self, text: str, limit_s: float = LIMIT_S) -> bool:
        """Whether its log has this text, waiting at most so long for it."""
        with self._news:
            return self._news.wait_for(lambda: any(text in line for line in self.log), limit_s)

    def send(self, number: signal.Signals) -> None:
        """Send a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def end(self, number: signal.Signals = signal.SIGTERM, limit_s: float = LIMIT_S) -> int:
        """Send a signal and wait for the end; the exit status."""
        if self.process is None:
            return 0
        self.process.send_signal(number)
        status = self.process.wait(limit_s)
        assert self._reader is not None
        self._reader.join(limit_s)
        for stream in (self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()
        self.process = None
        return status

    def _read(self, process: subprocess.Popen[str]) -> None:
        assert process.stderr is not None
        for line in process.stderr:
            with self._news:
                self.log.append(line.rstrip("\n"))
                self._news.notify_all()


@dataclass
class Workplace:
    """A folder with a configuration and a store."""

    folder: Path

    @property
    def config(self) -> Path:
        """The configuration file."""
        return self.folder / "carboyd.toml"

    def configure(self, broker, **mqtt: object) -> None:
        """Write a configuration for this broker; further keys go into its table."""
        lines = ["[mqtt]", 'broker = "external"', f'host = "{broker.host}"', f"port = {broker.port}"]
        for key, value in mqtt.items():
            text = str(value).lower() if isinstance(value, bool) else f'"{value}"'
            lines.append(f"{key} = {text}")
        lines += ["[web]", "port = 0", "[store]", f'url = "sqlite:///{self.folder}/carboyd.sqlite"']
        self.config.write_text("\n".join(lines) + "\n")

    def store(self) -> SqlStore:
        """The store, opened beside the daemon."""
        return SqlStore(StoreOptions(f"sqlite:///{self.folder}/carboyd.sqlite"))


@pytest.fixture
def workplace(tmp_path: Path) -> Workplace:
    """An empty one."""
    folder = tmp_path / "workplace"
    folder.mkdir()
    return Workplace(folder)


@pytest.fixture
def carboyd(workplace: Workplace) -> Iterator[Callable[..., Running]]:
    """A factory of daemon processes on the workplace's configuration; killed at the end."""
    made: list[Running] = []

    def make(**environment: str) -> Running:
        kept = {name: value for name, value in os.environ.items() if not name.startswith("CARBOYD_")}
        one = Running(workplace.config, kept | environment)
        made.append(one)
        return one

    yield make
    for one in made:
        one.end(signal.SIGKILL)


@dataclass
class HandClock:
    """A clock that shows what it is set to."""

    at_ms: int

    def now_ms(self) -> int:
        """What it was set to."""
        return self.at_ms


@pytest.fixture
def until() -> Callable[[Callable[[], bool]], None]:
    """Wait until something holds."""

    def wait(holds: Callable[[], bool]) -> None:
        pause = threading.Event()
        for _ in range(int(4 * LIMIT_S / 0.001)):
            if holds():
                return
            pause.wait(0.001)
        raise AssertionError("it did not come to that")

    return wait


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Callable[..., Daemon]]:
    """A factory of daemons in this process, on a clock set by hand; all stopped at the end.

    `inside(broker, at_ms, heard=..., notify=...)` gives one that is started and subscribed; `before` gets
    its store first.
    """
    made: list[Daemon] = []

    def make(
        broker, at_ms: int, sheet: Sheet | None = None, heard=None, before=None, **sections: object
    ) -> Daemon:
        settings = Settings.model_validate(
            {
                "mqtt": {"broker": "external", "host": broker.host, "port": broker.port},
                "store": {"url": f"sqlite:///{tmp_path}/inside.sqlite"},
                "web": {"enabled": False},
                **sections,
            }
        )
        daemon = Daemon(
            Loaded(settings, None, tmp_path),
            clock=HandClock(at_ms),
            pace=Pace(tick_s=0.05, changes_s=0.05, beat_s=0.05),
            heard=heard or (lambda _slug, _said: None),
        )
        made.append(daemon)
        if sheet is not None:
            daemon.store.batches.start(sheet, at_ms=at_ms)
        if before is not None:
            before(daemon.store)
        daemon.start()
        assert daemon.subscriber.wait_connected(LIMIT_S)
        return daemon

    yield make
    for daemon in made:
        daemon.stop()


class Listener:
    """A client that remembers the last message of every topic, and can be waited on."""

    def __init__(self, host: str, port: int, topics: str) -> None:
        self.heard: dict[str, tuple[bytes, bool]] = {}
        self.counts: Counter[str] = Counter()
        self._news = threading.Condition()
        listens = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_connect = lambda client, *_: client.subscribe(topics, 1)
        self._client.on_subscribe = lambda *_: listens.set()
        self._client.on_message = self._on_message
        self._client.connect(host, port)
        self._client.loop_start()
        assert listens.wait(LIMIT_S)

    def wait_count(self, topic: str, count: int) -> None:
        """Until so many messages came on a topic."""
        with self._news:
            assert self._news.wait_for(lambda: self.counts[topic] >= count, LIMIT_S), (topic, self.counts)

    def wait_for(self, topic: str, payload: bytes | None = None, limit_s: float = LIMIT_S) -> bytes:
        """The message on a topic, once there is one (with this payload, if given)."""
        with self._news:
            found = self._news.wait_for(
                lambda: topic in self.heard and payload in (None, self.heard[topic][0]), limit_s
            )
            assert found, f"nothing on {topic}: {self.heard}"
            return self.heard[topic][0]

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        with self._news:
            self.heard[message.topic] = (bytes(message.payload), bool(message.retain))
            self.counts[message.topic] += 1
            self._news.notify_all()


@pytest.fixture
def listener() -> Iterator[Callable[..., Listener]]:
    """A factory: `listener(broker, topics)`; all closed at the end."""
    made: list[Listener] = []

    def make(broker, topics: str = "carboyd/#") -> Listener:
        made.append(Listener(broker.host, broker.port, topics))
        return made[-1]

    yield make
    for one in made:
        one.close()


class Receiver:
    """A web hook that can refuse, and remembers what it accepted."""

    def __init__(self) -> None:
        self.accepted: list[dict[str, str]] = []
        self.refused = 0
        self.open = False
        self._news = threading.Condition()
        receiver = self

        class Hook(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                self.send_response(receiver.take(body))
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Hook)
        self._server.daemon_threads = True
        self.url = f"json://127.0.0.1:{self._server.server_address[1]}/hook"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def take(self, body: bytes) -> int:
        """The status for a notice."""
        with self._news:
            if self.open:
                self.accepted.append(json.loads(body))
            else:
                self.refused += 1
            self._news.notify_all()
            return 200 if self.open else 503

    def wait(self, holds) -> None:
        """Until it holds of this receiver."""
        with self._news:
            assert self._news.wait_for(lambda: holds(self), 2 * LIMIT_S), (self.accepted, self.refused)

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """One receiver, refusing at first."""
    made = Receiver()
    yield made
    made.close()
