"""From evidence and many threshold sets to what each of them would have told, without fitting anything.

`verdict.decide` compares evidence (arrays over moments) with thresholds (a `Spread` over sets); what the
judge makes of the signs over time is then worked out for all sets at once. The figures are the judge's own,
alert by alert and millisecond by millisecond; `agrees` asks the judge itself.

Folded are the alerts that thresholds decide: finished, stalled, refermenting, sensor silent, temperature low
and high. What is due by the calendar (nutrient, infusion) is not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from monitor.ferment.alert import AlertPolicy
from monitor.ferment.deeds import RESTS
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import JournalKind
from monitor.ferment.evidence import Evidence
from monitor.ferment.judge import RESTART_PER_DAY
from monitor.ferment.pipeline import Analysis
from monitor.ferment.score import Spell, told_by
from monitor.ferment.verdict import Thresholds, decide
from monitor.ferment.warmth import KEPT_COLD_C
from monitor.tune.sets import Sets
from monitor.tune.spells import Flags, opposed, spells
from monitor.tune.spread import Codes, Spread, merged, spread, together
from monitor.tune.verdicts import KINDS, Course, Signals, tell
from monitor.tune.witness import Witnessed, retold
from monitor.units import MS_PER_HOUR

FOLDED: Final = frozenset(
    {*KINDS, AlertKind.SENSOR_SILENT, AlertKind.TEMPERATURE_LOW, AlertKind.TEMPERATURE_HIGH}
)
Firing = dict[AlertKind, tuple[Spell, ...]]
"""For each kind of alert the spells in which it was firing, oldest first."""


@dataclass(frozen=True, slots=True)
class Part:
    """What each set told of some kinds of alert: `firings[which[i]]`."""

    which: Codes
    firings: tuple[Firing, ...]


@dataclass(frozen=True, slots=True)
class Folded:
    """What each set would have told of one batch, in three parts."""

    verdicts: Part
    silences: Part
    temperatures: Part

    def of(self, place: int) -> Firing:
        """What one set told."""
        parts = (self.verdicts, self.silences, self.temperatures)
        whole: Firing = {}
        for part in parts:
            whole |= part.firings[part.which[place]]
        return {kind: told for kind, told in whole.items() if told}


@dataclass(frozen=True, slots=True)
class Asked:
    """Many settings, ready to be held against one batch after another."""

    thresholds: Thresholds
    policy: AlertPolicy
    count: int

    @classmethod
    def of(cls, sets: Sets) -> Asked:
        """Settings as a Spread of each figure."""
        return cls(*sets.spreads(), len(sets))


def fold(seen: Witnessed, asked: Asked) -> Folded:
    """What each setting would have told of a batch."""
    with np.errstate(all="ignore"):  # figures not known are nan, and compare as the judge compares them
        deeds = _Deeds.of(seen)
        verdicts = _verdicts(seen, asked, deeds)
        return Folded(
            verdicts, _silences(seen, asked, deeds), _temperatures(seen, asked, deeds, _over(seen, verdicts))
        )


@dataclass(frozen=True, slots=True)
class _Deeds:
    """What the maker had done, at every moment."""

    packaged: Flags
    at_rest: Flags
    sugared: Flags

    @classmethod
    def of(cls, seen: Witnessed) -> _Deeds:
        def since(*kinds: JournalKind) -> Flags:
            first = min(
                (moment for moment, entry in seen.journal if entry.kind in kinds), default=seen.moments
            )
            return np.arange(seen.moments) >= first

        return cls(since(JournalKind.PACKAGED), since(*RESTS), since(JournalKind.SUGAR_ADDITION))


def _verdicts(seen: Witnessed, asked: Asked, deeds: _Deeds) -> Part:
    e, th, policy = seen.evidence(), asked.thresholds, asked.policy
    if not seen.moments:
        return Part(np.zeros(asked.count, dtype=np.int64), ({},))
    signs = decide(e, th)
    watched = ~np.isnan(e.watch_hours)
    free = ~watched & ~deeds.packaged

    def rows(flags: Any) -> Spread:
        whole = spread(flags, asked.count)
        return merged(whole.codes, np.broadcast_to(whole.rows, (len(whole.rows), seen.moments)))

    told = tell(
        Course(seen.at_ms, *_figures(e), watched | deeds.packaged),
        Signals(
            (rows(signs.going_again), rows(signs.done & free),
             rows((signs.stuck | signs.never_began) & free)),
            rows(signs.surely_done & free),
            rows(signs.falls_again),
            rows(signs.sound & signs.moving),
            rows(((signs.sound & ~signs.moving) | signs.still_by_hand) & ~signs.going_again),
            rows(deeds.sugared & (e.epoch_hours < th.least_hours)),
            spread(th.restart_points, asked.count),
            (spread(policy.refermenting_dwell, asked.count), spread(policy.finished_dwell, asked.count),
             spread(policy.stalled_dwell, asked.count)),
            spread(policy.clear_dwell, asked.count),
        ),
    )  # fmt: skip
    firings = tuple(
        {kind: tuple(spell for one, spell in firing if KINDS[one] is kind) for kind in KINDS}
        for firing in told.firings
    )
    return Part(told.which, firings)


def _figures(e: Evidence) -> tuple[Any, Any, Any]:
    rise_ms = np.where(np.isnan(e.rise_hours), e.at_ms, e.rise_hours * MS_PER_HOUR)
    return e.level_points, np.asarray(e.slope_two < -RESTART_PER_DAY), e.at_ms - rise_ms


def _silences(seen: Witnessed, asked: Asked, deeds: _Deeds) -> Part:
    policy, heard = asked.policy, seen.heard
    parts = []
    for place in range(len(heard.sensors)):
        there = np.flatnonzero(heard.sensor == place)
        moments = heard.moment[there]
        # of a sensor whose interval is not known only the hours count: fmax leaves a nan out
        limit = np.fmax(policy.silent_hours, policy.silent_intervals * heard.interval_hours[there])
        silent = spread(heard.silent_hours[there] > limit, asked.count)
        silent = merged(silent.codes, np.broadcast_to(silent.rows, (len(silent.rows), there.size)))
        packaged = deeds.packaged[moments]
        found = [
            spells(seen.at_ms[moments], row & ~packaged, ~row | packaged, 0.0, 0.0) for row in silent.rows
        ]
        parts.append(_part(AlertKind.SENSOR_SILENT, silent.codes, found))
    return _joined(parts, asked.count)


def _over(seen: Witnessed, verdicts: Part) -> Spread:
    """Whether an end had been told before each moment and stood, by itself or as a batch that goes again."""
    rows = np.zeros((len(verdicts.firings), seen.moments), dtype=np.bool_)
    for row, firing in zip(rows, verdicts.firings, strict=True):
        for kind in (AlertKind.FINISHED, AlertKind.REFERMENTING):
            for spell in firing.get(kind, ()):
                row |= (spell.from_ms < seen.at_ms) & (seen.at_ms <= spell.until_ms)
    return merged(verdicts.which, rows)


def _temperatures(seen: Witnessed, asked: Asked, deeds: _Deeds, over: Spread) -> Part:
    policy, e = asked.policy, seen.evidence()
    if seen.premise.yeast.temperature_c is None:
        return _joined([], asked.count)
    needless = (over | deeds.at_rest) & (e.temperature_c < KEPT_COLD_C) | deeds.packaged
    signs = (
        spread((e.below_c > policy.temperature_margin_c) & ~needless, asked.count),
        spread((e.below_c < 0.0) | needless, asked.count),
        spread((e.above_c > policy.temperature_margin_c) & ~deeds.packaged, asked.count),
        spread(policy.temperature_dwell, asked.count),
    )
    codes, taken = together([one.codes for one in signs], [len(one.rows) for one in signs])
    cool_enough = np.asarray((e.above_c < 0.0) | deeds.packaged)
    found = []
    for low, clears, high, dwell in zip(
        *(one.rows[index] for one, index in zip(signs, taken, strict=True)), strict=True
    ):
        hours = float(dwell[0])
        found.append(opposed(seen.at_ms, (low, high), (clears, cool_enough), hours, 2.0 * hours))
    kinds = (AlertKind.TEMPERATURE_LOW, AlertKind.TEMPERATURE_HIGH)
    return _joined(
        [_part(kind, codes, [pair[i] for pair in found]) for i, kind in enumerate(kinds)], asked.count
    )


def _part(kind: AlertKind, codes: Codes, found: Iterable[tuple[Spell, ...]]) -> Part:
    different: dict[tuple[Spell, ...], int] = {}
    place = np.array([different.setdefault(told, len(different)) for told in found], dtype=np.int64)
    return Part(place[codes], tuple({kind: told} for told in different))


def _joined(parts: list[Part], sets: int) -> Part:
    """Several parts as one; spells of the same kind come together, oldest first."""
    if not parts:
        return Part(np.zeros(sets, dtype=np.int64), ({},))
    codes, taken = together([part.which for part in parts], [len(part.firings) for part in parts])
    firings = []
    for rows in zip(*(index.tolist() for index in taken), strict=True):
        whole: Firing = {}
        for part, row in zip(parts, rows, strict=True):
            for kind, told in part.firings[row].items():
                both = (*whole.get(kind, ()), *told)
                whole[kind] = _ordered(both)
        firings.append(whole)
    return Part(codes, tuple(firings))


def judged(seen: Witnessed, analysis: Analysis) -> Firing:
    """What the judge itself tells of the kinds that are folded."""
    told = told_by(retold(seen, analysis.thresholds, analysis.alerts).emissions)
    return {kind: _ordered(spells) for kind, spells in told.firing.items() if kind in FOLDED}


def _ordered(told: Iterable[Spell]) -> tuple[Spell, ...]:
    """Oldest first; of sensors that fell silent in one millisecond the one that is heard sooner."""
    return tuple(sorted(told, key=lambda spell: (spell.from_ms, spell.until_ms)))


def agrees(seen: Witnessed, analysis: Analysis) -> bool:
    """Whether the fold and the judge tell the very same of a batch."""
    return fold(seen, Asked.of(Sets.one(analysis))).of(0) == judged(seen, analysis)
