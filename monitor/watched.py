"""One open batch that is watched: its pipeline, how far it has taken things in, what it has yet to say."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.checkpoint import digest_of, sealed, unsealed
from monitor.ferment.deeds import RESTS
from monitor.ferment.emission import AlertChange, AlertState, Emission, PhaseChange
from monitor.ferment.event import Event, JournalEntry, Reading
from monitor.ferment.pipeline import Analysis, Pipeline, Snapshot
from monitor.store.values import Checkpoint, Claim
from monitor.units import MS_PER_MINUTE

LATE_MS: Final = 20 * MS_PER_MINUTE
"""What the pipeline says of a moment longer ago than this was found out late: after a stop, or an outage."""

Name = tuple[object, ...]


@dataclass(slots=True)
class Watched:
    """One open batch."""

    sheet: Sheet
    pipeline: Pipeline
    claim: Claim | None = None
    journal_seen: int = 0
    samples_seen: int = 0
    shown: Snapshot | None = None
    phases: list[PhaseChange] = field(default_factory=list)
    late: list[tuple[int, AlertChange]] = field(default_factory=list)
    """Firing since long before it was found out, with the time from which it is held back."""
    unsaid: deque[tuple[AlertChange, bool]] = field(default_factory=deque)
    """Not in the store yet, with whether it is to be told; empty but while the store cannot be written."""
    sealed_ms: int | None = None
    """The last look that a checkpoint was made of."""

    def count(self, event: Event) -> None:
        """Remember how far journal and hand samples have been taken in."""
        if isinstance(event, JournalEntry):
            self.journal_seen += 1
        elif isinstance(event, Reading) and event.sensor == self.sheet.hand_sensor:
            self.samples_seen += 1

    def take_alert(self, change: AlertChange, now_ms: int) -> None:
        """Put what was just said where it belongs: to be recorded, or held back as found out late."""
        if change.state is AlertState.FIRING and now_ms - change.at_ms > LATE_MS:
            self.late.append((now_ms, change))
            return
        held = [pair for pair in self.late if name_of(pair[1]) == name_of(change)]
        for pair in held:  # it is over before anyone was told: record both, tell nobody
            self.late.remove(pair)
            self.unsaid.append((pair[1], False))
        self.unsaid.append((change, not held))

    def take_history(self, said: Iterable[Emission], known: Mapping[Name, AlertState], now_ms: int) -> None:
        """Put what a rebuild said where it belongs, given what the store has of this batch's alerts."""
        changes = [emission for emission in said if isinstance(emission, AlertChange)]
        spoken = {name_of(change) for change in changes}
        firing = {name_of(alert) for alert in self.pipeline.snapshot.open_alerts}
        # what fires since before a checkpoint was not said again
        changes += [one for one in self.pipeline.snapshot.open_alerts if name_of(one) not in spoken]
        for change in changes:
            state, holds = known.get(name_of(change)), name_of(change) in firing
            if holds and state is None:
                self.late.append((now_ms, change))
            else:
                # a notice that it is over goes to whoever was told that it began
                self.unsaid.append((change, holds or state is AlertState.FIRING))

    def release(self, ready: list[tuple[int, AlertChange]]) -> None:
        """What was held back is to be told after all."""
        for pair in ready:
            self.late.remove(pair)
            self.unsaid.append((pair[1], True))

    def checkpoint(self, analysis: Analysis, position: int) -> Checkpoint:
        """The pipeline as it stands, having taken in the readings up to a position."""
        return Checkpoint(
            batch=self.sheet.slug,
            digest=digest_of(self.sheet, analysis),
            position=position,
            entries=self.journal_seen,
            samples=self.samples_seen,
            body=sealed(self.pipeline, self.phases),
        )

    def seal_due(self, every_ms: int) -> bool:
        """Whether the last checkpoint is so old, and all that was said is in the store."""
        if self.unsaid or self.late:
            return False
        return self.sealed_ms is None or self.pipeline.snapshot.at_ms - self.sealed_ms >= every_ms


def taken_up(
    sheet: Sheet, analysis: Analysis, claim: Claim | None, kept: Checkpoint | None
) -> tuple[Watched, int]:
    """A batch with a new pipeline, or with that of its checkpoint, and the position of the readings in it."""
    if kept is not None and kept.digest == digest_of(sheet, analysis):
        found = unsealed(kept.body)
        if found is not None:
            pipeline, phases = found
            watched = Watched(sheet, pipeline, claim, kept.entries, kept.samples, phases=phases)
            watched.sealed_ms = pipeline.snapshot.at_ms
            return watched, kept.position
    return Watched(sheet, Pipeline(sheet.premise(), analysis), claim), 0


def name_of(change: AlertChange) -> Name:
    """What an alert of a batch is known by, for ever."""
    return (change.kind, change.subject, change.fired_ms)


def is_the_answer(event: Event) -> bool:
    """Whether the maker did what a finish asks for: who stabilises has heard of it."""
    return isinstance(event, JournalEntry) and event.kind in RESTS
