"""What a float, a probe and a hand sample say of a ferment, with everything that goes wrong with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from monitor.must.density import density_from_sg, plato_from_sg
from monitor.replay.kinetics import Course, FloatArray
from monitor.replay.recording import COLUMNS, RECEIVED
from monitor.replay.room import wander
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, MS_PER_SECOND, fahrenheit_from_celsius, rfc3339_from_ms

ZERO_K: Final = 273.15


@dataclass(frozen=True, slots=True)
class Upset:
    """A stretch in which something is wrong; what `size` means depends on what it is."""

    from_h: float
    until_h: float
    size: float = 0.0


@dataclass(frozen=True, slots=True)
class FloatTraits:
    """A floating hydrometer and its ills; gravities in sg."""

    noise: float = 0.0005
    quantum: float = 0.0001
    wander: float = 0.0003
    wander_h: float = 6.0
    offset: float = 0.0
    drift: float = 0.0
    """Over the whole recording, at a bent pace."""
    per_c: float = 0.0
    interval_min: float = 15.0
    jitter: float = 0.02
    missing: float = 0.0
    foam: tuple[Upset, ...] = ()
    knocks: tuple[Upset, ...] = ()
    """At `from_h` the float hangs elsewhere by `size`, until it comes free."""
    stuck: tuple[Upset, ...] = ()
    gaps: tuple[Upset, ...] = ()
    late: tuple[Upset, ...] = ()
    doubled: tuple[Upset, ...] = ()
    wrong_clock: tuple[Upset, ...] = ()
    """`size` is how far the clock is off, hours."""
    dies_h: float | None = None
    bench_h: float = 0.0
    """Hours before pitching in which it already sends, from wherever it lies,"""
    bench_sg: float = 1.0
    """and about what it says there."""
    unit: str = "sg"
    temperature_unit: str = "degC"
    temperature_noise: float = 0.1
    temperature_quantum: float = 0.1
    temperature_offset: float = 0.0


@dataclass(frozen=True, slots=True)
class ProbeTraits:
    """A thermometer: in the liquid, or of the room (`ambient`)."""

    sensor: str = "probe-1"
    ambient: bool = False
    interval_min: float = 10.0
    missing: float = 0.0
    noise: float = 0.06
    offset: float = 0.0
    unit: str = "degC"
    stops_h: float | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One row on its way: when measured by the sensor's clock, when it arrived, and its text."""

    time_ms: int
    arrived_ms: int
    sensor: str
    rest: str
    """`quantity,value,unit`."""
    true_ms: int
    """When it was really measured."""


def _moments(interval_min: float, jitter: float, missing: float, hours: float, rng: Generator) -> FloatArray:
    count = int(hours * 60.0 / interval_min)
    at = (np.arange(count) + rng.uniform(0.0, 1.0)) * interval_min / 60.0
    at = at + rng.normal(0.0, jitter * interval_min / 60.0, count)
    return np.sort(at[rng.random(count) >= missing])


