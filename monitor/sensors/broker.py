"""An MQTT broker inside the daemon, so that a first try needs nothing else.

It is for trying out. It speaks MQTT 3.1.1 only, listens on the loopback interface, keeps nothing while it is
down (sessions, queues and retained messages live in memory), and does not send a message again that was
delivered but not acknowledged: a daemon that dies between receipt and commit loses those messages. Whoever
must not lose readings runs Mosquitto. What it queued for a returning client is delivered with the retain flag
set, and that client's other requests then wait about 5 s.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import socket
import threading
from dataclasses import dataclass
from typing import Any, Final

from amqtt.broker import Broker
from amqtt.errors import AMQTTError, BrokerError
from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

from monitor.errors import ConfigurationError

LOOPBACK: Final = "127.0.0.1"
logger = logging.getLogger(__name__)
_QUIET: Final = ("amqtt", "transitions")


class LoopbackAccess(BaseAuthPlugin):  # type: ignore[misc]
    """Who may connect: the daemon with its login, and anybody on this machine without one.

    The broker forgets the session of an anonymous client at once, so the daemon must have a login.
    """

    @dataclass
    class Config:
        """The daemon's login."""

        username: str = ""
        password: str = ""

    async def authenticate(self, *, session: Session) -> bool:
        """Whether this client may stay."""
        if not session.username:
            session.is_anonymous = True
            return True
        login = (session.username or "").encode(), (session.password or "").encode()
        return secrets.compare_digest(login[0], self.config.username.encode()) and secrets.compare_digest(
            login[1], self.config.password.encode()
        )


class EmbeddedBroker:
    """A broker in a thread of its own."""

    host: Final = LOOPBACK

    def __init__(self, port: int = 0) -> None:
        """`port` 0 takes a free one at `start`."""
        self._wanted_port = port
        self.port = port
        self.username: Final = "carboyd"
        self.password: Final = secrets.token_urlsafe(24)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended: asyncio.Event | None = None
        self._thread: threading.Thread | None = None
        self._started = threading.Event()
        self._failure: Exception | None = None

    def start(self, timeout_s: float = 10.0) -> None:
        """Listen; returns when it does.

        Raises ConfigurationError where the port is taken or nothing can listen there.
        """
        self.port = self._wanted_port or free_port()
        self._started.clear()
        self._failure = None
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._thread.start()
        if not self._started.wait(timeout_s):
            self._failure = TimeoutError(f"it did not start within {timeout_s:g} s")
        if self._failure is not None:
            raise ConfigurationError(
                [f"the embedded broker cannot listen on {LOOPBACK}:{self.port}: {self._failure}"],
                hint="is another carboyd running? choose another port, or an external broker",
            ) from self._failure

    def stop(self, timeout_s: float = 5.0) -> None:
        """Close all connections and forget everything."""
        if self._loop is not None and self._ended is not None:
            self._loop.call_soon_threadsafe(self._ended.set)
        if self._thread is not None:
            self._thread.join(timeout_s)
            self._thread = None

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        for name in _QUIET:
            # it reports every packet, and warns of what is normal here
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            asyncio.run(self._serve())
        except (AMQTTError, BrokerError, OSError) as error:
            self._failure = error
        finally:
            self._loop = self._ended = None
            self._started.set()

    async def _serve(self) -> None:
        loop = asyncio.get_running_loop()
        # tasks of clients that have gone end in errors that nobody awaits; they are not worth a traceback
        loop.set_exception_handler(lambda _loop, context: logger.debug("%s", context.get("exception")))
        broker = Broker(self._configuration())
        await broker.start()
        self._loop = loop
        self._ended = asyncio.Event()
        self._started.set()
        await self._ended.wait()
        await broker.shutdown()

    def _configuration(self) -> dict[str, Any]:
        access = f"{LoopbackAccess.__module__}.{LoopbackAccess.__qualname__}"
        return {
            "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{self.port}"}},
            "plugins": {access: {"username": self.username, "password": self.password}},
        }


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port
