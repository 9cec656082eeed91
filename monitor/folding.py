"""Events into the pipelines of watched batches: what the store holds of one that is opened, and what comes.

A rebuild after a start is the same fold over what the store holds. The chronicle follows each step.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

from monitor.batch.sheet import Sheet
from monitor.chronicle import Chronicle
from monitor.ferment.emission import AlertChange, Emission, PhaseChange
from monitor.ferment.event import Event, Tick
from monitor.ferment.pipeline import Analysis
from monitor.store.base import Store
from monitor.store.values import Claim
from monitor.watched import Watched, taken_up

logger = logging.getLogger(__name__)


class Fold:
    """The way into a pipeline; for one thread."""

    def __init__(
        self, store: Store, analysis: Analysis, chronicle: Chronicle, heard: Callable[[str, Emission], None]
    ) -> None:
        """`heard` is called for everything that is said of what comes."""
        self._store = store
        self._analysis = analysis
        self._chronicle = chronicle
        self._heard = heard

    def opened(
        self, sheet: Sheet, claim: Claim | None, *, passed_ms: int | None = None
    ) -> tuple[Watched, list[Emission]]:
        """A batch as the store has it, taken up at its checkpoint if that serves, and all that was said.

        With `passed_ms` time passes for it up to there: what fires for want of readings still does.
        """
        kept = self._store.checkpoints.get(sheet.slug)
        watched, known = taken_up(sheet, self._analysis, claim, kept)
        if watched.sealed_ms is not None and not self._chronicle.reaches(sheet.slug, watched.sealed_ms):
            # what was said before the checkpoint is yet to be written down: only the whole fold says it again
            watched, known = taken_up(sheet, self._analysis, claim, None)
        self._chronicle.begin(sheet)
        said: list[Emission] = []
        for event in self._store.batches.events(
            sheet.slug, after=known, entries=watched.journal_seen, samples=watched.samples_seen
        ):
            watched.count(event)
            said += watched.pipeline.step(event)
            self._chronicle.look(watched.sheet, watched.pipeline.snapshot)
        if passed_ms is not None:
            said += watched.pipeline.step(Tick(passed_ms))
        fresh = [emission for emission in said if isinstance(emission, PhaseChange)]
        watched.phases += fresh
        for phase in fresh:
            self._chronicle.phase(sheet.slug, phase)
        return watched, said

    def step(self, watched: Watched, event: Event, now_ms: int) -> None:
        """Without the store: many events are taken in as a whole, or none of them."""
        slug = watched.sheet.slug
        for emission in watched.pipeline.step(event):
            self._heard(slug, emission)
            if isinstance(emission, PhaseChange):
                watched.phases.append(emission)
                self._chronicle.phase(slug, emission)
                logger.info("%s: %s: %s", slug, emission.phase.value, emission.reason)
            elif isinstance(emission, AlertChange):
                watched.take_alert(emission, now_ms)
        self._chronicle.look(watched.sheet, watched.pipeline.snapshot)
