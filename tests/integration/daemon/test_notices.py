"""From a reading over MQTT to a notice over HTTP: delivered once, also when the receiver was down."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.premise import Yeast

pytestmark = pytest.mark.mosquitto

LIMIT_S = 60.0
HOUR_S = 3_600
PITCHED_S = 1_767_463_200


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
            assert self._news.wait_for(lambda: holds(self), LIMIT_S), (self.accepted, self.refused)

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


def _cold(hour: int) -> bytes:
    time_s = PITCHED_S + hour * HOUR_S
    return json.dumps(
        [
            {"n": "float-1:density", "u": "kg/m3", "v": 1_038.0, "t": time_s},
            {"n": "float-1:temperature", "u": "Cel", "v": 4.0, "t": time_s},
        ]
    ).encode()


def test_a_notice_survives_a_receiver_that_is_down_and_a_restart(
    mosquitto, publisher, inside, until, receiver, caplog
):
    """A cold liquid: refused, restarted, accepted: one alert, one notice, never a second one."""
    broker = mosquitto()
    notify = {"channels": [{"name": "hook", "url": receiver.url}]}
    sheet = Sheet(
        slug="porch",
        name="Porch",
        pitched_ms=PITCHED_S * 1_000,
        yeast=Yeast((14.0, 24.0)),
        gravity_sensor="float-1",
        temperature_sensor="float-1",
    )
    first = inside(broker, PITCHED_S * 1_000, sheet, notify=notify)
    sensor = publisher(broker)
    for hour in range(8):
        first.clock.at_ms = (PITCHED_S + hour * HOUR_S) * 1_000 + 1
        sensor.send("carboyd/readings/float-1", _cold(hour))
        until(lambda count=hour + 1: first.messages == count)
    receiver.wait(lambda one: one.refused >= 1)
    first.stop()

    receiver.open = True
    second = inside(broker, first.clock.at_ms + HOUR_S * 1_000, notify=notify)
    receiver.wait(lambda one: one.accepted)
    until(lambda: not second.store.outbox.due(second.clock.at_ms))
    second.stop()
    (notice,) = receiver.accepted
    assert "Porch" in notice["title"]
    assert "4.0 degC" in notice["message"]
    assert receiver.url not in caplog.text
