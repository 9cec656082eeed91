"""Simulated ferments: a mechanism, a room, a float and a maker with their ills, all from one seed."""

from __future__ import annotations

import io
import math
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from monitor.errors import InputError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.premise import MustKind
from monitor.ferment.score import Spell, Truth
from monitor.replay.course import Ferment, ferment_of
from monitor.replay.instruments import Row, bench_rows, float_rows, lines_of, probe_rows
from monitor.replay.kinetics import Deed
from monitor.replay.marks import lost_marks, spells_beyond
from monitor.replay.mishaps import Setting, draw_premise, draw_setting
from monitor.replay.recording import Recording
from monitor.replay.scenario import SCENARIOS, SHARES
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, ms_from_rfc3339

ALL: Final = "all"
MAX_TRIES: Final = 60
EPOCH_MS: Final = ms_from_rfc3339("2026-01-03T00:00:00Z")
TITLES: Final = (
    "Orchard session",
    "Attic window",
    "Third carboy",
    "Kitchen table",
    "Late harvest",
    "Cellar corner",
    "Rainy Sunday",
    "Linden trial",
    "Under the stairs",
    "Last of the heather",
)
MIN_SILENCE_H: Final = 2.5
"""Telling a silence at least this long (or of four intervals) is no fault."""


@dataclass(frozen=True, slots=True)
class Simulated:
    """A simulated ferment: what was recorded of it, and what was true."""

    scenario: str
    seed: int
    recording: Recording
    hours: np.ndarray[tuple[int], np.dtype[np.float64]]
    """Whole hours after pitching."""
    gravity_sg: np.ndarray[tuple[int], np.dtype[np.float64]]
    """The noise-free gravity at these hours, at 20 degC."""
    temperature_c: np.ndarray[tuple[int], np.dtype[np.float64]]
    attainable_sg: float
    """The gravity that the must, with all that was added before any sweetening, could reach."""
    kind: MustKind | None
    """What the must truly is, whatever its maker wrote down; likewise the yeast and the deeds."""
    tolerance_abv: float
    deeds: tuple[Deed, ...]

    @property
    def truth(self) -> Truth:
        """The marks that verdicts are scored against."""
        return self.recording.truth


def scenario_names() -> tuple[str, ...]:
    """The scenarios that `simulate` knows; "all" draws from the others by `SHARES`."""
    return (ALL, *SCENARIOS)


def simulate(scenario: str, seed: int) -> Simulated:
    """One ferment, the same for the same scenario and seed.

    Raises InputError for a scenario that does not exist or a negative seed.
    """
    if scenario not in scenario_names() or seed < 0:
        raise InputError(
            f"no scenario {scenario!r} with seed {seed}",
            hint=f"Scenarios are {', '.join(scenario_names())}; a seed is 0 or more.",
        )
    rng = default_rng([zlib.crc32(scenario.encode()), seed])
    chosen = scenario
    if scenario == ALL:
        names = list(SHARES)
        chosen = names[int(rng.choice(len(names), p=list(SHARES.values())))]
    for _ in range(MAX_TRIES):
        ferment = ferment_of(SCENARIOS[chosen](rng), rng)
        if ferment is not None:
            return recorded(ferment, scenario, chosen, seed, rng)
    raise InputError(
        f"scenario {chosen!r} with seed {seed} gives no ferment of its kind", hint="Take another seed."
    )


def recorded(ferment: Ferment, scenario: str, chosen: str, seed: int, rng: Generator) -> Simulated:
    """A recording of a ferment: its float, its maker and what befell them, named by scenario and seed."""
    pitched_ms = (
        EPOCH_MS + int(rng.integers(0, 300)) * MS_PER_DAY + int(rng.integers(8 * 60, 22 * 60)) * MS_PER_MINUTE
    )
    # a stream of their own, so that what hands do changes nothing else
    hands = default_rng([zlib.crc32(scenario.encode()), seed, 1])
    setting = draw_setting(rng, hands, ferment.marks, ferment.deeds, ferment.end_h)
    premise = draw_premise(rng, ferment, setting, pitched_ms)
    rows = _rows(ferment, setting, pitched_ms, rng, hands)
    lines = list(lines_of(rows, with_received=setting.with_received, malformed=setting.malformed, rng=rng))
    text = "".join(lines)

    def opened() -> AbstractContextManager[Iterable[str]]:
        return nullcontext(io.StringIO(text))

    recording = Recording(
        name=f"{scenario}-{seed}",
        title=f"{TITLES[seed % len(TITLES)]}, {chosen}",
        premise=premise,
        journal=_journal(ferment, pitched_ms, rng),
        truth=_truth(ferment, premise.yeast.temperature_c, setting, rows, pitched_ms),
        lines=opened,
    )
    course = ferment.course
    whole = slice(0, int(ferment.end_h * 2.0) + 1, 2)
    return Simulated(
        chosen,
        seed,
        recording,
        course.hours[whole],
        course.gravity_sg[whole],
        course.temperature_c[whole],
        ferment.attainable_sg,
        ferment.kind,
        ferment.tolerance_abv,
        ferment.deeds,
    )


