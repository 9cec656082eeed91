"""A capture that dies at any moment goes on with nothing missing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from monitor.replay.capture import arrivals_in
from monitor.replay.recording import RowFaults

pytestmark = pytest.mark.mosquitto

TOPIC = "carboyd/readings/float-a"
WAIT_S = 20.0


def started(file: Path, config: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", "capture", str(file), "--config", str(config)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "CARBOYD_CONFIG": ""},
    )


def numbers(file: Path) -> set[int]:
    return {int(arrival.payload) for _, arrival in arrivals_in(file, RowFaults())}


def until(process: subprocess.Popen[bytes], file: Path, wanted: int) -> None:
    """Wait until the file holds so many different messages: what was not acknowledged comes twice."""
    pause = threading.Event()
    for _ in range(int(WAIT_S / 0.05)):
        if file.is_file() and len(numbers(file)) >= wanted:
            return
        assert process.poll() is None, "the capture ended by itself"
        pause.wait(0.05)
    raise AssertionError(f"{file} does not hold {wanted} messages")


def test_a_killed_capture_goes_on_with_nothing_missing(mosquitto, publisher, tmp_path: Path) -> None:
    """SIGKILL while messages stream in; the broker keeps the rest; SIGTERM ends it in order."""
    broker = mosquitto()
    config, file = tmp_path / "carboyd.toml", tmp_path / "loft.jsonl"
    config.write_text(f'[mqtt]\nbroker = "external"\nhost = "{broker.host}"\nport = {broker.port}\n')
    sender = publisher(broker)
    first = started(file, config)
    assert broker.wait_for_log("carboyd-capture 1 carboyd/readings/#", WAIT_S)
    sender.send(TOPIC, *[b"%d" % n for n in range(400)])
    until(first, file, 1)
    first.send_signal(signal.SIGKILL)
    first.wait(WAIT_S)
    sender.send(TOPIC, *[b"%d" % n for n in range(400, 800)])
    second = started(file, config)
    until(second, file, 800)
    second.send_signal(signal.SIGTERM)
    assert second.wait(WAIT_S) == 0
    assert numbers(file) == set(range(800))
