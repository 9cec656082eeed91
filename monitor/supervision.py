"""Words to whoever supervises the process, by the sd_notify protocol: a datagram to a socket it names.

The protocol is systemd's, stable and open (manual page sd_notify(3)): lines `NAME=value`, a leading `@`
stands for an abstract address. Without a supervisor nothing is sent.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping
from typing import Final

_log = logging.getLogger(__name__)

ADDRESS_VARIABLE: Final = "NOTIFY_SOCKET"


class Supervisor:
    """Who is told that we are ready, alive, stopping."""

    def __init__(self, address: str | None) -> None:
        """`address` of the socket; None where nobody listens."""
        self._address = None if not address else "\0" + address[1:] if address[0] == "@" else address
        self._turns = -1

    @classmethod
    def of(cls, environ: Mapping[str, str] = os.environ) -> Supervisor:
        """The one that this environment names."""
        return cls(environ.get(ADDRESS_VARIABLE))

    def ready(self, status: str) -> None:
        """Started, or the configuration has been read again."""
        self._tell("READY=1", f"STATUS={status}")

    def reloading(self) -> None:
        """The configuration is being read again."""
        self._tell("RELOADING=1")

    def stopping(self) -> None:
        """On the way down."""
        self._tell("STOPPING=1", "STATUS=draining")

    def look(self, turns: int) -> None:
        """A sign of life, but only if the worker has come round since the last look.

        A ping from a thread of its own would hide a worker that hangs.
        """
        if turns != self._turns:
            self._turns = turns
            self._tell("WATCHDOG=1")

    def _tell(self, *lines: str) -> None:
        if self._address is None:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.settimeout(1.0)
                out.sendto("\n".join(lines).encode(), self._address)
        except OSError as error:
            _log.warning("the supervisor was not told %s: %s", lines[0], error.strerror or error)
