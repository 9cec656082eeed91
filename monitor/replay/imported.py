"""What an import comes to: a recording in a folder, or readings in the store of a batch."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, RecordingError
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.ferment.skew import dated_all
from monitor.replay.gathering import Gathered, LeftOut
from monitor.replay.recording import BATCH_FILE, READINGS_FILE, rows_of, write
from monitor.store.base import Store
from monitor.store.batches import LEAD_MS
from monitor.units import Quantity

AT_ONCE: Final = 5_000
"""Readings in one transaction."""
FLOATS: Final = (Quantity.GRAVITY, Quantity.ANGLE)


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of readings put into the store."""

    stored: int
    known: int
    """Were there already."""


def save(
    folder: Path, title: str, premise: Premise, gathered: Gathered, journal: tuple[JournalEntry, ...] = ()
) -> None:
    """Write a recording into a folder that holds none yet; RecordingError where it does."""
    if any((folder / name).exists() for name in (BATCH_FILE, READINGS_FILE)):
        raise RecordingError(f"{folder} holds a recording already", hint="Choose another folder.")
    write(
        folder,
        title=title,
        premise=premise,
        journal=journal,
        truth=Truth(),
        lines=rows_of(gathered.readings()),
    )


def believed(gathered: Gathered, premise: Premise) -> Premise:
    """The premise with the sensors that have most to say, where the maker named none.

    InputError for a sensor that is named and says nothing.
    """
    counts = {(sensor, quantity): count for sensor, quantity, count, *_ in gathered.spans()}
    for named, quantity in (
        (premise.gravity_sensor, Quantity.GRAVITY),
        (premise.temperature_sensor, Quantity.TEMPERATURE),
    ):
        if named is not None and (named, quantity) not in counts:
            there = sorted({sensor for sensor, measured in counts if measured is quantity})
            raise InputError(
                f"no {quantity.value} of a sensor {named!r} was taken",
                hint=f"There is some of {', '.join(there)}." if there else "There is none at all.",
            )

    def most(quantity: Quantity) -> str | None:
        own = [(count, sensor) for (sensor, measured), count in counts.items() if measured is quantity]
        return max(own)[1] if own else None

    return replace(
        premise,
        gravity_sensor=premise.gravity_sensor or most(Quantity.GRAVITY),
        temperature_sensor=premise.temperature_sensor or most(Quantity.TEMPERATURE),
    )


def for_batch(gathered: Gathered, sheet: Sheet) -> Gathered:
    """The readings under the names of the batch's own sensors.

    A sensor that the sheet names keeps its name; one that measures gravity becomes the batch's float, one
    that measures only the temperature its thermometer, and hand samples become the batch's own. InputError
    where that leaves a choice, or the sheet names no such sensor.
    """
    floats = {sensor for sensor, quantity in gathered.sources if quantity in FLOATS}
    renamed = [
        (_own(sensor, quantity, sensor in floats, sheet), quantity) for sensor, quantity in gathered.sources
    ]
    for place, key in enumerate(renamed):
        if renamed.index(key) != place:
            both = gathered.sources[renamed.index(key)][0], gathered.sources[place][0]
            raise InputError(
                f"both {both[0]!r} and {both[1]!r} would be the {key[1].value} of {key[0]!r}",
                hint="Import one of them only: --only SENSOR.",
            )
    return replace(gathered, sources=tuple(renamed))


def _own(sensor: str, quantity: Quantity, is_float: bool, sheet: Sheet) -> str:
    if quantity is Quantity.SAMPLE_GRAVITY:
        return sheet.hand_sensor
    if sensor in sheet.sensors:
        return sensor
    if is_float:
        target = sheet.gravity_sensor
    elif quantity is Quantity.TEMPERATURE:
        target = sheet.temperature_sensor or sheet.gravity_sensor
    else:
        target = None
    if target is None:
        raise InputError(
            f"{sheet.slug!r} names no sensor for the {quantity.value.replace('_', ' ')} of {sensor!r}",
            hint=f"Name it first: carboyd batch sensors {sheet.slug}; or leave it out: --only SENSOR.",
        )
    return target


def put_into(store: Store, sheet: Sheet, gathered: Gathered, left_out: LeftOut, now_ms: int) -> Kept:
    """Keep readings as if they had arrived when they were measured, and let a running daemon look again.

    What lies before the pitch (less a day) or after the batch's end is left out: it would belong to no batch.
    StoreUnavailableError where the store cannot be written; the same call may be made again.
    """
    stored = known = 0
    waiting = _within(gathered.readings(), sheet, left_out)
    while chunk := list(islice(waiting, AT_ONCE)):
        readings, flags = dated_all(chunk)
        # told with each part: what comes after it may fail, and the sheet may have been changed meanwhile
        committed = store.readings.put_behind(sheet.slug, readings, flags=flags, at_ms=now_ms)
        stored += committed.stored
        known += committed.duplicates
    return Kept(stored, known)


def _within(readings: Iterator[Reading], sheet: Sheet, left_out: LeftOut) -> Iterator[Reading]:
    for number, reading in enumerate(readings, start=1):
        if reading.received_ms < sheet.pitched_ms - LEAD_MS:
            left_out.note(number, reading.quantity.value, "measured more than a day before the pitch")
        elif sheet.ended_ms is not None and reading.received_ms > sheet.ended_ms:
            left_out.note(number, reading.quantity.value, "measured after the batch was ended")
        else:
            yield reading
