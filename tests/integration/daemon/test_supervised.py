"""`carboyd run` under a supervisor that speaks sd_notify, and a copy made while it writes."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys

import pytest

from monitor.store.copying import checked_copy

pytestmark = pytest.mark.mosquitto


def test_the_supervisor_hears_of_the_whole_life(mosquitto, workplace, carboyd, tmp_path):
    """Ready once it has started, a sign of life while it runs, reloading and ready again, stopping."""
    broker = mosquitto()
    workplace.configure(broker)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.settimeout(30)

        def heard_next(*others: bytes) -> bytes:
            """The first word, past signs of life unless one is asked for."""
            while True:
                word = ear.recv(999).split(b"\n")[0]
                if word in others or word != b"WATCHDOG=1":
                    return word

        daemon = carboyd(NOTIFY_SOCKET=str(tmp_path / "notify"))
        daemon.start()
        assert heard_next() == b"READY=1"
        assert heard_next(b"WATCHDOG=1") == b"WATCHDOG=1"
        assert heard_next(b"WATCHDOG=1") == b"WATCHDOG=1"
        daemon.send(signal.SIGHUP)
        assert heard_next() == b"RELOADING=1"
        assert heard_next() == b"READY=1"
        assert daemon.end() == 0
        assert heard_next() == b"STOPPING=1"


def test_a_copy_of_a_running_daemons_store_is_whole(mosquitto, publisher, workplace, carboyd, tmp_path):
    """A copy made by command while readings pour in passes the check, and the daemon loses none of them."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    voice = publisher(broker)
    packs = [b'[{"n":"f:temperature","u":"Cel","v":18.5,"t":%d}]' % (1_764_000_000 + n) for n in range(400)]
    path = tmp_path / "copy.sqlite"
    command = [sys.executable, "-m", "monitor", "backup", str(path), "--config", str(workplace.config)]
    voice.send("carboyd/readings/a", *packs[:100])
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as copying:
        sent = 100
        while copying.poll() is None and sent < len(packs):
            voice.send("carboyd/readings/a", *packs[sent : sent + 20])
            sent += 20
        _, complaint = copying.communicate(timeout=60)
    assert copying.returncode == 0, complaint
    assert daemon.end() == 0
    with workplace.store() as store:
        assert len(store.readings.read(["f"])) == sent
    assert 0 < checked_copy(path).readings <= sent
