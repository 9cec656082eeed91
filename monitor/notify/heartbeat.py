"""A sign of life to an outside address, whose owner notices when it stays away."""

from __future__ import annotations

import logging
import threading
import urllib.request
from collections.abc import Callable
from http.client import HTTPException
from typing import Final

_log = logging.getLogger(__name__)

TIMEOUT_S: Final = 10.0


class Heartbeat:
    """One request at a time in a thread of its own; the address is a secret and is never logged."""

    def __init__(self, url: str, now_ms: Callable[[], int]) -> None:
        self.accepted_ms: int | None = None
        """When the last one was accepted; None before the first."""
        self._url = url
        self._now_ms = now_ms
        self._thread: threading.Thread | None = None

    def beat(self) -> bool:
        """Send one sign of life; False where the last one is still under way."""
        if self._thread is not None and self._thread.is_alive():
            return False
        self._thread = threading.Thread(target=self._ping, name="heartbeat", daemon=True)
        self._thread.start()
        return True

    def wait(self, timeout_s: float) -> None:
        """Until what is under way has ended."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _ping(self) -> None:
        try:
            # http and https only: the settings admit nothing else
            with urllib.request.urlopen(self._url, timeout=TIMEOUT_S):  # noqa: S310
                self.accepted_ms = self._now_ms()
        except (OSError, ValueError, HTTPException) as error:
            _log.warning("the heartbeat did not arrive: %s", type(error).__name__)
