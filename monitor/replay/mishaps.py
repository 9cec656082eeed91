"""What befalls sensors, rows and makers, drawn apart from the ferment so that any ill can meet any ferment.

Shares that matter: three floats in ten are good, four and a half ordinary, the rest poor; one in six loses a
day or more; one in eight delivers late; one in twelve has a wrong clock for a while; one in fourteen dies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from numpy.random import Generator

from monitor.ferment.premise import Must, Premise, Yeast
from monitor.replay.course import Ferment
from monitor.replay.instruments import FloatTraits, ProbeTraits, Upset
from monitor.replay.kinetics import Course, Deed
from monitor.replay.marks import Marks

FLOAT_NAMES = ("float-a", "float-b", "carboy float 3", "buoy_12", "fl-07")
CLOCK_ERRORS_H = (-3.0, -1.0, 1.0, 2.0, 12.0, 26.0, -24.0 * 365.25 * 20.0, 24.0 * 400.0)
"""A time zone, a day, a clock that starts in another age."""
PROBE_NAMES = ("probe-1", "thermowell", "t-02")


@dataclass(frozen=True, slots=True)
class Setting:
    """The sensors about a carboy and the state of the delivery."""

    float_name: str
    traits: FloatTraits
    probes: tuple[ProbeTraits, ...]
    malformed: float
    with_received: bool


def _spells(
    rng: Generator, chance: float, most: int, hours: float, length_h: tuple[float, float]
) -> list[Upset]:
    if rng.random() >= chance:
        return []
    found = []
    for _ in range(int(rng.integers(1, most + 1))):
        start = rng.uniform(0.05, 0.95) * hours
        found.append(Upset(start, start + rng.uniform(*length_h)))
    return found


def draw_float(rng: Generator, marks: Marks, hours: float) -> FloatTraits:
    """A float, good, ordinary or poor, and what goes wrong with it during the recording."""
    grade = int(rng.choice(3, p=(0.3, 0.45, 0.25)))
    noise = rng.uniform(*((0.0002, 0.0005), (0.0004, 0.0010), (0.0009, 0.0020))[grade])
    ill = (0.4, 1.0, 1.5)[grade]
    unit = str(rng.choice(("sg", "sg", "sg", "sg", "plato", "kg/m3")))
    busy = marks.half_h
    foam = [
        Upset(u.from_h, u.until_h, float(rng.choice((-1.0, 1.0, 1.0))) * rng.uniform(0.002, 0.008))
        for u in _spells(rng, 0.35 * ill, 3, min(2.0 * busy, hours), (2.0, 14.0))
    ]
    knocks = [
        Upset(u.from_h, u.until_h, rng.choice((-1.0, 1.0)) * rng.uniform(0.001, 0.005))
        for u in _spells(rng, 0.25 * ill, 2, hours, (1.0, 36.0))
    ]
    wrong = [
        replace(u, size=float(rng.choice(CLOCK_ERRORS_H))) for u in _spells(rng, 0.08, 1, hours, (3.0, 40.0))
    ]
    return FloatTraits(
        noise=noise,
        quantum=float(rng.choice((0.0001, 0.0001, 0.0002, 0.0005, 0.001))) if unit == "sg" else 0.0001,
        wander=rng.uniform(0.0, 0.0004) * ill,
        wander_h=rng.uniform(2.0, 16.0),
        offset=rng.normal(0.0, 0.0012) if rng.random() < 0.7 else rng.uniform(-0.003, 0.003),
        drift=rng.uniform(-0.0015, 0.0015) * (rng.random() < 0.6),
        per_c=rng.uniform(-0.0003, 0.0003) * (rng.random() < 0.6),
        interval_min=float(rng.choice((15.0, 15.0, 30.0, 60.0))),
        jitter=rng.uniform(0.0, 0.15),
        missing=rng.uniform(0.0, 0.15) * (rng.random() < 0.6),
        foam=tuple(foam),
        knocks=tuple(knocks),
        stuck=tuple(_spells(rng, 0.10 * ill, 1, hours, (4.0, 20.0))),
        gaps=tuple(_spells(rng, 0.17, 2, hours, (6.0, 36.0))),
        late=tuple(_spells(rng, 0.13, 2, hours, (2.0, 15.0))),
        doubled=tuple(_spells(rng, 0.13, 2, hours, (4.0, 48.0))),
        wrong_clock=tuple(wrong),
        dies_h=rng.uniform(0.15, 0.85) * hours if rng.random() < 0.07 else None,
        unit=unit,
        temperature_unit=str(rng.choice(("degC", "degC", "degC", "degF"))),
        temperature_noise=rng.uniform(0.03, 0.25),
        temperature_quantum=float(rng.choice((0.0, 0.1, 0.25, 0.5))),
        temperature_offset=rng.normal(0.0, 0.2),
    )


def draw_setting(
    rng: Generator, hands: Generator, marks: Marks, deeds: Sequence[Deed], hours: float
) -> Setting:
    """The float, the thermometers about it, and how rows travel."""
    traits = handled(draw_float(rng, marks, hours), deeds, hands)
    probes = []
    every = float(rng.choice((15.0, 20.0, 30.0, 60.0)))
    if rng.random() < 0.45:
        unit = str(rng.choice(("degC", "degC", "degF", "K")))
        name = str(rng.choice(PROBE_NAMES))
        probes.append(
            ProbeTraits(name, False, every, rng.uniform(0.0, 0.1), 0.06, rng.normal(0.0, 0.15), unit)
        )
    # silence can only be judged by a sensor that goes on
    if rng.random() < 0.25 or (traits.dies_h is not None and not probes):
        probes.append(ProbeTraits("shelf-air", True, every, 0.02, 0.1, rng.normal(0.0, 0.3)))
    return Setting(
        float_name=str(rng.choice(FLOAT_NAMES)),
        traits=traits,
        probes=tuple(probes),
        malformed=rng.uniform(0.0005, 0.01) if rng.random() < 0.2 else 0.0,
        with_received=bool(traits.wrong_clock) or rng.random() < 0.4,
    )


HANDLED: Final = {"rack": (0.7, 0.0015), "stabilise": (0.4, 0.0007), "sugar": (0.3, 0.0007)}
"""What a maker does that moves the float: how often, and how far it then hangs elsewhere (deviation, sg)."""


def handled(traits: FloatTraits, deeds: Sequence[Deed], rng: Generator) -> FloatTraits:
    """The float after the maker's hands: moved at some deeds, and one in ten switched on too early."""
    moved = [
        Upset(deed.hour, math.inf, rng.normal(0.0, HANDLED[deed.kind][1]))
        for deed in deeds
        if deed.kind in HANDLED and rng.random() < HANDLED[deed.kind][0]
    ]
    early_h = rng.uniform(0.5, 12.0) if rng.random() < 0.1 else 0.0
    where_sg = float(rng.choice((1.0, 0.985, 1.12)))
    return replace(traits, knocks=(*traits.knocks, *moved), bench_h=early_h, bench_sg=where_sg)


