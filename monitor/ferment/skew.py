"""Whether the time on a reading can be believed.

A float without a battery clock wakes in the past and may jump ahead by hours (a known fault of such boards),
or runs ahead for good. What it reads is as good as any: it counts for the moment at which it arrived. So
readings are dated before they are stored, and the pipeline does it again: a recording is not stored first.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from typing import Final

from monitor.ferment.event import Reading
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

FUTURE_MS: Final = 5 * MS_PER_MINUTE
PAST_MS: Final = 365 * MS_PER_DAY
KEPT_MS: Final = 30 * MS_PER_DAY
"""No sensor keeps what it measured for longer than this before it sends it."""
APART_MS: Final = 12 * MS_PER_HOUR
"""A float measures four times a day or more: with one missed, what it kept has no wider gap than this."""

_Key = tuple[str, Quantity, int]


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
    for its arrival. None counts for a time before 1970, or farther before its arrival than sensors keep any.
    """
    flags = [time_plausible(reading.time_ms, reading.received_ms) for reading in readings]
    both = [*zip(readings, flags, strict=True)]
    ahead_ms = _ahead_ms(reading for reading, flag in both if flag is not TimeFlag.OK)
    placed: list[Reading] = []
    taken = {(one.sensor, one.quantity, one.time_ms) for one, flag in both if flag is TimeFlag.OK}
    for reading, flag in both:
        if flag is TimeFlag.OK:
            placed.append(reading)
            continue
        own_ms = reading.time_ms - reading.received_ms
        time_ms = _free_ms(reading, reading.time_ms - ahead_ms[reading.sensor, own_ms], taken)
        taken.add((reading.sensor, reading.quantity, time_ms))
        placed.append(replace(reading, time_ms=time_ms))
    return placed, flags


def _ahead_ms(doubted: Iterable[Reading]) -> Mapping[tuple[str, int], int]:
    """How far a sensor's clock was ahead for a reading, by how far that itself lies ahead of its arrival.

    Readings that one clock dated lie near one another. One that lies far from all others was dated by a clock
    that was set in between, or by none: it must not move the others.
    """
    of_sensor: defaultdict[str, set[int]] = defaultdict(set)
    for reading in doubted:
        of_sensor[reading.sensor].add(reading.time_ms - reading.received_ms)
    found: dict[tuple[str, int], int] = {}
    for sensor, ahead in of_sensor.items():
        newest_ms = last_ms = max(ahead)
        for own_ms in sorted(ahead, reverse=True):
            if last_ms - own_ms > APART_MS:
                newest_ms = own_ms
            found[sensor, own_ms] = newest_ms if newest_ms - own_ms <= KEPT_MS else own_ms
            last_ms = own_ms
    return found


def _free_ms(reading: Reading, time_ms: int, taken: set[_Key]) -> int:
    """The time itself, or the nearest free one, before it if possible: two at one time would be one."""
    earliest_ms = max(0, reading.received_ms - KEPT_MS)
    time_ms = max(earliest_ms, time_ms)
    step_ms = -1
    while (reading.sensor, reading.quantity, time_ms) in taken:
        if time_ms == earliest_ms:
            step_ms = 1
        time_ms += step_ms
    return time_ms
