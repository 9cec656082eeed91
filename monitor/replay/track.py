"""A recording hour by hour: what its believed sensors said, for looking at it as a whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.event import Reading
from monitor.ferment.skew import dated
from monitor.replay.gathering import Gathered, gather
from monitor.replay.player import Recorded
from monitor.replay.recording import RowFaults
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

Times = NDArray[np.int64]
Values = NDArray[np.float64]
LEAD_MS = MS_PER_DAY
"""Readings from so long before the pitch are shown; they belong to no ferment."""


@dataclass(frozen=True, slots=True)
class Hourly:
    """Hours that hold a reading: their middles, and least, median and greatest value."""

    time_ms: Times
    low: Values
    median: Values
    high: Values

    def __len__(self) -> int:
        return len(self.time_ms)

    def between(self, from_ms: int, until_ms: int) -> Hourly:
        """The hours within."""
        own = (self.time_ms >= from_ms) & (self.time_ms <= until_ms)
        return Hourly(self.time_ms[own], self.low[own], self.median[own], self.high[own])


@dataclass(frozen=True, slots=True)
class Track:
    """What a recording holds, seen from its end; gravities in sg, temperatures in degC."""

    pitched_ms: int
    ended_ms: int
    """Arrival of the last row; the pitch where there is none."""
    gravity: Hourly
    temperature: Hourly
    sample_ms: Times
    sample_sg: Values


def track_of(recording: Recorded, faults: RowFaults | None = None) -> Track:
    """Read a recording once, all of it.

    The sensors that the sheet names are believed, or else the first to deliver. Raises RecordingError where
    the rows cannot be read.
    """
    premise = recording.premise
    gathered = gather(_placed(recording.readings(faults), premise.pitched_ms - LEAD_MS))
    samples = [
        place for place, (_, quantity) in enumerate(gathered.sources) if quantity is Quantity.SAMPLE_GRAVITY
    ]
    by_hand = np.isin(gathered.source, samples)
    return Track(
        pitched_ms=premise.pitched_ms,
        ended_ms=int(gathered.received_ms.max()) if len(gathered) else premise.pitched_ms,
        gravity=_hourly(gathered, Quantity.GRAVITY, premise.gravity_sensor),
        temperature=_hourly(gathered, Quantity.TEMPERATURE, premise.temperature_sensor),
        sample_ms=gathered.time_ms[by_hand],
        sample_sg=gathered.value[by_hand],
    )


def _placed(readings: Iterator[Reading], from_ms: int) -> Iterator[Reading]:
    for reading in readings:
        placed, _ = dated(reading)
        if placed.time_ms >= from_ms:
            yield placed


def _hourly(gathered: Gathered, quantity: Quantity, named: str | None) -> Hourly:
    place = next(
        (
            place
            for place, (sensor, measured) in enumerate(gathered.sources)
            if measured is quantity and named in (None, sensor)
        ),
        -1,
    )
    own = gathered.source == place
    hour, value = gathered.time_ms[own] // MS_PER_HOUR, gathered.value[own]
    order = np.lexsort((value, hour))
    hour, value = hour[order], value[order]
    starts = np.flatnonzero(np.diff(hour, prepend=-1))
    ends = np.append(starts[1:], len(hour)).astype(np.int64)
    return Hourly(
        time_ms=hour[starts] * MS_PER_HOUR + MS_PER_HOUR // 2,
        low=value[starts],
        median=(value[(starts + ends - 1) // 2] + value[(starts + ends) // 2]) / 2.0
        if len(starts)
        else value,
        high=value[ends - 1] if len(starts) else value,
    )
