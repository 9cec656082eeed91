"""Daemons and workers in processes of their own, on one PostgreSQL and one Mosquitto."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

LIMIT_S = 60.0


@dataclass
class Process:
    """One `carboyd` process and what it said."""

    process: subprocess.Popen[str]
    log: list[str] = field(default_factory=list)
    _news: threading.Condition = field(default_factory=threading.Condition)

    def __post_init__(self) -> None:
        """Listen to it."""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def said(self, text: str, limit_s: float = LIMIT_S) -> bool:
        """Whether its output has this text, waiting at most so long for it."""
        with self._news:
            return self._news.wait_for(lambda: any(text in line for line in self.log), limit_s)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal and wait for the end; the exit status."""
        self.process.send_signal(number)
        status = self.process.wait(LIMIT_S)
        self._reader.join(LIMIT_S)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return status

    @property
    def running(self) -> bool:
        """Whether it has not ended."""
        return self.process.poll() is None

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._news:
                self.log.append(line.rstrip("\n"))
                self._news.notify_all()


Carboyd = Callable[..., Process]


@pytest.fixture
def carboyd(server_url: str, tmp_path: Path) -> Iterator[Carboyd]:
    """A factory: `carboyd("run", broker, client_id=..., hook=...)`; all killed at the end."""
    made: list[Process] = []
    kept = {name: value for name, value in os.environ.items() if not name.startswith("CARBOYD_")}

    def make(command: str, broker, client_id: str = "carboyd", hook: str = "", **environment: str) -> Process:
        lines = [
            *("[mqtt]", 'broker = "external"', f'host = "{broker.host}"', f"port = {broker.port}"),
            *(f'client_id = "{client_id}"', "[web]", "port = 0", "[store]", f'url = "{server_url}"'),
        ]
        if hook:
            lines += [
                "[notify]",
                "group_minutes = 0",
                "[[notify.channels]]",
                'name = "hook"',
                f'url = "{hook}"',
            ]
        config = tmp_path / f"{client_id}-{len(made)}.toml"
        config.write_text("\n".join(lines) + "\n")
        arguments = [sys.executable, "-m", "monitor", command, "--config", str(config)]
        one = Process(
            subprocess.Popen(
                arguments, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=kept | environment
            )
        )
        made.append(one)
        return one

    yield make
    for one in made:
        if one.running:
            one.end(signal.SIGKILL)


class Hook:
    """A web hook that counts notices by the batches that they are about; one may be about several."""

    def __init__(self) -> None:
        self.batches: Counter[str] = Counter()
        self._news = threading.Condition()
        hook = self

        class Answer(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                with hook._news:
                    hook.batches.update(set(re.findall(r"Batch \d+", body["title"] + body["message"])))
                    hook._news.notify_all()
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
        self._server.daemon_threads = True
        self.url = f"json://127.0.0.1:{self._server.server_address[1]}/hook"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def wait_for(self, count: int, limit_s: float) -> bool:
        """Whether notices of so many batches have come within the limit."""
        with self._news:
            return self._news.wait_for(lambda: len(self.batches) >= count, limit_s)

    def close(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture
def hook() -> Iterator[Hook]:
    """One hook."""
    made = Hook()
    yield made
    made.close()
