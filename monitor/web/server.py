"""Running the page in a thread of its own."""

from __future__ import annotations

import socket
import threading
from typing import Final

import uvicorn
from starlette.applications import Starlette

from monitor.errors import ConfigurationError
from monitor.web.stream import Broadcast

STOP_WITHIN_S: Final = 2


class WebServer:
    """One uvicorn in one thread. `start` returns when it answers, `stop` when it is gone."""

    def __init__(self, app: Starlette, broadcast: Broadcast, host: str, port: int) -> None:
        self._broadcast = broadcast
        self._host = host
        self._port = port
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                server_header=False,
                lifespan="off",
                ws="none",
                timeout_graceful_shutdown=STOP_WITHIN_S,
                limit_concurrency=500,
            )
        )

    @property
    def address(self) -> str:
        """`http://127.0.0.1:8417`, with the port really used."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{host}:{self._port}"

    def start(self) -> None:
        """Bind and serve; raises ConfigurationError when the address cannot be used."""
        self._socket = _bound(self._host, self._port)
        self._port = self._socket.getsockname()[1]
        self._broadcast.open()
        self._thread = threading.Thread(target=self._run, name="carboyd-web", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End open streams, finish what is being answered, and wait for the thread."""
        self._server.should_exit = True
        self._broadcast.close()
        if self._thread is not None:
            self._thread.join(STOP_WITHIN_S + 3.0)
            self._thread = None
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _run(self) -> None:
        assert self._socket is not None
        self._server.run(sockets=[self._socket])


def serve(app: Starlette, broadcast: Broadcast, host: str, port: int) -> WebServer:
    """A server for `app`, not yet started; port 0 takes a free one."""
    return WebServer(app, broadcast, host, port)


def _bound(host: str, port: int) -> socket.socket:
    # bound and listening here, so that whoever knows the address is never refused
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        raise ConfigurationError(
            [f"web: cannot listen on {host} port {port}: {error.strerror or error}"],
            hint="choose another web.port, or stop what uses it",
        ) from error
