"""Readings gathered from outside, in order, and an account of what was left out and why."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from monitor.errors import RecordingError
from monitor.ferment.event import Reading
from monitor.units import Quantity

MOST_READINGS: Final = 50_000_000
"""24 bytes each: above a gigabyte it is no ferment any more."""
MOST_SOURCES: Final = 2_000
MOST_REASONS: Final = 60
ROWS_NAMED: Final = 6

NoteLeftOut = Callable[[int, str, str], None]
"""Takes row, what it is about (a heading, a topic) and why."""


@dataclass(slots=True)
class Reason:
    """One reason for which values were left out."""

    what: str
    why: str
    count: int = 0
    rows: list[int] = field(default_factory=list)
    """The first `ROWS_NAMED`."""


@dataclass(slots=True)
class LeftOut:
    """Everything that was not taken: counted by reason, and handed on one by one to whoever wants it all."""

    each: NoteLeftOut | None = None
    reasons: dict[tuple[str, str], Reason] = field(default_factory=dict)

    def note(self, row: int, what: str, why: str, detail: str = "") -> None:
        """One value or row; `detail` is for the full account only, so that reasons stay few."""
        key = (what, why)
        if key not in self.reasons and len(self.reasons) >= MOST_REASONS:
            key = ("", "other reasons")
        reason = self.reasons.setdefault(key, Reason(*key))
        reason.count += 1
        if len(reason.rows) < ROWS_NAMED:
            reason.rows.append(row)
        if self.each is not None:
            self.each(row, what, f"{why}: {detail}" if detail else why)

    @property
    def count(self) -> int:
        """All of them."""
        return sum(reason.count for reason in self.reasons.values())

    def listed(self) -> list[Reason]:
        """The most frequent first."""
        return sorted(self.reasons.values(), key=lambda reason: -reason.count)


@dataclass(frozen=True, slots=True)
class Gathered:
    """Readings as columns in order of arrival, then of measurement."""

    sources: tuple[tuple[str, Quantity], ...]
    source: np.ndarray[tuple[int], np.dtype[np.int32]]
    time_ms: np.ndarray[tuple[int], np.dtype[np.int64]]
    value: np.ndarray[tuple[int], np.dtype[np.float64]]
    received_ms: np.ndarray[tuple[int], np.dtype[np.int64]]
    moved: int
    """How many stood out of order and were put in place."""
    repeated: int
    """How many had the sensor, quantity and time of one before; the first was kept."""

    def __len__(self) -> int:
        return len(self.time_ms)

    def readings(self) -> Iterator[Reading]:
        """One by one."""
        for source, time_ms, value, received_ms in zip(
            self.source.tolist(),
            self.time_ms.tolist(),
            self.value.tolist(),
            self.received_ms.tolist(),
            strict=True,
        ):
            sensor, quantity = self.sources[source]
            yield Reading(sensor, quantity, time_ms, value, received_ms)

    def spans(self) -> Iterator[tuple[str, Quantity, int, float, float, int, int]]:
        """Of each sensor and quantity: how many, lowest and highest value, first and last time."""
        for place, (sensor, quantity) in enumerate(self.sources):
            own = self.source == place
            if own.any():
                values, times = self.value[own], self.time_ms[own]
                yield (sensor, quantity, int(own.sum()), float(values.min()), float(values.max()),
                       int(times.min()), int(times.max()))  # fmt: skip


def gather(readings: Iterable[Reading]) -> Gathered:
    """Bring readings into order and keep the first of each sensor, quantity and time.

    A table may have the newest on top: what has no arrival of its own arrives when it was measured.
    Raises RecordingError where there are more than can be held.
    """
    places: dict[tuple[str, Quantity], int] = {}
    rows = np.fromiter(_numbered(readings, places), dtype=_ROW)
    source, time_ms, received_ms = rows["source"], rows["time"], rows["received"]
    # the same key again, whatever lies between: neighbours once sorted by it, the first arrival in front
    by_key = np.lexsort((received_ms, time_ms, source))
    again = np.zeros(len(rows), dtype=bool)
    again[by_key[1:]] = (np.diff(source[by_key]) == 0) & (np.diff(time_ms[by_key]) == 0)
    order = np.lexsort((time_ms, received_ms))
    kept = rows[order[~again[order]]]
    return Gathered(
        tuple(places), kept["source"], kept["time"], kept["value"], kept["received"],
        moved=int((np.diff(received_ms) < 0).sum()), repeated=int(again.sum()),
    )  # fmt: skip


_ROW: Final = np.dtype([("source", "i4"), ("time", "i8"), ("value", "f8"), ("received", "i8")])


def _numbered(
    readings: Iterable[Reading], places: dict[tuple[str, Quantity], int]
) -> Iterator[tuple[int, int, float, int]]:
    for count, reading in enumerate(readings):
        place = places.setdefault((reading.sensor, reading.quantity), len(places))
        if place >= MOST_SOURCES or count >= MOST_READINGS:
            raise RecordingError(
                f"more than {MOST_SOURCES} sensors or {MOST_READINGS} readings",
                hint="Is the column with the sensor's name the right one?",
            )
        yield place, reading.time_ms, reading.value, reading.received_ms
