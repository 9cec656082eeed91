"""The sign of life of a running daemon: it comes while all is well, and stays away when it is not."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

pytestmark = pytest.mark.mosquitto

AT_MS = 1_767_463_200_000
WATCHED_S = 0.8
"""Many beats long: the daemon of these tests beats every 50 ms."""


class Ear:
    """Outside help that counts signs of life."""

    def __init__(self) -> None:
        self.beats = 0
        ear = self

        class Answer(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                ear.beats += 1
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Answer)
        self.server.daemon_threads = True

    def heard_in(self, seconds: float) -> int:
        """How many beats come in a stretch of time."""
        before = self.beats
        threading.Event().wait(seconds)
        return self.beats - before


@pytest.fixture
def ear() -> Iterator[Ear]:
    """One that listens."""
    made = Ear()
    thread = threading.Thread(target=made.server.serve_forever, daemon=True)
    thread.start()
    yield made
    made.server.shutdown()
    made.server.server_close()
    thread.join()


def beating(ear: Ear) -> dict[str, object]:
    """The section of the configuration."""
    return {"url": f"http://127.0.0.1:{ear.server.server_port}/secret"}


def test_it_stays_away_while_the_store_cannot_be_written(mosquitto, inside, until, tmp_path, ear):
    """Another program holds the store for writing: no beat; it lets go: beats come again by themselves."""
    inside(mosquitto(), AT_MS, heartbeat=beating(ear))
    until(lambda: ear.beats >= 3)
    with sqlite3.connect(tmp_path / "inside.sqlite", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        # what was under way may still arrive
        assert ear.heard_in(WATCHED_S) <= 2
        assert ear.heard_in(WATCHED_S) == 0
        other.execute("ROLLBACK")
    other.close()
    until(lambda before=ear.beats: ear.beats >= before + 3)


def test_it_stays_away_while_the_broker_is_away(mosquitto, inside, until, ear):
    """A daemon that hears nothing is of no use to anyone; when the broker is back, so is the beat."""
    broker = mosquitto()
    daemon = inside(broker, AT_MS, heartbeat=beating(ear))
    until(lambda: ear.beats >= 3)
    broker.stop()
    until(lambda: not daemon.subscriber.state.connected)
    assert ear.heard_in(WATCHED_S) <= 2
    assert ear.heard_in(WATCHED_S) == 0
    broker.start()
    until(lambda before=ear.beats: ear.beats >= before + 3)
