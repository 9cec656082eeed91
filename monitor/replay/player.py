"""The replayed clock: a recording's events in order of arrival, through the pipeline, to emissions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from monitor.ferment.emission import Emission
from monitor.ferment.event import Event, JournalEntry, Reading, Tick
from monitor.ferment.premise import Premise
from monitor.replay.recording import RowFaults


class Recorded(Protocol):
    """One ferment as it was measured, whatever it was kept as."""

    @property
    def name(self) -> str:
        """Of the folder or file."""
        ...

    @property
    def title(self) -> str:
        """As its maker calls it."""
        ...

    @property
    def premise(self) -> Premise:
        """What was known before the first reading."""
        ...

    @property
    def journal(self) -> tuple[JournalEntry, ...]:
        """In order of entry."""
        ...

    def readings(self, faults: RowFaults | None = None) -> Iterator[Reading]:
        """In order of arrival; what cannot be understood is noted."""
        ...


class Steps(Protocol):
    """What a recording is played into: one batch's pipeline."""

    def step(self, event: Event) -> list[Emission]:
        """Take an event; give what follows from it and from all before it."""
        ...


def events_of(recording: Recorded, faults: RowFaults | None = None) -> Iterator[Event]:
    """Readings and journal entries in the order in which they became known, then one closing tick.

    The replay ends with the arrival of the last row: what the journal holds after it is not played.
    Raises RecordingError where the rows cannot be read.
    """
    waiting = iter(recording.journal)
    entry = next(waiting, None)
    last_ms = None
    for reading in recording.readings(faults):
        last_ms = reading.at_ms
        while entry is not None and entry.at_ms <= last_ms:
            yield entry
            entry = next(waiting, None)
        yield reading
    if last_ms is not None:
        # moments are settled strictly before an event, so this settles the one at the last arrival too
        yield Tick(last_ms + 1)


def play(recording: Recorded, pipeline: Steps, faults: RowFaults | None = None) -> Iterator[Emission]:
    """Everything the pipeline says of a recording, in order of recorded time."""
    for event in events_of(recording, faults):
        yield from pipeline.step(event)
