"""What carboyd would say of a whole batch, computed again from the store.

For batches that nobody watches any more, and for trying other thresholds: the same pipeline, the same
events. Nothing is stored and nobody is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.ferment.emission import AlertChange, AlertState, PhaseChange
from monitor.ferment.event import Tick
from monitor.ferment.pipeline import Analysis, Pipeline, Snapshot
from monitor.store.base import Store
from monitor.web.remembered import Remembered

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


class Past:
    """Remembers what was told of the batches looked at last; an ended batch seldom changes."""

    def __init__(self, store: Store, analysis: Analysis) -> None:
        self._store = store
        self._analysis = analysis
        self._told: Remembered[tuple[str, int | None, int], Told] = Remembered(REMEMBERED)

    def of(self, slug: str, until_ms: int) -> Told:
        """What the pipeline says of a batch; computed once until something is changed by hand."""
        sheet = self._store.batches.get(slug)
        key = (slug, sheet.ended_ms, self._store.changes.position())
        return self._told.of(key, lambda: tell(self._store, slug, self._analysis, until_ms))
