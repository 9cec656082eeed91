"""The sign of life, against a real HTTP server."""

from __future__ import annotations

import socket
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from monitor.notify.heartbeat import Heartbeat


def test_a_beat_arrives_once_and_a_failure_is_no_exception(caplog: pytest.LogCaptureFixture) -> None:
    """Each beat is one request; where nobody listens it is logged without the address."""
    paths: list[str] = []

    class Ear(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            paths.append(self.path)
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Ear) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        heart = Heartbeat(f"http://127.0.0.1:{server.server_port}/secret-path", lambda: 7)
        assert heart.beat()
        heart.wait(5.0)
        server.shutdown()
        thread.join()
    assert paths == ["/secret-path"]
    assert heart.accepted_ms == 7
    assert heart.beat()
    heart.wait(5.0)
    assert "did not arrive" in caplog.text
    assert "secret-path" not in caplog.text


def test_no_answer_however_odd_shows_the_address(
    caplog: pytest.LogCaptureFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    """An answer that is no HTTP, and an address that cannot be asked: a line in the log, no traceback."""
    with socket.create_server(("127.0.0.1", 0)) as ear:

        def answer() -> None:
            caller, _ = ear.accept()
            with caller:
                caller.recv(65_536)
                caller.sendall(b"hello\r\n\r\n")

        answering = threading.Thread(target=answer)
        answering.start()
        for url in (
            f"http://127.0.0.1:{ear.getsockname()[1]}/secret-path",
            "http://127.0.0.1:1/secret-path b",
        ):
            heart = Heartbeat(url, lambda: 7)
            assert heart.beat()
            heart.wait(5.0)
            assert heart.accepted_ms is None
        answering.join()
    assert caplog.text.count("did not arrive") == 2
    said = capsys.readouterr()
    assert "secret-path" not in caplog.text + said.out + said.err