def _yeast_range(rng: Generator, course: Course, hours: float) -> tuple[float, float]:
    """A range its maker gives: most often one that the ferment keeps to, at times one it leaves."""
    inside = course.temperature_c[course.hours <= hours]
    low, high = float(inside.min()), float(inside.max())
    bottom, top = low - rng.uniform(0.7, 4.0), high + rng.uniform(0.7, 4.0)
    leaves = rng.random()
    if leaves < 0.14:
        bottom = low + rng.uniform(0.25, 0.6) * min(high - low, 8.0)
    elif leaves < 0.28:
        top = high - rng.uniform(0.25, 0.6) * min(high - low, 8.0)
    bottom = round(2.0 * bottom) / 2.0
    return bottom, max(round(2.0 * top) / 2.0, bottom + 3.0)


def draw_premise(rng: Generator, ferment: Ferment, setting: Setting, pitched_ms: int) -> Premise:
    """What the maker wrote down: mostly right, off by a point, or left blank."""
    course = ferment.course
    drop = ferment.gravity_sg - float(course.attainable_sg[0])
    expected = drop / (ferment.gravity_sg - 1.0)
    middle = expected + rng.normal(0.0, 0.02)
    half = rng.uniform(0.03, 0.08)
    volume = rng.uniform(4.0, 28.0)
    names = rng.random() < 0.8
    in_liquid = [probe.sensor for probe in setting.probes if not probe.ambient]
    return Premise(
        pitched_ms=pitched_ms,
        must=Must(
            kind=ferment.kind if rng.random() < 0.95 else None,
            original_gravity_sg=(
                round(2000.0 * (ferment.gravity_sg + rng.normal(0.0, 0.0007))) / 2000.0
                if rng.random() < 0.85
                else None
            ),
            volume_l=round(volume * (rng.uniform(0.8, 1.3) if rng.random() < 0.2 else 1.0), 1),
            expected_apparent_attenuation=(
                (round(middle - half, 2), round(middle + half, 2)) if rng.random() < 0.35 else None
            ),
        ),
        yeast=Yeast(
            temperature_c=_yeast_range(rng, course, ferment.end_h) if rng.random() < 0.9 else None,
            alcohol_tolerance_abv=round(ferment.tolerance_abv, 0) if rng.random() < 0.7 else None,
        ),
        gravity_sensor=setting.float_name if names else None,
        temperature_sensor=(in_liquid[0] if in_liquid else setting.float_name) if names else None,
    )
