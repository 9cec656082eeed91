"""Three simulated carboys over real MQTT with time running fast: what the demo shows, without its screen.

The readings are simulated recordings, published as SenML at their own times on a clock that runs fast, to
the daemon's own embedded broker; the daemon does not know that they are simulated.
"""

from __future__ import annotations

import heapq
import math
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Final

from monitor.batch.sheet import Sheet, Vessel
from monitor.clock import FastClock
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.event import Reading
from monitor.replay.simulate import simulate
from monitor.sensors.broker import free_port
from monitor.sensors.link import Link
from monitor.sensors.mqtt import Subscriber
from monitor.sensors.senml import Record, dump_json
from monitor.settings import Loaded, Settings
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_SECOND, Quantity

DAYS: Final = 14.0
SECONDS: Final = 100.0
MOST_SECONDS: Final = 3_600
"""The longest that a demo takes."""
CONNECT_S: Final = 10.0
VOLUME_L: Final = 18.2
CAPACITY_L: Final = 20.0
TOLERATED_HOURS: Final = AlertPolicy().silent_hours / 2.0
"""Readings that are later are soon taken for those of a silent float."""
SPARE: Final = 1.25
"""Time to spare, beyond what the readings took so far."""


_SENML: Final = {
    Quantity.TEMPERATURE: ("temperature", "Cel"),
    Quantity.AMBIENT_TEMPERATURE: ("ambient_temperature", "Cel"),
    Quantity.GRAVITY: ("gravity", "/"),
    Quantity.BATTERY: ("battery", "%EL"),
    Quantity.BATTERY_VOLTAGE: ("battery_voltage", "V"),
    Quantity.SIGNAL: ("signal", "dBW"),
}
DBW_OF_DBM: Final = -30.0


@dataclass(frozen=True, slots=True)
class Part:
    """One carboy of the demo: a simulated ferment and what the maker calls it."""

    name: str
    slug: str
    scenario: str
    seed: int
    plot: str
    """What is going to happen, for whoever reads the code or the help."""


PARTS: Final = (
    Part("Window sill", "window-sill", "session", 11, "a session mead that finishes"),
    Part("Cold porch", "cold-porch", "cold-stall", 4, "stalls when the room goes cold, and wakes again"),
    Part("Under the stairs", "under-the-stairs", "strong", 11, "a strong one, healthy and not nearly done"),
)


@dataclass(frozen=True, slots=True)
class Carboy:
    """A part, dated: its sheet and its readings in order of arrival."""

    sheet: Sheet
    readings: tuple[Reading, ...]


def carboys(start_ms: int) -> list[Carboy]:
    """The three carboys, all pitched at `start_ms`, with sensors of their own."""
    return [_carboy(part, start_ms) for part in PARTS]


def _carboy(part: Part, start_ms: int) -> Carboy:
    recording = simulate(part.scenario, part.seed).recording
    premise = recording.premise
    shift_ms = start_ms - premise.pitched_ms

    def renamed(sensor: str) -> str:
        return f"{part.slug}-{sensor}"

    readings = tuple(
        replace(
            reading,
            sensor=renamed(reading.sensor),
            time_ms=reading.time_ms + shift_ms,
            received_ms=reading.received_ms + shift_ms,
        )
        for reading in recording.readings()
        if reading.quantity in _SENML
    )
    sheet = Sheet(
        slug=part.slug,
        name=part.name,
        pitched_ms=start_ms,
        must=replace(premise.must, volume_l=VOLUME_L),
        yeast=premise.yeast,
        vessel=Vessel(CAPACITY_L),
        gravity_sensor=None if premise.gravity_sensor is None else renamed(premise.gravity_sensor),
        temperature_sensor=None
        if premise.temperature_sensor is None
        else renamed(premise.temperature_sensor),
        other_sensors=tuple(sorted({reading.sensor for reading in readings})),
    )
    return Carboy(sheet, readings)


def settings_in(folder: Path, port: int) -> Loaded:
    """The embedded default with its store in `folder`, and a configuration file there for other commands."""
    folder.mkdir(parents=True, exist_ok=True)
    url = f"sqlite:///{folder / 'carboyd.sqlite'}"
    config = folder / "carboyd.toml"
    config.write_text(f'[store]\nurl = "{url}"\n', encoding="utf-8")
    settings = Settings.model_validate(
        {
            "mqtt": {"broker": "embedded", "port": port or free_port()},
            "store": {"url": url},
            "web": {"port": 0},
        }
    )
    return Loaded(settings, config, folder)


