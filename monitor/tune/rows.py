"""The rows of a recording as they are played: how many, how many not understood, in which order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from monitor.ferment.event import Event, Reading
from monitor.replay.player import events_of
from monitor.replay.recording import Recording, RowFaults
from monitor.units import Quantity

MOST_SENSORS: Final = 32
POSSIBLE: Final = {Quantity.GRAVITY: (0.95, 1.3), Quantity.TEMPERATURE: (-20.0, 60.0)}
"""What a must can have; a value outside is in another unit than it says."""


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
    gravities: int = 0
    impossible_gravities: int = 0
    """Those that no must can have: the value is in another unit than it says."""
    celsius: int = 0
    impossible_celsius: int = 0
    strange: tuple[float, ...] = ()
    """The first impossible gravity and temperature; 0 where there is none."""
    sensors: tuple[str, ...] = ()
    """Those that sent gravity, as they were first heard; no more than `MOST_SENSORS`."""

    def as_json(self) -> dict[str, Any]:
        """For keeping."""
        return asdict(self)

    @classmethod
    def from_json(cls, kept: dict[str, Any]) -> Rows:
        """As it was kept."""
        return cls(**{**kept, "sensors": tuple(kept["sensors"]), "strange": tuple(kept["strange"])})


class Counted:
    """A recording's events, counted as they pass; `rows` is right once they have all passed."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self.rows = Rows()

    def events(self) -> Iterator[Event]:
        """The events in order of arrival. Raises RecordingError where the rows cannot be read."""
        faults = RowFaults()
        count = _Count()
        for event in events_of(self._recording, faults):
            if isinstance(event, Reading):
                count.take(event)
            yield event
        complaint = ""
        if faults.described:
            line, words = faults.described[0]
            complaint = f"line {line}: {words}"
        self.rows = count.rows(faults.count, complaint)


@dataclass(slots=True)
class _Count:
    used: int = 0
    backward: int = 0
    first_ms: int = 2**62
    last_ms: int = -(2**62)
    seen: dict[Quantity, int] = field(default_factory=dict)
    impossible: dict[Quantity, int] = field(default_factory=dict)
    strange: dict[Quantity, float] = field(default_factory=dict)
    latest: dict[tuple[str, Quantity], int] = field(default_factory=dict)
    sensors: dict[str, None] = field(default_factory=dict)

    def take(self, reading: Reading) -> None:
        self.used += 1
        key = (reading.sensor, reading.quantity)
        self.backward += reading.time_ms < self.latest.get(key, reading.time_ms)
        if key in self.latest or len(self.latest) < MOST_SENSORS:
            self.latest[key] = reading.time_ms
        self.first_ms = min(self.first_ms, reading.time_ms)
        self.last_ms = max(self.last_ms, reading.time_ms)
        limits = POSSIBLE.get(reading.quantity)
        if limits is None:
            return
        self.seen[reading.quantity] = self.seen.get(reading.quantity, 0) + 1
        if not limits[0] <= reading.value <= limits[1]:
            self.impossible[reading.quantity] = self.impossible.get(reading.quantity, 0) + 1
            self.strange.setdefault(reading.quantity, reading.value)
        if reading.quantity is Quantity.GRAVITY and len(self.sensors) < MOST_SENSORS:
            self.sensors.setdefault(reading.sensor)

    def rows(self, left_out: int, complaint: str) -> Rows:
        if not self.used:
            return Rows(left_out=left_out, complaint=complaint)
        return Rows(
            self.used, left_out, complaint, self.backward, self.first_ms, self.last_ms,
            self.seen.get(Quantity.GRAVITY, 0), self.impossible.get(Quantity.GRAVITY, 0),
            self.seen.get(Quantity.TEMPERATURE, 0), self.impossible.get(Quantity.TEMPERATURE, 0),
            tuple(self.strange.get(one, 0.0) for one in (Quantity.GRAVITY, Quantity.TEMPERATURE)),
            tuple(self.sensors),
        )  # fmt: skip
