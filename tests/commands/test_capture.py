"""`carboyd capture` on a real broker: the file holds what was sent, and the daemon is not disturbed."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.publish
import pytest

from monitor.clock import SystemClock
from monitor.commands.capture import KEPT_FOR_S, captured, link_of
from monitor.errors import RecordingError
from monitor.replay.capture import arrivals_in
from monitor.replay.recording import RowFaults
from monitor.sensors.broker import EmbeddedBroker
from monitor.settings_sections import MqttSettings

TOPIC = "carboyd/readings/float-a"
WAIT_S = 15.0


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    """A running embedded broker on a free port."""
    one = EmbeddedBroker()
    one.start()
    yield one
    one.stop()


class Counting(queue.SimpleQueue):
    """Says stop once a file holds so many lines."""

    def __init__(self, path: Path, wanted: int) -> None:
        self._path, self._wanted = path, wanted

    def empty(self) -> bool:
        """Whether to go on."""
        return not self._path.is_file() or self._path.read_bytes().count(b"\n") < self._wanted


def test_messages_are_written_as_they_came(broker: EmbeddedBroker, tmp_path: Path) -> None:
    """Topic and bytes, in order, those that nothing understands too."""
    path = tmp_path / "loft.jsonl"
    payloads = [b"\x00\xff", b"", *(b"%d" % n for n in range(8))]
    link = link_of(MqttSettings(port=broker.port), (), None)
    counts: list[int] = []
    thread = threading.Thread(
        target=lambda: counts.append(captured(path, link, Counting(path, 10), SystemClock(), 15_000)),
        daemon=True,
    )
    thread.start()
    while thread.is_alive() and not _lines(path):  # until it listens: nothing is kept for an unknown client
        paho.mqtt.publish.single(TOPIC, b"\x00\xff", 1, hostname=broker.host, port=broker.port)
        thread.join(0.1)
    paho.mqtt.publish.multiple(
        [(TOPIC, payload, 1, False) for payload in payloads[1:]], hostname=broker.host, port=broker.port
    )
    thread.join(WAIT_S)
    assert not thread.is_alive()
    found = [arrival for _, arrival in arrivals_in(path, RowFaults())]
    assert counts == [len(found)]
    assert {arrival.topic for arrival in found} == {TOPIC}
    heard = [arrival.payload for arrival in found]
    first = next(place for place, payload in enumerate(heard) if payload != payloads[0])
    assert heard[first:] == payloads[1 : 1 + len(heard) - first]


def _lines(path: Path) -> int:
    return path.read_bytes().count(b"\n") if path.is_file() else 0


def test_it_is_a_client_of_its_own_and_announces_nothing() -> None:
    """Beside the daemon, which keeps its identifier and its availability."""
    link = link_of(MqttSettings(client_id="cellar"), ("shed/#",), None)
    assert (link.client_id, link.topics, link.availability_topic) == ("cellar-capture", ("shed/#",), "")
    assert link.session_expiry_s == KEPT_FOR_S
    assert link_of(MqttSettings(), (), "other").client_id == "other"


def test_a_file_that_cannot_be_written_stops_before_anything_is_taken(tmp_path: Path) -> None:
    """The broker is not even asked."""
    link = link_of(MqttSettings(port=9), (), None)
    with pytest.raises(RecordingError):
        captured(tmp_path / "none" / "x.jsonl", link, queue.SimpleQueue(), SystemClock(), 0)


def test_it_stops_by_the_clock_without_a_broker(tmp_path: Path) -> None:
    """Nobody there, nothing written."""
    link = link_of(MqttSettings(port=9), (), None)
    assert captured(tmp_path / "x.jsonl", link, queue.SimpleQueue(), SystemClock(), 0) == 0
