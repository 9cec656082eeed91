"""What a message turned out to hold, and the checks that every form of message shares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.batch.sheet import LONGEST_SENSOR
from monitor.errors import PayloadError
from monitor.ferment.event import Reading
from monitor.sensors.topics import is_sensor_name

LATEST_MS: Final = 7_258_118_400_000
"""The year 2200: what is later is not a time."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What was in a message: at least one reading."""

    readings: tuple[Reading, ...]
    faults: tuple[PayloadError, ...] = ()
    """One for each part that should have been a reading and could not be; the others are good."""
    left_out: tuple[str, ...] = ()
    """Names of parts that are nothing carboyd keeps, such as humidity or a label."""


def gathered(
    readings: Sequence[Reading], faults: Sequence[PayloadError] = (), left_out: Sequence[str] = ()
) -> Decoded:
    """What was found; PayloadError where that is no reading at all."""
    if readings:
        return Decoded(tuple(readings), tuple(faults), tuple(left_out))
    if faults:
        first = faults[0]
        text = "; ".join(str(fault) for fault in faults[:8])
        raise PayloadError(text, kind=first.kind, field=first.field, hint=first.hint)
    raise PayloadError(
        f"holds no reading: {', '.join(left_out[:8]) or 'nothing'}",
        kind="no_reading",
        hint="a SenML name ends in what is measured, such as float-a:density",
    )


def require_sensor(name: str, field: str) -> str:
    """The sensor's name; PayloadError where nothing may be called so."""
    if not is_sensor_name(name):
        raise PayloadError(
            f"{name[:LONGEST_SENSOR]!r} cannot name a sensor",
            kind="sensor",
            field=field,
            hint=f"1 to {LONGEST_SENSOR} printable characters, no comma, no space at either end",
        )
    return name


def require_time(time_ms: int, field: str) -> int:
    """The time; PayloadError where it lies before 1970 or after 2200."""
    if not 0 <= time_ms <= LATEST_MS:
        raise PayloadError(
            f"time {time_ms} ms of Unix time is not between 1970 and 2200",
            kind="time",
            field=field,
            hint="check the unit that is declared for the time: s, ms, us or rfc3339",
        )
    return time_ms


def undated(field: str) -> PayloadError:
    """The fault of a retained value that does not say when it was measured."""
    return PayloadError(
        "a retained value without a time of its own: it may be weeks old",
        kind="undated",
        field=field,
        hint="publish readings without the retain flag, or with a time",
    )