def _during(upsets: Sequence[Upset], at: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    inside = np.zeros(len(at), dtype=bool)
    for upset in upsets:
        inside |= (at >= upset.from_h) & (at < upset.until_h)
    return inside


def _rounded(value: FloatArray, quantum: float) -> FloatArray:
    return np.asarray(np.round(value / quantum) * quantum) if quantum > 0.0 else value


def float_says(
    course: Course, traits: FloatTraits, hours: float, rng: Generator
) -> tuple[FloatArray, FloatArray]:
    """The moments (hours) at which a float measures, and the gravity it says, sg."""
    at = _moments(traits.interval_min, traits.jitter, traits.missing, hours, rng)
    at = at[(at >= 0.0) & ~_during(traits.gaps, at)]
    if traits.dies_h is not None:
        at = at[at < traits.dies_h]
    true = np.interp(at, course.hours, course.gravity_sg)
    warmth = np.interp(at, course.hours, course.temperature_c)
    said = true + traits.offset + traits.drift * (at / hours) ** 0.8 + traits.per_c * (warmth - 20.0)
    fine_h = 0.25
    path = wander(int(hours / fine_h) + 2, fine_h, traits.wander_h, rng)
    said = said + traits.wander * np.interp(at, np.arange(len(path)) * fine_h, path)
    for foam in traits.foam:
        inside = _during((foam,), at)
        rough = rng.uniform(0.2, 1.2, len(at))
        swell = np.sin(np.pi * np.clip((at - foam.from_h) / (foam.until_h - foam.from_h), 0.0, 1.0)) ** 0.5
        said = said + inside * foam.size * rough * swell
    for knock in traits.knocks:
        said = said + _during((knock,), at) * knock.size
    # a float on a pitching sea of bubbles now and then throws a reading far out
    heavy = rng.standard_t(4.0, len(at)) / np.sqrt(2.0)
    said = _rounded(said + traits.noise * heavy, traits.quantum)
    for stuck in traits.stuck:
        inside = _during((stuck,), at)
        if inside.any():
            said[inside] = said[np.argmax(inside)]
    return at, said


def _gravity_text(gravity: float, unit: str) -> str:
    if unit == "plato":
        return f"{plato_from_sg(gravity):.2f}"
    if unit == "kg/m3":
        return f"{density_from_sg(gravity):.2f}"
    return f"{gravity:.4f}"


def _temperature_text(celsius: float, unit: str) -> str:
    if unit == "degF":
        return f"{fahrenheit_from_celsius(celsius):.1f}"
    return f"{celsius + ZERO_K:.2f}" if unit == "K" else f"{celsius:.2f}"


def bench_rows(traits: FloatTraits, sensor: str, pitched_ms: int, rng: Generator) -> list[Row]:
    """What a float sends before it is in the must: from a bucket of water, or from its side on a bench."""
    at = _moments(traits.interval_min, traits.jitter, traits.missing, traits.bench_h, rng) - traits.bench_h
    rows = []
    for hour in at[at < 0.0].tolist():
        time_ms = pitched_ms + round(hour * 3600.0) * MS_PER_SECOND
        said = traits.bench_sg + rng.normal(0.0, traits.noise)
        rows.append(
            Row(
                time_ms, time_ms, sensor, f"gravity,{_gravity_text(said, traits.unit)},{traits.unit}", time_ms
            )
        )
    return rows


def float_rows(
    course: Course, traits: FloatTraits, sensor: str, pitched_ms: int, hours: float, rng: Generator
) -> list[Row]:
    """Every row a float sends, in no order of arrival yet."""
    at, said = float_says(course, traits, hours, rng)
    warmth = np.interp(at, course.hours, course.temperature_c) + traits.temperature_offset
    warmth = _rounded(warmth + rng.normal(0.0, traits.temperature_noise, len(at)), traits.temperature_quantum)
    doubled = _during(traits.doubled, at) & (rng.random(len(at)) < 0.7)
    rows = []
    for place, hour in enumerate(at.tolist()):
        true_ms = pitched_ms + round(hour * 3600.0) * MS_PER_SECOND
        time_ms, arrived_ms = true_ms, true_ms
        for wrong in traits.wrong_clock:
            if wrong.from_h <= hour < wrong.until_h:
                time_ms = true_ms + round(wrong.size * MS_PER_HOUR)
        for late in traits.late:
            if late.from_h <= hour < late.until_h:
                arrived_ms = pitched_ms + round(late.until_h * 3600.0) * MS_PER_SECOND + 30_000
        texts = (
            f"gravity,{_gravity_text(float(said[place]), traits.unit)},{traits.unit}",
            f"temperature,{_temperature_text(float(warmth[place]), traits.temperature_unit)},"
            f"{traits.temperature_unit}",
        )
        for again in range(2 if doubled[place] else 1):
            rows += [
                Row(time_ms, arrived_ms + again * MS_PER_MINUTE, sensor, text, true_ms) for text in texts
            ]
        if place % 96 == 40:
            charge = max(20.0, 97.0 - 60.0 * hour / 1400.0)
            rows.append(Row(time_ms, arrived_ms, sensor, f"battery,{charge:.0f},%", true_ms))
    return rows


def probe_rows(
    at_hours: FloatArray,
    celsius: FloatArray,
    probe: ProbeTraits,
    pitched_ms: int,
    hours: float,
    rng: Generator,
) -> list[Row]:
    """Every row a thermometer sends; `celsius` is what is true at `at_hours`."""
    end = hours if probe.stops_h is None else min(hours, probe.stops_h)
    at = _moments(probe.interval_min, 0.01, probe.missing, end, rng)
    shown = np.interp(at, at_hours, celsius) + probe.offset + rng.normal(0.0, probe.noise, len(at))
    shown = _rounded(shown, 0.0625)
    quantity = "ambient_temperature" if probe.ambient else "temperature"
    rows = []
    for hour, value in zip(at.tolist(), shown.tolist(), strict=True):
        time_ms = pitched_ms + round(hour * 3600.0) * MS_PER_SECOND
        text = f"{quantity},{_temperature_text(value, probe.unit)},{probe.unit}"
        rows.append(Row(time_ms, time_ms, probe.sensor, text, time_ms))
    return rows


MALFORMED: Final = (
    "{time},{sensor},gravity,,sg",
    "{time},{sensor},gravity,nan,sg",
    "{time},{sensor},gravity,1.0.31,sg",
    "{time},{sensor},gravity",
    "{time},{sensor},temperature,1e999,degC",
    "{time},{sensor},temperature,18.4,degrees",
    "not a time,{sensor},gravity,1.0310,sg",
    "{time},{sensor},cloudiness,7,sg",
    "######",
)


def lines_of(rows: Sequence[Row], *, with_received: bool, malformed: float, rng: Generator) -> Iterator[str]:
    """The lines of a `readings.csv` in order of arrival, with a share of them malformed."""
    yield ",".join((*COLUMNS, RECEIVED) if with_received else COLUMNS) + "\n"
    # two sensors that send at one moment keep the order in which they were asked
    ordered = sorted(rows, key=lambda row: row.arrived_ms)
    broken = rng.random(len(ordered)) < malformed
    for row, breaks in zip(ordered, broken.tolist(), strict=True):
        time = rfc3339_from_ms(row.time_ms)
        if breaks:
            pattern = MALFORMED[int(rng.integers(len(MALFORMED)))]
            yield pattern.format(time=time, sensor=row.sensor) + "\n"
        received = ""
        if with_received:
            received = "," + ("" if row.arrived_ms == row.time_ms else rfc3339_from_ms(row.arrived_ms))
        yield f"{time},{row.sensor},{row.rest}{received}\n"
