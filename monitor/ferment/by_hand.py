"""What hand samples say where the float says nothing: the level, whether it still falls, what sugar did.

None of this is evidence of a verdict: a float is judged by its readings, a batch without one by its maker.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.ferment.deeds import SUGAR
from monitor.ferment.doubt import Sample, doubts
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.evidence import Evidence
from monitor.ferment.offset import FORGET_DAYS
from monitor.ferment.series import Floats, Track
from monitor.ferment.skew import dated
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG

SAME_POINTS: Final = 1.0
SAME_DAYS: Final = 2.0
"""Two hand samples so far apart that read the same are an end, for those who have no float."""
NEAR_DAYS: Final = {JournalKind.SUGAR_ADDITION: 1.0, JournalKind.SWEETENED: 14.0}
"""How near to the sugar the samples before and after it have to be: what ferments changes in a day, what is
at rest stays as it is."""
MOST: Final = 256
"""So many samples and entries are remembered."""
DOUBTED: Final = 16
"""So many of the last samples are weighed against each other."""
_ROUNDING: Final = 1e-6


@dataclass(frozen=True, slots=True)
class LastWord:
    """The last hand sample, where no float was heard since; nan where one was, or there is no sample."""

    points: float = math.nan
    hours: float = math.nan
    """Its age."""
    same_hours: float = math.nan
    """For how long before it the samples read the same; 0 where it is the only one that does."""
    fell_points: float = math.nan
    """How far it fell since the sample before it; nan where there is none, or sugar went in between them."""
    fell_hours: float = math.nan
    """In so long."""


def same(one_points: float, other_points: float) -> bool:
    """Whether two hand samples read the same, as far as a hydrometer can tell."""
    return abs(one_points - other_points) <= SAME_POINTS + _ROUNDING


def last_word(
    samples: Sequence[Sample], sugar: Iterable[JournalEntry], heard_ms: int | None, at_ms: int
) -> LastWord:
    """What the last of the samples, in order of time, says; `heard_ms` is when the float last measured."""
    if not samples or (heard_ms is not None and heard_ms > samples[-1][0]):
        return LastWord()
    last_ms, last = samples[-1]
    mixed_ms = max((one.done_ms for one in sugar if one.done_ms <= last_ms), default=0)
    first_ms = last_ms
    for taken_ms, points in reversed(samples):
        if taken_ms < mixed_ms or not same(points, last):
            break
        first_ms = taken_ms
    word = LastWord(last, max(at_ms - last_ms, 0) / MS_PER_HOUR, (last_ms - first_ms) / MS_PER_HOUR)
    if len(samples) < 2 or samples[-2][0] < mixed_ms:
        return word
    before_ms, before = samples[-2]
    return replace(word, fell_points=before - last, fell_hours=(last_ms - before_ms) / MS_PER_HOUR)


def added(
    samples: Sequence[Sample], sugar: Iterable[JournalEntry], otherwise: Iterable[JournalEntry] = ()
) -> float:
    """By how many points these additions raised the gravity, by the samples just before and after each.

    nan where that cannot be told: a sample is missing or too far off, the gravity fell nevertheless, or one
    of `otherwise`, additions that are counted by other means, lies between the same samples.
    """
    between: dict[tuple[Sample, Sample], None] = {}
    others_ms = [one.done_ms for one in otherwise]
    for one in sugar:
        near_ms = NEAR_DAYS[one.kind] * MS_PER_DAY
        before = [sample for sample in samples if one.done_ms - near_ms <= sample[0] <= one.done_ms]
        after = [sample for sample in samples if one.done_ms < sample[0] <= one.done_ms + near_ms]
        if not before or not after or any(before[-1][0] <= ms < after[0][0] for ms in others_ms):
            return math.nan
        between[before[-1], after[0]] = None
    rises = [after[1] - before[1] for before, after in between]
    return math.nan if any(rise < 0.0 for rise in rises) else sum(rises, 0.0)


class ByHand:
    """Hand samples and sugar of one batch, told beside what the float says."""

    def __init__(self, pitched_ms: int) -> None:
        self._first_hour = pitched_ms // MS_PER_HOUR
        self._samples: list[Sample] = []
        self._sugar: list[JournalEntry] = []
        self._read: tuple[float, list[JournalEntry]] = 0.0, []
        """What the float read of sugar when it had last read all of it, and which entries that were."""

    def admit(self, reading: Reading) -> None:
        """Take a hand sample in."""
        reading, _ = dated(reading)
        sample = reading.time_ms, (reading.value - 1.0) * POINTS_PER_SG
        self._samples = sorted([*self._samples, sample])[-MOST:]

    def note(self, entry: JournalEntry) -> None:
        """Take a journal entry in."""
        if entry.kind in SUGAR:
            self._sugar = sorted([*self._sugar, entry], key=lambda one: one.done_ms)[-MOST:]

    def beside(self, seen: Evidence, track: Track | None) -> Evidence:
        """The evidence with what hand samples add to it; `track` is of the float that is believed."""
        heard_ms = None if track is None else track.last_time_ms
        points, read = seen.added_points, self._read
        if math.isnan(points):
            left = [one for one in self._sugar if one not in read[1]]
            points = read[0] + added(self._samples, left, read[1])
        else:
            # what was done in the hour that only begins is not looked for yet
            begun_ms = -(-seen.at_ms // MS_PER_HOUR) * MS_PER_HOUR
            self._read = points, [one for one in self._sugar if one.done_ms < begun_ms]
        word = last_word(self._samples, self._sugar, heard_ms, seen.at_ms)
        apart, rise, doubt_hours = self._doubted(track, seen.at_ms)
        return replace(
            seen,
            added_points=points,
            by_hand_points=word.points,
            by_hand_hours=word.hours,
            by_hand_same_hours=word.same_hours,
            by_hand_fell_points=word.fell_points,
            by_hand_fell_hours=word.fell_hours,
            doubt_points=apart,
            doubt_rise_points=rise,
            doubt_hours=doubt_hours,
        )

    def _doubted(self, track: Track | None, at_ms: int) -> tuple[float, float, float]:
        """Of the last sample in doubt: points above the float, or above the one before it, and its age.

        It counts while it is the last of all, or the float is corrected by it.
        """
        if not self._samples:
            return math.nan, math.nan, math.nan
        end = max(-(-at_ms // MS_PER_HOUR) - self._first_hour, 0)
        if track is None:
            points: Floats = np.full(0, np.nan)
        else:
            points = (track.hourly(0, end)[0] - 1.0) * POINTS_PER_SG
        found = doubts(self._samples[-DOUBTED:], self._first_hour, points, self._sugar)
        if not found:
            return math.nan, math.nan, math.nan
        last, hours = found[-1], max(at_ms - found[-1].time_ms, 0) / MS_PER_HOUR
        counts = last.by_float and hours < FORGET_DAYS * 24.0
        if last.time_ms != self._samples[-1][0] and not counts:
            return math.nan, math.nan, math.nan
        if last.by_float:
            return last.apart_points, math.nan, hours
        return math.nan, last.apart_points, hours