def _rows(ferment: Ferment, setting: Setting, pitched_ms: int, rng: Generator, hands: Generator) -> list[Row]:
    course, hours = ferment.course, ferment.end_h
    rows = float_rows(course, setting.traits, setting.float_name, pitched_ms, hours, rng)
    if setting.traits.bench_h > 0.0:
        rows += bench_rows(setting.traits, setting.float_name, pitched_ms, hands)
    for probe in setting.probes:
        truth = course.temperature_c
        if probe.ambient:
            truth = ferment.room_c[::2][: len(course.hours)]
        rows += probe_rows(course.hours, truth, probe, pitched_ms, hours, rng)
    if rng.random() < 0.35:
        rows += _samples(ferment, pitched_ms, rng)
    return rows


def _samples(ferment: Ferment, pitched_ms: int, rng: Generator) -> list[Row]:
    """Hand samples, the first at pitching; read to half a point."""
    rows = []
    for hour in (0.2, *sorted(rng.uniform(24.0, ferment.end_h, int(rng.integers(0, 3))).tolist())):
        true = float(np.interp(hour, ferment.course.hours, ferment.course.gravity_sg))
        read = round(2000.0 * (true + rng.normal(0.0, 0.0004))) / 2000.0
        at_ms = pitched_ms + round(hour * 60.0) * MS_PER_MINUTE
        rows.append(Row(at_ms, at_ms, "hand", f"sample_gravity,{read:.4f},sg", at_ms))
    return rows


JOURNAL_CHANCE: Final = {
    "sugar": 0.5,
    "nutrient": 0.8,
    "rack": 0.7,
    "stabilise": 0.85,
    "sweeten": 0.85,
}
"""How often a maker writes down what was done."""
JOURNAL_KIND: Final = {
    "sugar": JournalKind.SUGAR_ADDITION,
    "nutrient": JournalKind.NUTRIENT,
    "rack": JournalKind.RACKED,
    "stabilise": JournalKind.STABILISED,
    "sweeten": JournalKind.SWEETENED,
}


def _journal(ferment: Ferment, pitched_ms: int, rng: Generator) -> tuple[JournalEntry, ...]:
    entries = []
    if rng.random() < 0.3:
        at_ms = pitched_ms + round(rng.uniform(18.0, 40.0)) * MS_PER_HOUR
        entries.append(JournalEntry(JournalKind.NUTRIENT, at_ms, at_ms, "a dose of nutrient"))
    for deed in ferment.deeds:
        kind = "sweeten" if deed.kind == "sugar" and deed.hour == ferment.sweetened_h else deed.kind
        if kind not in JOURNAL_KIND or rng.random() >= JOURNAL_CHANCE[kind]:
            continue
        at_ms = pitched_ms + round(deed.hour * 60.0) * MS_PER_MINUTE
        entries.append(JournalEntry(JOURNAL_KIND[kind], at_ms, at_ms))
    entries.sort(key=lambda entry: entry.at_ms)
    return tuple(entries)


def _truth(
    ferment: Ferment,
    yeast_c: tuple[float, float] | None,
    setting: Setting,
    rows: Sequence[Row],
    pitched_ms: int,
) -> Truth:
    marks = ferment.marks

    def moment(hour: float) -> int:
        return pitched_ms + round(hour * 60.0) * MS_PER_MINUTE

    def at(hour: float | None) -> int | None:
        return None if hour is None else moment(hour)

    stalls = tuple(
        Spell(moment(a), moment(min(b, ferment.end_h))) for a, b in marks.stalls if a < ferment.end_h
    )
    course = ferment.recorded
    low_c, high_c = (-math.inf, math.inf) if yeast_c is None else yeast_c
    ended = marks.finished_h is not None
    feeds = (deed.hour for deed in ferment.deeds if deed.kind == "sugar" and deed.hour != ferment.sweetened_h)
    fed_h = max(feeds, default=-1.0)
    lost = (
        lost_marks(course, ferment.sweetened_h, pitched_ms)
        if ferment.restarts and ferment.sweetened_h
        else ()
    )
    return Truth(
        finished_ms=at(marks.finished_h),
        near_finish_ms=at(marks.near_h),
        final_gravity_sg=round(marks.final_sg, 5) if ended else None,
        half_ms=at(marks.half_h) if ended and marks.half_h > fed_h else None,
        three_quarters_ms=at(marks.three_quarters_h) if ended and marks.three_quarters_h > fed_h else None,
        stalls=stalls,
        sweetened_ms=at(ferment.sweetened_h),
        refermenting_ms=lost[0][0] if lost else None,
        lost_marks=lost,
        silent_ms=at(setting.traits.dies_h),
        silences=tuple(_silences(rows, setting, ferment.end_h, pitched_ms)),
        too_cold=spells_beyond(course, low_c, below=True, pitched_ms=pitched_ms),
        too_warm=spells_beyond(course, high_c, below=False, pitched_ms=pitched_ms),
    )


def _silences(rows: Sequence[Row], setting: Setting, end_h: float, pitched_ms: int) -> Iterator[Spell]:
    """Stretches in which nothing arrived from a sensor for so long that saying so is no fault."""
    intervals = {setting.float_name: setting.traits.interval_min}
    intervals |= {probe.sensor: probe.interval_min for probe in setting.probes}
    for sensor, interval_min in intervals.items():
        least_ms = max(MIN_SILENCE_H * MS_PER_HOUR, 4.0 * interval_min * MS_PER_MINUTE)
        arrived = sorted({row.arrived_ms for row in rows if row.sensor == sensor})
        edges = sorted([pitched_ms, *arrived, pitched_ms + round(end_h * MS_PER_HOUR)])
        for before, after in pairwise(edges):
            if after - before > least_ms:
                yield Spell(before, after)
