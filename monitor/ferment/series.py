"""The ordered readings of one sensor and quantity, kept as hourly medians.

Readings arrive in any order, late or doubled. A reading takes its place by the time it was measured; the same
time again is the same reading; one that cannot be of a ferment is counted and kept out of the analysis (it
stays in the store). Memory is bounded:
`MAX_HOURS` of hours with at most `MAX_PER_HOUR` readings each, 16 bytes a reading.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from statistics import median
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.ferment.event import Reading
from monitor.units import MS_PER_HOUR, Quantity

Floats = npt.NDArray[np.float64]

LONGEST_DAYS: Final = 400
"""Nothing is kept of what comes later than so long after pitching."""
MAX_HOURS: Final = LONGEST_DAYS * 24
MAX_PER_HOUR: Final = 240
RECENT_GAPS: Final = 64
"""How many intervals between readings the usual interval is learnt from."""

POSSIBLE: Final[dict[Quantity, tuple[float, float]]] = {
    Quantity.GRAVITY: (0.960, 1.200),
    Quantity.SAMPLE_GRAVITY: (0.960, 1.200),
    Quantity.TEMPERATURE: (-15.0, 60.0),
    Quantity.AMBIENT_TEMPERATURE: (-40.0, 70.0),
}
"""What a must and its room can read at all; a float in the air or in its box reads outside (common practice).
"""


class Track:
    """Hourly medians of one sensor's quantity, from `start_ms` on."""

    def __init__(self, start_ms: int) -> None:
        self.first_hour = start_ms // MS_PER_HOUR
        self.start_ms = start_ms
        self.last_time_ms: int | None = None
        self.last_received_ms: int | None = None
        self.lag_ms = 0
        """How old the newest reading was when it came: of a clock that is behind, all of them are so old."""
        self.set_aside = 0
        self.hours = 0
        # in order of time, side by side: thousands of batches are kept in memory for weeks
        self._times = array("q")
        self._values = array("d")
        self._dirty: set[int] = set()
        self._median = np.full(256, np.nan)
        self._count = np.zeros(256)
        self._gaps: list[int] = []

    def admit(self, reading: Reading) -> bool:
        """Put a reading in its place; False where it is a repeat, impossible, or too early."""
        if self.last_received_ms is None or reading.received_ms > self.last_received_ms:
            # it speaks, whatever it says: silence is another fault
            self.last_received_ms = reading.received_ms
        if not _is_possible(reading):
            self.set_aside += 1
            return False
        index = reading.time_ms // MS_PER_HOUR - self.first_hour
        if reading.time_ms < self.start_ms or index >= MAX_HOURS:
            return False
        times = self._times
        place = bisect_left(times, reading.time_ms) if times and reading.time_ms <= times[-1] else len(times)
        if place < len(times) and times[place] == reading.time_ms:
            return False
        first, last = self._places(index, index + 1)
        if last - first >= MAX_PER_HOUR:
            return False
        times.insert(place, reading.time_ms)
        self._values.insert(place, reading.value)
        self._dirty.add(index)
        self._note_newest(reading)
        return True

    def _places(self, begin: int, end: int) -> tuple[int, int]:
        """Where the readings of hours begin..end-1 lie."""
        first_ms = (self.first_hour + begin) * MS_PER_HOUR
        first = bisect_left(self._times, first_ms)
        return first, bisect_left(self._times, first_ms + (end - begin) * MS_PER_HOUR, first)

    def _note_newest(self, reading: Reading) -> None:
        if self.last_time_ms is not None:
            if reading.time_ms <= self.last_time_ms:
                return
            self._gaps.append(reading.time_ms - self.last_time_ms)
            del self._gaps[:-RECENT_GAPS]
        self.last_time_ms = reading.time_ms
        self.lag_ms = max(reading.received_ms - reading.time_ms, 0)

    @property
    def is_empty(self) -> bool:
        """Whether nothing usable has come yet."""
        return not self._times

    @property
    def interval_hours(self) -> float:
        """Usual time between readings, in hours: the median of recent ones; nan before the second reading."""
        return median(self._gaps) / MS_PER_HOUR if self._gaps else math.nan

    def settle(self) -> bool:
        """Bring the hourly medians up to date; True where any changed."""
        if not self._dirty:
            return False
        highest = max(self._dirty)
        if highest >= len(self._median):
            room = 2 * (highest + 1) - len(self._median)
            self._median = np.concatenate([self._median, np.full(room, np.nan)])
            self._count = np.concatenate([self._count, np.zeros(room)])
        for index in self._dirty:
            first, last = self._places(index, index + 1)
            self._median[index] = median(self._values[first:last])
            self._count[index] = last - first
        self.hours = max(self.hours, highest + 1)
        self._dirty.clear()
        return True

    def hourly(self, begin: int, end: int) -> tuple[Floats, Floats]:
        """Medians (nan where nothing was measured) and counts of bins begin..end-1 from the start on."""
        out = np.full(max(end - begin, 0), np.nan)
        counts = np.zeros(max(end - begin, 0))
        low, high = max(begin, 0), min(end, self.hours)
        if high > low:
            out[low - begin : high - begin] = self._median[low:high]
            counts[low - begin : high - begin] = self._count[low:high]
        return out, counts

    def raw(self, begin: int, end: int, limit: int) -> list[tuple[int, float]]:
        """The latest readings (time_ms, value) of bins begin..end-1 in order of time, at most `limit`."""
        first, last = self._places(begin, end)
        part = slice(max(first, last - limit), last)
        return list(zip(self._times[part], self._values[part], strict=True))


def _is_possible(reading: Reading) -> bool:
    if not math.isfinite(reading.value):
        return False
    low, high = POSSIBLE.get(reading.quantity, (-math.inf, math.inf))
    return low <= reading.value <= high
