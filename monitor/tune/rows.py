"""The rows of a recording as they are played: how many, how many not understood, in which order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from monitor.ferment.event import Event, Reading
from monitor.replay.player import events_of
from monitor.replay.recording import Recording, RowFaults
from monitor.units import Quantity


@dataclass(frozen=True, slots=True)
class Rows:
    """What the rows were like."""

    used: int = 0
    left_out: int = 0
    complaint: str = ""
    """What is wrong with the first row that was left out."""
    backward: int = 0
    """Rows measured before the row above them of the same sensor and quantity."""
    first_ms: int = 0
    last_ms: int = 0
    sensors: tuple[str, ...] = ()
    """Those that sent gravity, as they were first heard; at most eight."""

    def as_json(self) -> dict[str, Any]:
        """For keeping."""
        return asdict(self)

    @classmethod
    def from_json(cls, kept: dict[str, Any]) -> Rows:
        """As it was kept."""
        return cls(**{**kept, "sensors": tuple(kept["sensors"])})


class Counted:
    """A recording's events, counted as they pass; `rows` is right once they have all passed."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self.rows = Rows()

    def events(self) -> Iterator[Event]:
        """The events in order of arrival. Raises RecordingError where the rows cannot be read."""
        faults = RowFaults()
        latest: dict[tuple[str, Quantity], int] = {}
        used = backward = 0
        first_ms, last_ms = 2**62, -(2**62)
        sensors: dict[str, None] = {}
        for event in events_of(self._recording, faults):
            if isinstance(event, Reading):
                used += 1
                key = (event.sensor, event.quantity)
                backward += event.time_ms < latest.get(key, event.time_ms)
                latest[key] = event.time_ms
                first_ms, last_ms = min(first_ms, event.time_ms), max(last_ms, event.time_ms)
                if event.quantity is Quantity.GRAVITY and len(sensors) < 8:
                    sensors.setdefault(event.sensor)
            yield event
        complaint = ""
        if faults.described:
            line, words = faults.described[0]
            complaint = f"line {line}: {words}"
        if not used:
            first_ms = last_ms = 0
        self.rows = Rows(used, faults.count, complaint, backward, first_ms, last_ms, tuple(sensors))
