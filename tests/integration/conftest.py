"""A real Mosquitto for each test: own process, free port, own configuration, all in a temporary folder."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import ssl
import subprocess
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.sensors.link import Link
from monitor.sensors.mqtt import Subscriber

START_S = 10.0
STAMP_MS = 1_764_000_000_000


def _program(name: str, *places: str) -> str:
    """Where the program is; skips without it, but fails where everything must be tested."""
    found = shutil.which(name, path=os.pathsep.join([os.environ.get("PATH", ""), *places]))
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} is not installed, and this run must test everything")
        pytest.skip(f"{name} is not installed (on Debian: apt install mosquitto openssl)")
    return found


@dataclass(frozen=True)
class Certificates:
    """A throw-away authority, and what it signed."""

    ca: Path
    server: Path
    server_key: Path
    client: Path
    client_key: Path


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Certificates for localhost and for one client, made anew for each run."""
    openssl = _program("openssl")
    folder = tmp_path_factory.mktemp("certificates")
    new_key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]

    def run(*arguments: str | Path) -> None:
        subprocess.run([openssl, *map(str, arguments)], check=True, capture_output=True, cwd=folder)

    run(
        "req",
        "-x509",
        *new_key,
        "-days",
        "2",
        "-subj",
        "/CN=test authority",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
    )
    for name, extension in (
        ("server", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
        ("client", "basicConstraints=CA:FALSE"),
    ):
        (folder / f"{name}.ext").write_text(extension + "\n")
        run("req", *new_key, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        run(
            "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", f"{name}.ext", "-out", f"{name}.pem",
        )  # fmt: skip
    return Certificates(
        folder / "ca.pem",
        folder / "server.pem",
        folder / "server.key",
        folder / "client.pem",
        folder / "client.key",
    )


@dataclass
class Mosquitto:
    """One broker; start, stop and kill it at will, its port and its store stay."""

    program: str
    folder: Path
    port: int
    host: str = "127.0.0.1"
    _process: subprocess.Popen[bytes] | None = None
    _log: deque[str] = field(default_factory=lambda: deque(maxlen=5_000))
    _news: threading.Condition = field(default_factory=threading.Condition)
    _reader: threading.Thread | None = None

    def start(self) -> None:
        """Run it, and wait until it says that it does."""
        assert self._process is None, "it runs already"
        self._log.clear()
        command = [self.program, "-c", str(self.folder / "mosquitto.conf")]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        self._reader = threading.Thread(target=self._read, args=(self._process,), daemon=True)
        self._reader.start()
        assert self.wait_for_log(" running", START_S), f"Mosquitto did not start: {list(self._log)}"

    def stop(self) -> None:
        """End it in an orderly way: it saves its sessions."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def wait_for_log(self, text: str, timeout_s: float) -> bool:
        """Whether a log line with this text has come since the start, waiting at most so long."""
        with self._news:
            return self._news.wait_for(lambda: any(text in line for line in self._log), timeout_s)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(how)
        self._process.wait(START_S)
        assert self._reader is not None
        self._reader.join(START_S)
        assert self._process.stderr is not None
        self._process.stderr.close()
        self._process = None

    def _read(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stderr is not None
        for line in process.stderr:
            with self._news:
                self._log.append(line.decode(errors="replace").rstrip())
                self._news.notify_all()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """A factory of running brokers, all stopped at the end.

    `users` maps names to passwords and forbids anonymous clients; `acl` is the text of an access list;
    `certificates` turns on TLS, `client_certificates` demands one; `extra` is appended to the configuration.
    Queues have no limit, in-flight windows are 1000 and sessions are saved every second unless `extra`
    says otherwise.
    """
    program = _program("mosquitto", "/usr/sbin", "/usr/local/sbin")
    made: list[Mosquitto] = []

    def make(
        *,
        users: dict[str, str] | None = None,
        acl: str | None = None,
        certificates: Certificates | None = None,
        client_certificates: bool = False,
        extra: Iterable[str] = (),
        start: bool = True,
    ) -> Mosquitto:
        folder = tmp_path / f"mosquitto-{len(made)}"
        (folder / "store").mkdir(parents=True)
        broker = Mosquitto(program, folder, _free_port())
        lines = [
            f"listener {broker.port} 127.0.0.1",
            f"user {getpass.getuser()}",
            "persistence true",
            f"persistence_location {folder}/store/",
            "max_queued_messages 0",
            "max_inflight_messages 1000",
            "autosave_interval 1",
            "log_dest stderr",
            "log_type all",
            f"allow_anonymous {'false' if users else 'true'}",
        ]
        if users:
            lines.append(f"password_file {_password_file(folder, users)}")
        if acl is not None:
            (folder / "acl").write_text(acl)
            (folder / "acl").chmod(0o600)
            lines.append(f"acl_file {folder}/acl")
        if certificates is not None:
            lines += [
                f"cafile {certificates.ca}",
                f"certfile {certificates.server}",
                f"keyfile {certificates.server_key}",
                f"require_certificate {'true' if client_certificates else 'false'}",
            ]
        (folder / "mosquitto.conf").write_text("\n".join([*lines, *extra]) + "\n")
        made.append(broker)
        if start:
            broker.start()
        return broker

    yield make
    for broker in made:
        broker.kill()


def _password_file(folder: Path, users: dict[str, str]) -> Path:
    path = folder / "passwords"
    path.touch(0o600)
    tool = _program("mosquitto_passwd", "/usr/sbin", "/usr/local/bin")
    for name, password in users.items():
        subprocess.run([tool, "-b", str(path), name, password], check=True, capture_output=True)
    return path


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Publisher:
    """A sensor's side: publishes and waits until the broker has confirmed."""

    def __init__(
        self, broker: Mosquitto, username: str = "", password: str = "", ca: Path | None = None
    ) -> None:
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.max_inflight_messages_set(200)
        if username:
            self._client.username_pw_set(username, password)
        if ca is not None:
            self._client.tls_set_context(ssl.create_default_context(cafile=str(ca)))
        connected = threading.Event()
        self._client.on_connect = lambda *_: connected.set()
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        assert connected.wait(START_S), "the publisher could not connect"

    def send(
        self, topic: str, *payloads: bytes, qos: int = 1, retain: bool = False, content_type: str = ""
    ) -> None:
        """Publish all of them in order and wait for the last confirmation."""
        properties = None
        if content_type:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ContentType = content_type
        sent = [
            self._client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
            for payload in payloads
        ]
        for info in sent:
            info.wait_for_publish(START_S)
            assert info.is_published(), "the broker did not confirm"

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def publisher() -> Iterator[Callable[..., Publisher]]:
    """A factory: `publisher(broker, username=..., password=..., ca=...)`; all closed at the end."""
    made: list[Publisher] = []

    def make(broker: Mosquitto, username: str = "", password: str = "", ca: Path | None = None) -> Publisher:
        made.append(Publisher(broker, username, password, ca))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def subscriber() -> Iterator[Callable[..., Subscriber]]:
    """A factory of started and connected subscribers; all stopped at the end."""
    made: list[Subscriber] = []

    def make(broker, *, connect: bool = True, now_ms=lambda: STAMP_MS, **changes) -> Subscriber:
        wanted = {
            "host": broker.host,
            "port": broker.port,
            "client_id": "carboyd-test",
            "topics": ("carboyd/readings/#",),
            "reconnect_s": (0.05, 0.2),
            "will_delay_s": 0,
        } | changes
        one = Subscriber(Link(**wanted), now_ms)
        made.append(one)
        one.start()
        if connect:
            assert one.wait_connected(START_S), one.state
        return one

    yield make
    for one in made:
        one.stop()