class Floats(threading.Thread):
    """Publishes every carboy's readings when its clock says they are due."""

    def __init__(self, carboys_: list[Carboy], clock: FastClock, link: Link, prefix: str) -> None:
        super().__init__(name="floats", daemon=True)
        self._due = _in_order(carboys_)
        self._clock = clock
        self._prefix = prefix
        self._client = Subscriber(link, clock.now_ms)
        self._stopping = threading.Event()

    def run(self) -> None:
        """Let the clock go once connected; publish until there is nothing left or `stop` is called."""
        self._client.start()
        self._client.wait_connected(CONNECT_S)
        self._clock.go()
        # what a sensor measured at one time goes out in one pack
        for (sensor, _, received_ms), pack in groupby(self._due, key=_moment):
            if self._stopping.wait(self._clock.wall_seconds_until(received_ms)):
                break
            self._client.publish(
                f"{self._prefix}/{sensor}", dump_json([_record(reading) for reading in pack])
            )
        self._client.stop()

    def stop(self) -> None:
        """End soon."""
        self._stopping.set()


def _in_order(carboys_: list[Carboy]) -> Iterator[Reading]:
    return heapq.merge(*(carboy.readings for carboy in carboys_), key=lambda reading: reading.received_ms)


def _moment(reading: Reading) -> tuple[str, int, int]:
    return reading.sensor, reading.time_ms, reading.received_ms


def _record(reading: Reading) -> Record:
    name, unit = _SENML[reading.quantity]
    value = reading.value + (DBW_OF_DBM if reading.quantity is Quantity.SIGNAL else 0.0)
    return Record(f"{reading.sensor}:{name}", unit, value, reading.time_ms)


@dataclass(frozen=True, slots=True)
class Reach:
    """How far the demo's readings have come by the end of its time, by its own clock."""

    days: float
    """All that was due up to here is in the store."""
    late_hours: float
    """The longest that a reading came, or is, behind its time."""

    @property
    def in_time(self) -> bool:
        """Whether the machine has kept the pace."""
        return self.late_hours <= TOLERATED_HOURS


def reach(carboys_: list[Carboy], stored: Iterable[Reading], start_ms: int, until_ms: int) -> Reach:
    """Compare what is in the store when the clock stands at `until_ms` with what was due by then."""
    due_ms = {
        _key(reading): reading.received_ms
        for carboy in carboys_
        for reading in carboy.readings
        if reading.received_ms <= until_ms
    }
    late_ms = 0
    for reading in stored:
        late_ms = max(late_ms, reading.received_ms - due_ms.pop(_key(reading), reading.received_ms))
    first_ms = min(due_ms.values(), default=until_ms)
    late_ms = max(late_ms, until_ms - first_ms)
    return Reach(max(first_ms - start_ms, 0) / MS_PER_DAY, late_ms / MS_PER_HOUR)


def slow_words(found: Reach, days: float, seconds: float) -> str:
    """That the machine did not keep the pace, by what was measured, and what to try."""
    late_s = found.late_hours * MS_PER_HOUR / MS_PER_SECOND / speed(days, seconds)
    said = (
        f"This machine is too slow for the demo's pace of {days:g} days in {seconds:g} s: readings were up to"
        f" {found.late_hours:.0f} h late by its clock, {late_s:.1f} s of real time, and have come as far as"
        f" day {found.days:.1f}. So a finish or a stall may not be told, and a float may be called silent"
    )
    needed_s = _seconds_for(found, days, seconds)
    if needed_s is None or needed_s > MOST_SECONDS:
        return f"{said}. Try again when the machine has less to do: more time alone would not be enough."
    return f"{said}. Give it more time: carboyd demo --days {days:g} --seconds {needed_s:.0f}"


def _seconds_for(found: Reach, days: float, seconds: float) -> float | None:
    """How many seconds this machine would need, to the next ten; None where nothing came at all."""
    if found.days <= 0.0:
        return None
    behind_hours = (days - found.days) * MS_PER_DAY / MS_PER_HOUR
    if behind_hours > TOLERATED_HOURS:
        # it takes in so many days in the time: the whole takes as much longer
        factor = SPARE * days / found.days
    else:
        # it came to a halt once: the same halt is fewer hours of a slower clock
        factor = found.late_hours / TOLERATED_HOURS
    return 10.0 * math.ceil(factor * seconds / 10.0)


def _key(reading: Reading) -> tuple[str, Quantity, int]:
    return reading.sensor, reading.quantity, reading.time_ms


def speed(days: float, seconds: float) -> float:
    """How many times as fast as the wall's the demo's clock must run."""
    return days * MS_PER_DAY / (seconds * MS_PER_SECOND)
