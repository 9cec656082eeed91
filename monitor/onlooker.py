"""Where all batches stand, whoever judges them: for the page and the notices of one of several processes."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence

from monitor.batch.told import from_plain
from monitor.ferment.emission import PhaseChange
from monitor.ferment.pipeline import Snapshot
from monitor.store.base import Store


class Onlooker:
    """Follows the standings in the store; may be used from any thread."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._number = -1
        self._snapshots: dict[str, Snapshot] = {}
        self._phases: dict[str, tuple[PhaseChange, ...]] = {}

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each batch stood at the last look that is known of here."""
        return dict(self._snapshots)  # others read while one writes

    def phases(self, slug: str) -> Sequence[PhaseChange]:
        """The phases of a batch so far, oldest first."""
        return self._phases.get(slug, ())

    def refresh(self) -> list[str]:
        """Take in what was written since; the batches that it was about."""
        touched: list[str] = []
        with self._lock:
            while True:
                self._number, fresh = self._store.standings.since(self._number)
                for standing in fresh:
                    touched.append(standing.batch)
                    told = None if standing.told is None else from_plain(standing.told)
                    if told is not None:
                        self._snapshots[standing.batch] = told.snapshot
                        self._phases[standing.batch] = told.phases
                if not fresh:
                    return touched

    def refreshed(self) -> Mapping[str, Snapshot]:
        """Where each batch stands as of now."""
        self.refresh()
        return self.snapshots

    def forget_all_but(self, slugs: set[str]) -> None:
        """Let go of batches that have ended."""
        with self._lock:
            for slug in [slug for slug in self._snapshots if slug not in slugs]:
                del self._snapshots[slug]
                self._phases.pop(slug, None)
