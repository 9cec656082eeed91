"""Whether a recording can tell anything: counted while it is played, said in words at the end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.premise import Premise
from monitor.replay.player import Recorded
from monitor.replay.recording import RowFaults
from monitor.sensors.intake import POSSIBLE
from monitor.units import MS_PER_DAY, Quantity

MOSTLY: Final = 0.5
FEW_READINGS: Final = 24


@dataclass(slots=True)
class Checked:
    """A recording that keeps count of what is read from it."""

    recording: Recorded
    readings_read: int = 0
    gravities: int = 0
    impossible: int = 0
    first_impossible: float | None = None
    stepped_back: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    _times: dict[tuple[str, Quantity], int] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The recording's."""
        return self.recording.name

    @property
    def title(self) -> str:
        """The recording's."""
        return self.recording.title

    @property
    def premise(self) -> Premise:
        """The recording's."""
        return self.recording.premise

    @property
    def journal(self) -> tuple[JournalEntry, ...]:
        """The recording's."""
        return self.recording.journal

    def readings(self, faults: RowFaults | None = None) -> Iterator[Reading]:
        """The recording's, each as it is."""
        low_sg, high_sg = POSSIBLE[Quantity.GRAVITY]
        for reading in self.recording.readings(faults):
            self.readings_read += 1
            key = reading.sensor, reading.quantity
            if reading.time_ms < self._times.get(key, reading.time_ms):
                self.stepped_back += 1
            self._times[key] = reading.time_ms
            if reading.quantity is Quantity.GRAVITY:
                self.gravities += 1
                if not low_sg <= reading.value <= high_sg:
                    self.impossible += 1
                    if self.first_impossible is None:
                        self.first_impossible = reading.value
            self.first_ms = reading.time_ms if self.first_ms is None else min(self.first_ms, reading.time_ms)
            self.last_ms = reading.time_ms if self.last_ms is None else max(self.last_ms, reading.time_ms)
            yield reading

    def complaints(self, faults: RowFaults) -> list[str]:
        """Sentences on why so little is told, after it was played; none for a sound recording."""
        total = self.readings_read
        if not total:
            rows = f"; none of its {faults.count} rows could be understood" if faults.count else ""
            return [f"holds no reading{rows}"]
        found = []
        if total < FEW_READINGS:
            found.append(f"holds {total} reading{'s' if total > 1 else ''}: too few for any verdict")
        if not self.gravities:
            found.append("holds no gravity: nothing can be told of the ferment")
        elif self.impossible > MOSTLY * self.gravities:
            found.append(
                f"{self.impossible} of {self.gravities} gravities are possible for no liquid, such as "
                f"{self.first_impossible:g} sg: is the unit wrong?"
            )
        if self.stepped_back > MOSTLY * total:
            found.append(
                "most rows are older than the one before: is the newest on top? carboyd import mends that"
            )
        pitched_ms = self.premise.pitched_ms
        if self.last_ms is not None and self.last_ms < pitched_ms:
            found.append("ends before it was pitched: is pitched_at right?")
        elif self.first_ms is not None and self.first_ms > pitched_ms + 30 * MS_PER_DAY:
            found.append("begins more than a month after it was pitched: is pitched_at right?")
        return found
