"""Whether the time on a reading can be believed.

A float without a battery clock wakes in the past and may jump ahead by hours (a known fault of such boards).
The sensors' room flags such readings with this before they are stored; the pipeline asks again, because a
recording does not pass through that room.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from monitor.units import MS_PER_DAY, MS_PER_MINUTE

FUTURE_MS: Final = 5 * MS_PER_MINUTE
PAST_MS: Final = 365 * MS_PER_DAY


class TimeFlag(StrEnum):
    """What is to be thought of a reading's time."""

    OK = "ok"
    FUTURE = "future"
    ANCIENT = "ancient"


def time_plausible(time_ms: int, received_ms: int, first_ms: int | None = None) -> TimeFlag:
    """FUTURE where it lies over five minutes ahead of its arrival; ANCIENT where years behind.

    `first_ms` is the sensor's first day, or the arrival where that is not known.
    """
    if time_ms > received_ms + FUTURE_MS:
        return TimeFlag.FUTURE
    if time_ms < (received_ms if first_ms is None else first_ms) - PAST_MS:
        return TimeFlag.ANCIENT
    return TimeFlag.OK
