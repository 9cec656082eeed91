"""Real time-series servers, and a door before one that turns the second generation's writes into the first's.

Debian has no server that speaks the v2 write interface and InfluxQL both. Its `influxdb` is of the first
generation: `Door` passes `/api/v2/write?bucket=B` on to `/write?db=B` and gives its answers back as they
are. `victoria-metrics` takes the v2 write itself.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from monitor.store.gate import StoreOptions
from monitor.store.influx import InfluxServer
from monitor.store.influx_target import InfluxTarget
from monitor.store.sql import SqlStore

START_S = 30.0
TOKEN = "a-token-that-nobody-may-see"
BUCKET = "carboyd"


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} is not installed, and this run must test everything")
        pytest.skip(f"{name} is not installed (on Debian: apt install influxdb victoria-metrics)")
    return found


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def asked(url: str, form: dict[str, str] | None = None) -> bytes:
    """The body of an answer; a form is posted."""
    data = None if form is None else urllib.parse.urlencode(form).encode()
    with urllib.request.urlopen(url, data=data, timeout=10) as answer:  # noqa: S310  a loopback address
        body: bytes = answer.read()
        return body


@dataclass
class Program:
    """A server process that can be stopped and started on the same data."""

    command: list[str]
    url: str
    alive: str
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Run it until it answers."""
        self._process = subprocess.Popen(self.command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        pause = threading.Event()
        for _ in range(int(START_S / 0.05)):
            try:
                asked(self.url + self.alive)
                return
            except OSError:
                pause.wait(0.05)
        raise AssertionError(f"{self.command[0]} does not answer")

    def stop(self) -> None:
        """End it in an orderly way, its data stay."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(START_S)
            self._process = None


@dataclass
class Influx(Program):
    """An InfluxDB of the first generation."""

    def query(self, words: str) -> list[dict[str, Any]]:
        """Rows of all series of one InfluxQL statement, tags among their columns."""
        query = {"db": BUCKET, "q": words, "epoch": "ms"}
        found = json.loads(asked(f"{self.url}/query?{urllib.parse.urlencode(query)}"))["results"][0]
        assert "error" not in found, found
        rows = []
        for series in found.get("series", []):
            for values in series["values"]:
                rows.append(series.get("tags", {}) | dict(zip(series["columns"], values, strict=True)))
        return rows


@pytest.fixture(scope="session")
def _influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    program = _program("influxd")
    folder = tmp_path_factory.mktemp("influx")
    port, inner = free_port(), free_port()
    (folder / "influx.conf").write_text(
        f"""reporting-enabled = false
bind-address = "127.0.0.1:{inner}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{port}"
"""
    )
    server = Influx([program, "-config", str(folder / "influx.conf")], f"http://127.0.0.1:{port}", "/ping")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def influx(_influx: Influx) -> Influx:
    """A running server with an empty bucket."""
    for words in (f'DROP DATABASE "{BUCKET}"', f'CREATE DATABASE "{BUCKET}"'):
        asked(f"{_influx.url}/query", {"q": words})
    return _influx


@dataclass
class Door:
    """Stands before a server: passes writes on, and fails on demand."""

    inner: str
    seen: list[tuple[str, bytes]] = field(default_factory=list)
    answers: list[tuple[int, dict[str, str], bytes]] = field(default_factory=list)
    """Given instead of asking the server, first come first served."""
    cut: list[bool] = field(default_factory=list)
    """True for a write that the server gets and whose answer is lost on the way back."""
    authorizations: set[str] = field(default_factory=set)
    _server: ThreadingHTTPServer | None = None
    port: int = 0

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    def open(self) -> None:
        """Listen, on the same port as before."""
        door = self

        class Passing(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                door.authorizations.add(self.headers.get("Authorization", ""))
                door.seen.append((self.path, body))
                if door.answers:
                    status, headers, answer = door.answers.pop(0)
                else:
                    status, headers, answer = door._passed_on(self.path, body)
                if door.cut and door.cut.pop(0):
                    self.close_connection = True
                    return
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *_words: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Passing)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def shut(self) -> None:
        """Refuse connections, as a server that is down."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def _passed_on(self, path: str, body: bytes) -> tuple[int, dict[str, str], bytes]:
        asked_for = urllib.parse.parse_qs(urllib.parse.urlsplit(path).query)
        query = {"db": asked_for["bucket"][0], "precision": asked_for["precision"][0]}
        inner = f"{self.inner}/write?{urllib.parse.urlencode(query)}"
        try:
            with urllib.request.urlopen(inner, data=body, timeout=10) as answer:  # noqa: S310
                return answer.status, {}, answer.read()
        except urllib.error.HTTPError as error:
            with error:
                kept = {name: value for name, value in error.headers.items() if name.startswith("X-")}
                return error.code, kept, error.read()


@pytest.fixture
def door(influx: Influx) -> Iterator[Door]:
    """An open door before an empty bucket."""
    made = Door(influx.url)
    made.open()
    yield made
    made.shut()


@pytest.fixture
def server() -> Iterator[Callable[[str], InfluxServer]]:
    """A factory of clients to an address; all closed at the end."""
    made: list[InfluxServer] = []

    def make(url: str) -> InfluxServer:
        made.append(InfluxServer(InfluxTarget(url, TOKEN, "cellar", BUCKET)))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqlStore]:
    """An empty store."""
    with SqlStore(StoreOptions(f"sqlite:///{tmp_path}/carboyd.sqlite")) as opened:
        yield opened


@pytest.fixture(scope="session")
def _victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Program]:
    program, port = _program("victoria-metrics"), free_port()
    folder = tmp_path_factory.mktemp("victoria")
    server = Program(
        [
            program,
            f"-httpListenAddr=127.0.0.1:{port}",
            f"-storageDataPath={folder}",
            "-retentionPeriod=100y",
        ],
        f"http://127.0.0.1:{port}",
        "/health",
    )
    server.start()
    yield server
    server.stop()


@pytest.fixture
def victoria(_victoria: Program) -> Program:
    """A running victoria-metrics without series."""
    every = urllib.parse.quote('{__name__!=""}')
    asked(f"{_victoria.url}/api/v1/admin/tsdb/delete_series?match[]={every}")
    return _victoria
