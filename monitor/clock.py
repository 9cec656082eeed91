"""The clock at the door: the only place where the daemon learns what time it is."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol

from monitor.units import MS_PER_SECOND


class Clock(Protocol):
    """Says what time it is, in Unix milliseconds UTC."""

    def now_ms(self) -> int:
        """The time now."""
        ...


@dataclass(frozen=True, slots=True)
class SystemClock:
    """The machine's wall clock."""

    def now_ms(self) -> int:
        """The time now, Unix milliseconds."""
        return time.time_ns() // 1_000_000


@dataclass(slots=True)
class FastClock:
    """A clock that stands at `start_ms` until `go`, and then runs `speed` times as fast as the wall's."""

    start_ms: int
    speed: float
    _origin_s: float | None = None

    def go(self) -> None:
        """Begin to run."""
        self._origin_s = time.monotonic()

    def now_ms(self) -> int:
        """The time now on this clock, Unix milliseconds."""
        if self._origin_s is None:
            return self.start_ms
        return self.start_ms + int((time.monotonic() - self._origin_s) * self.speed * MS_PER_SECOND)

    def wall_seconds_until(self, time_ms: int) -> float:
        """Seconds of real time until this clock shows `time_ms`; 0 when it has passed."""
        return max(0.0, (time_ms - self.now_ms()) / MS_PER_SECOND / self.speed)
