"""Whether the time on a reading can be believed.

A float without a battery clock wakes in the past and may jump ahead by hours (a known fault of such boards),
or runs ahead for good. What it reads is as good as any: it counts for the moment at which it arrived. So
readings are dated before they are stored, and the pipeline does it again: a recording is not stored first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum
from typing import Final

from monitor.ferment.event import Reading
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity

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


def dated(reading: Reading) -> tuple[Reading, TimeFlag]:
    """The reading, dated by its arrival where its own time cannot be; and what is to be thought of that."""
    flag = time_plausible(reading.time_ms, reading.received_ms)
    return reading if flag is TimeFlag.OK else replace(reading, time_ms=reading.received_ms), flag


def dated_all(readings: Sequence[Reading]) -> tuple[list[Reading], list[TimeFlag]]:
    """The readings that came together, those with times that cannot be dated by their arrival; and what is to
    be thought of each time.

    What one sensor had kept and sends at once stays as far apart as it was measured: the last of it counts
    for its arrival.
    """
    flags = [time_plausible(reading.time_ms, reading.received_ms) for reading in readings]
    ahead_ms: dict[tuple[str, TimeFlag], int] = {}
    for reading, flag in zip(readings, flags, strict=True):
        key = reading.sensor, flag
        ahead_ms[key] = max(ahead_ms.get(key, -(2**62)), reading.time_ms - reading.received_ms)
    placed: list[Reading] = []
    taken: set[tuple[str, Quantity, int]] = set()
    for reading, flag in zip(readings, flags, strict=True):
        if flag is TimeFlag.OK:
            placed.append(reading)
            continue
        time_ms = reading.time_ms - ahead_ms[reading.sensor, flag]
        while (reading.sensor, reading.quantity, time_ms) in taken:
            time_ms -= 1  # two at one time would be one
        taken.add((reading.sensor, reading.quantity, time_ms))
        placed.append(replace(reading, time_ms=time_ms))
    return placed, flags
