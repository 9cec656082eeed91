"""Beside everything else: once a day old readings become hourly means where the configuration asks for it.

Levels, which are written down for a forwarder only, go a while after they were sent, whatever it asks for.

In a thread of its own, in short transactions, so that readings are taken in meanwhile. What a forwarder has
not sent yet is not touched.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Final

from monitor.errors import StoreError
from monitor.store.retention import EVERY_MS, RetentionPolicy
from monitor.store.sql import SqlStore
from monitor.store.values import Feed
from monitor.units import MS_PER_DAY

_log = logging.getLogger(__name__)

KEEP_LEVELS_MS: Final = 90 * MS_PER_DAY
"""Levels that were forwarded are kept so long."""
_PRUNED: Final = "levels pruned"


class Thinning:
    """One run at a time."""

    def __init__(
        self, store: SqlStore, policy: RetentionPolicy, target: str | None, now_ms: Callable[[], int]
    ) -> None:
        """`target` is what is forwarded to; None where nothing is."""
        self._store = store
        self._policy = policy
        self._target = target
        self._now_ms = now_ms
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def begin(self) -> bool:
        """Start a run if one is due; False where none is, or one is under way. StoreError."""
        if self._thread is not None and self._thread.is_alive():
            return False
        now_ms = self._now_ms()
        if not self._levels_due(now_ms) and not self._store.retention.due(self._policy, now_ms):
            return False
        self._thread = threading.Thread(target=self._run, name="thinning", daemon=True)
        self._thread.start()
        return True

    def wait(self, timeout_s: float) -> None:
        """Until the run that is under way has ended."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def stop(self, timeout_s: float = 2.0) -> None:
        """End after the transaction that is under way; the rest is done after the next start."""
        self._stopping.set()
        self.wait(timeout_s)

    def _run(self) -> None:
        try:
            now_ms = self._now_ms()
            if self._levels_due(now_ms):
                self._prune_levels(now_ms)
            if not self._store.retention.due(self._policy, now_ms):
                return
            upto = None
            if self._target is not None:
                state = self._store.forwarding.state(self._target)
                if state.oldest_ms is not None and state.oldest_ms < now_ms - MS_PER_DAY:
                    _log.warning("nothing is thinned while readings wait to be forwarded")
                    return
                upto = self._store.forwarding.positions(self._target)[Feed.READINGS]
            going = self._stopping.is_set
            self._store.retention.thin(self._policy, now_ms=now_ms, upto=upto, going=lambda: not going())
        except StoreError as error:
            _log.warning("thinning waits: %s", error)

    def _levels_due(self, now_ms: int) -> bool:
        return self._target is not None and now_ms - self._store.changes.mark(_PRUNED) >= EVERY_MS

    def _prune_levels(self, now_ms: int) -> None:
        assert self._target is not None
        sent = self._store.forwarding.positions(self._target)[Feed.LEVELS]
        self._store.chronicle.prune_levels(now_ms - KEEP_LEVELS_MS, sent)
        self._store.changes.set_mark(_PRUNED, now_ms)
