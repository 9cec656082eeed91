"""What carboyd would say of a whole batch, computed again from the store.

For batches that nobody watches any more, and for trying other thresholds: the same pipeline, the same
events. Nothing is stored and nobody is told.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import Final

from monitor.ferment.emission import AlertChange, AlertState, PhaseChange
from monitor.ferment.event import Tick
from monitor.ferment.pipeline import Analysis, Pipeline, Snapshot
from monitor.store.base import Store

REMEMBERED: Final = 16


@dataclass(frozen=True, slots=True)
class Told:
    """One batch as the pipeline told it: where it stands at the end, its phases, its alerts."""

    snapshot: Snapshot
    phases: tuple[PhaseChange, ...]
    alerts: tuple[AlertChange, ...]
    """Those that began to fire, oldest first."""


def tell(store: Store, slug: str, analysis: Analysis, until_ms: int) -> Told:
    """Play a batch through the pipeline, up to its end or to `until_ms`; takes about a second a fortnight.

    Raises NotFoundError for an unknown batch.
    """
    sheet = store.batches.get(slug)
    last_ms = until_ms if sheet.ended_ms is None else min(sheet.ended_ms, until_ms)
    pipeline = Pipeline(sheet.premise(), analysis)
    phases: list[PhaseChange] = []
    alerts: list[AlertChange] = []
    for event in (*store.batches.events(slug), Tick(last_ms)):
        if event.at_ms > last_ms:
            continue
        for emission in pipeline.step(event):
            if isinstance(emission, PhaseChange):
                phases.append(emission)
            elif isinstance(emission, AlertChange) and emission.state is AlertState.FIRING:
                alerts.append(emission)
    return Told(pipeline.snapshot, tuple(phases), tuple(alerts))


@dataclass(slots=True)
class Past:
    """Remembers what was told of the batches looked at last; an ended batch seldom changes."""

    store: Store
    analysis: Analysis
    _told: OrderedDict[tuple[str, int | None, int], Told] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def of(self, slug: str, until_ms: int) -> Told:
        """What the pipeline says of a batch; computed once until something is changed by hand."""
        sheet = self.store.batches.get(slug)
        key = (slug, sheet.ended_ms, self.store.changes.position())
        with self._lock:
            found = self._told.get(key)
        if found is None:
            found = tell(self.store, slug, self.analysis, until_ms)
            with self._lock:
                self._told[key] = found
                while len(self._told) > REMEMBERED:
                    self._told.popitem(last=False)
        return found
