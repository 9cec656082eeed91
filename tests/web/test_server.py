"""The page in a thread of its own."""

from __future__ import annotations

import http.client
import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from urllib.parse import urlsplit

import pytest
from starlette.applications import Starlette

from monitor.errors import ConfigurationError
from monitor.web.actions import Actions
from monitor.web.server import serve

from .rooms import Cellar

Connect = Callable[[str], http.client.HTTPConnection]


@pytest.fixture
def connected() -> Iterator[Connect]:
    """Makes connections to an address, and closes them with the answers read over them."""
    with ExitStack() as opened:

        def connect(address: str) -> http.client.HTTPConnection:
            parts = urlsplit(address)
            made = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=10)
            return opened.enter_context(closing(made))

        yield connect


def test_it_answers_as_soon_as_it_has_started(app: Starlette, busy: Cellar, connected: Connect) -> None:
    """With port 0 a free port is taken and told; after stopping nobody answers there."""
    server = serve(app, busy.broadcast, "127.0.0.1", 0)
    server.start()
    connection = connected(server.address)
    connection.request("GET", "/health")
    answer = connection.getresponse()
    assert (answer.status, answer.read()) == (200, b"ok\n")
    assert answer.getheader("server") is None
    connection.close()
    server.stop()
    with pytest.raises(ConnectionRefusedError):
        connected(server.address).request("GET", "/health")


def test_open_streams_do_not_hold_up_a_stop(app: Starlette, busy: Cellar, connected: Connect) -> None:
    """A page that listens is let go and the thread ends; proxies are told not to hold it back."""
    server = serve(app, busy.broadcast, "127.0.0.1", 0)
    server.start()
    connection = connected(server.address)
    connection.request("GET", "/events")
    answer = connection.getresponse()
    assert answer.getheader("content-type", "").startswith("text/event-stream")
    assert answer.getheader("x-accel-buffering") == "no"
    assert answer.getheader("content-encoding") is None
    assert [answer.readline() for _ in range(3)] == [b"retry: 2000\n", b"id: 2\n", b"\n"]
    busy.broadcast.publish("batch", "9", {"batch": "a"})
    assert answer.readline() == b"id: 9\n"
    server.stop()
    assert b"".join(iter(answer.readline, b"")).startswith(b"event: batch\n")
    assert "carboyd-web" not in [thread.name for thread in threading.enumerate()]
    assert busy.broadcast.reader_count == 0
    answer.close()


def test_a_page_that_comes_again_is_told_to_ask_for_everything(
    app: Starlette, busy: Cellar, connected: Connect
) -> None:
    """Last-Event-ID of another time brings one message that heals the gap."""
    server = serve(app, busy.broadcast, "127.0.0.1", 0)
    server.start()
    busy.broadcast.publish("batch", "9", {})
    connection = connected(server.address)
    connection.request("GET", "/events", headers={"Last-Event-ID": "4"})
    answer = connection.getresponse()
    lines = [answer.readline() for _ in range(5)]
    assert lines == [b"retry: 2000\n", b"id: 9\n", b"\n", b"id: 9\n", b"event: everything\n"]
    server.stop()
    answer.close()


def test_what_is_told_between_page_and_stream_is_not_lost(
    app: Starlette, busy: Cellar, connected: Connect
) -> None:
    """A page says up to which message it was made; what was told since is healed when its stream begins."""
    server = serve(app, busy.broadcast, "127.0.0.1", 0)
    server.start()
    connection = connected(server.address)
    connection.request("GET", "/")
    seen = re.search(r'data-seen="([^"]*)"', connection.getresponse().read().decode())
    assert seen is not None
    for news, first in ((False, b"event: batch\n"), (True, b"event: everything\n")):
        if news:
            busy.broadcast.publish("batch", "77", {})
        stream = connected(server.address)
        stream.request("GET", f"/events?seen={seen[1]}")
        answer = stream.getresponse()
        for _ in range(3):
            answer.readline()
        busy.broadcast.publish("batch", seen[1], {})
        answer.readline()
        assert answer.readline() == first
        answer.close()
    server.stop()


def test_a_shared_stream_tells_of_its_batch_alone_until_it_is_taken_back(
    app: Starlette, busy: Cellar, connected: Connect
) -> None:
    """No name of any batch goes over it, and no word after the link was taken back."""
    share, token = Actions(busy.ports()).share("hedgerow-session")
    server = serve(app, busy.broadcast, "127.0.0.1", 0)
    server.start()
    connection = connected(server.address)
    connection.request("GET", f"/shared/{token}/events")
    answer = connection.getresponse()
    assert [answer.readline() for _ in range(3)] == [b"retry: 2000\n", b"id: 2\n", b"\n"]
    busy.broadcast.publish("batch", "7", {"batch": "plum-batch"})
    busy.broadcast.publish("batch", "8", {"batch": "hedgerow-session"})
    assert [answer.readline() for _ in range(4)] == [b"id: 8\n", b"event: batch\n", b"data: {}\n", b"\n"]
    busy.store.shares.revoke(share.id, at_ms=busy.now_ms)
    busy.broadcast.publish("batch", "9", {"batch": "hedgerow-session"})
    assert answer.read() == b""
    server.stop()
    answer.close()


def test_a_port_in_use_is_named(app: Starlette, busy: Cellar) -> None:
    """The complaint names address and port and what to do."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConfigurationError, match=f"port {port}") as caught:
            serve(app, busy.broadcast, "127.0.0.1", port).start()
    assert "web.port" in caught.value.hint


def test_it_starts_again_after_a_stop(busy: Cellar, app: Starlette, connected: Connect) -> None:
    """A second server of the same application listens and streams."""
    for _ in range(2):
        server = serve(app, busy.broadcast, "127.0.0.1", 0)
        server.start()
        connection = connected(server.address)
        connection.request("GET", "/events")
        answer = connection.getresponse()
        assert answer.readline() == b"retry: 2000\n"
        server.stop()
        answer.close()
