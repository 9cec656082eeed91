"""The words of sd_notify(3), as a supervisor would receive them."""

from __future__ import annotations

import socket

import pytest

from monitor.supervision import Supervisor


@pytest.fixture(params=["path", "abstract"])
def ear(request, tmp_path):
    """A socket that a supervisor listens on, and its address as the environment gives it."""
    shown = str(tmp_path / "notify") if request.param == "path" else f"@carboyd-test-{tmp_path.name}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + shown[1:] if shown[0] == "@" else shown)
        listening.settimeout(5)
        yield listening, shown


def test_each_word_is_one_datagram(ear):
    """Ready with a status, reloading, stopping: NAME=value lines."""
    listening, address = ear
    supervisor = Supervisor.of({"NOTIFY_SOCKET": address})
    supervisor.ready("watching 2 open batches")
    assert listening.recv(999) == b"READY=1\nSTATUS=watching 2 open batches"
    supervisor.reloading()
    assert listening.recv(999) == b"RELOADING=1"
    supervisor.stopping()
    assert listening.recv(999).startswith(b"STOPPING=1")


def test_a_worker_that_hangs_gives_no_sign_of_life(ear):
    """A look sends a ping only if the worker has come round since the one before."""
    listening, address = ear
    supervisor = Supervisor(address)
    for turns in (0, 0, 7, 7, 7, 8):
        supervisor.look(turns)
    listening.setblocking(False)
    heard = []
    while True:
        try:
            heard.append(listening.recv(999))
        except BlockingIOError:
            break
    assert heard == [b"WATCHDOG=1"] * 3


def test_without_a_supervisor_nothing_is_said():
    """An empty environment, or a socket that is gone, is no error."""
    Supervisor.of({}).ready("watching 0 open batches")
    Supervisor.of({"NOTIFY_SOCKET": ""}).stopping()


def test_a_supervisor_that_went_away_is_no_error(tmp_path, caplog):
    """It is logged, and work goes on."""
    Supervisor(str(tmp_path / "gone")).ready("watching 0 open batches")
    assert "the supervisor was not told READY=1" in caplog.text
