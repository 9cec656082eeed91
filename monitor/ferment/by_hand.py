"""What hand samples say where the float says nothing: the level, whether it still falls, what sugar did.

A float is judged by its readings, a batch without one by its maker: whether that has finished or stalled is
told in words. Of a batch at rest that falls, samples are evidence as a float is: closed bottles burst.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.ferment import hand_course
from monitor.ferment.deeds import RESTS, SUGAR
from monitor.ferment.doubt import Doubt, Sample, doubts
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.evidence import Evidence
from monitor.ferment.hand_course import since_same
from monitor.ferment.offset import FORGET_DAYS
from monitor.ferment.premise import Must, Premise
from monitor.ferment.series import Floats, Track
from monitor.ferment.skew import dated
from monitor.ferment.terminal import Expected, expected_final
from monitor.must.alcohol import simple_abv
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG

NEAR_DAYS: Final = {JournalKind.SUGAR_ADDITION: 1.0, JournalKind.SWEETENED: 14.0}
"""How near to the sugar the samples before and after it have to be: what ferments changes in a day, what is
at rest stays as it is."""
MOST: Final = 256
"""So many samples and entries are remembered."""
DOUBTED: Final = 16
"""So many of the last samples are weighed against each other."""
OPENING_HOURS: Final = 8.0
"""A sample this soon after pitching is of the must as it was pitched."""
SILENT_HOURS: Final = 12.0
"""A float that was not heard for so long has nothing to say against hand samples."""


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
    crept_points: float = math.nan
    """How far it fell over a week or longer, where samples that read the same still follow that fall."""
    crept_hours: float = math.nan
    """In so long."""


def last_word(
    samples: Sequence[Sample], sugar: Iterable[JournalEntry], heard_ms: int | None, at_ms: int
) -> LastWord:
    """What the last of the samples, in order of time, says; `heard_ms` is when the float last measured."""
    if not samples or (heard_ms is not None and heard_ms > samples[-1][0]):
        return LastWord()
    last_ms, last = samples[-1]
    mixed_ms = _last_ms(sugar, last_ms)
    like = [one for one in samples if one[0] >= mixed_ms]
    same_ms = last_ms - like[since_same(like)][0]
    word = LastWord(last, max(at_ms - last_ms, 0) / MS_PER_HOUR, same_ms / MS_PER_HOUR)
    if len(like) < 2:
        return word
    before_ms, before = like[-2]
    slow = hand_course.creep(like)
    return replace(
        word,
        fell_points=before - last,
        fell_hours=(last_ms - before_ms) / MS_PER_HOUR,
        crept_points=slow.points,
        crept_hours=slow.hours,
    )


def _last_ms(entries: Iterable[JournalEntry], by_ms: int) -> int:
    """When the last of these was done by then; 0 where none was."""
    return max((one.done_ms for one in entries if one.done_ms <= by_ms), default=0)


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

    def __init__(self, premise: Premise) -> None:
        self._premise = premise
        self._first_hour = premise.pitched_ms // MS_PER_HOUR
        self._samples: list[Sample] = []
        self._known_ms: dict[Sample, int] = {}
        """When each sample was written down, which may be long after it was taken."""
        self._sugar: list[JournalEntry] = []
        self._rests: list[JournalEntry] = []
        self._finals: dict[tuple[float, int], Expected] = {}
        self._read: tuple[float, list[JournalEntry]] = 0.0, []
        """What the float read of sugar when it had last read all of it, and which entries that were."""

    def admit(self, reading: Reading) -> None:
        """Take a hand sample in."""
        reading, _ = dated(reading)
        sample = reading.time_ms, (reading.value - 1.0) * POINTS_PER_SG
        self._samples = sorted([*self._samples, sample])[-MOST:]
        known_ms = {**self._known_ms, sample: reading.received_ms}
        self._known_ms = {one: known_ms[one] for one in self._samples}

    def note(self, entry: JournalEntry) -> None:
        """Take a journal entry in."""
        if entry.kind in SUGAR:
            self._sugar = sorted([*self._sugar, entry], key=lambda one: one.done_ms)[-MOST:]
        if entry.kind in RESTS:
            self._rests = sorted([*self._rests, entry], key=lambda one: one.done_ms)[-MOST:]

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
        found = self._doubts(track, seen.at_ms)
        apart, rise, doubt_hours = self._doubted(found, seen.at_ms)
        seen = replace(
            seen,
            added_points=points,
            by_hand_points=word.points,
            by_hand_hours=word.hours,
            by_hand_same_hours=word.same_hours,
            by_hand_fell_points=word.fell_points,
            by_hand_fell_hours=word.fell_hours,
            by_hand_crept_points=word.crept_points,
            by_hand_crept_hours=word.crept_hours,
            doubt_points=apart,
            doubt_rise_points=rise,
            doubt_hours=doubt_hours,
        )
        if math.isnan(word.points) or not _is_silent(track, seen.at_ms):
            return seen
        rests = [one for one in self._rests if one.done_ms <= seen.at_ms]
        if rests:
            return self._at_rest(seen, rests, found)
        return self._underway(seen)

    def _underway(self, seen: Evidence) -> Evidence:
        """Where such a must began and should end, of a batch that is not at rest yet."""
        must, tolerance = self._premise.must, self._premise.yeast.alcohol_tolerance_abv
        original = self._original_points()
        if math.isnan(original):
            return seen
        seen = replace(seen, by_hand_original_points=original)
        if math.isnan(seen.added_points):
            return seen
        end = self._expected(must, original, seen.added_points)
        seen = replace(seen, by_hand_expected_points=end.mean_points, by_hand_expected_sd=end.sd_points)
        if tolerance is None or not math.isnan(seen.alcohol_room_abv):
            return seen
        return replace(seen, alcohol_room_abv=tolerance - _made_abv(original + seen.added_points, seen))

    def _original_points(self) -> float:
        given_sg = self._premise.must.original_gravity_sg
        if given_sg is not None:
            return (given_sg - 1.0) * POINTS_PER_SG
        first_ms, first = self._samples[0]
        opening_ms = self._premise.pitched_ms + OPENING_HOURS * MS_PER_HOUR
        return first if first_ms <= opening_ms else math.nan

    def _expected(self, must: Must, original: float, added_points: float) -> Expected:
        known = round(original, 1), round(added_points)
        end = self._finals.get(known)
        if end is None:
            end = expected_final(must, *known)
            self._finals = {known: end}
        return end

    def _at_rest(self, seen: Evidence, rests: Sequence[JournalEntry], found: Sequence[Doubt]) -> Evidence:
        """What a batch that was put to rest has lost since."""
        seen = replace(seen, by_hand_rest_hours=(seen.at_ms - rests[-1].done_ms) / MS_PER_HOUR)
        last_ms = self._samples[-1][0]
        if rests[0].done_ms > last_ms:
            return seen
        sugar_ms = hand_course.sugared_ms(self._samples, _last_ms(self._sugar, last_ms))
        doubted = {one.time_ms for one in found} - {sugar_ms}
        believed = [one for one in self._samples if one[0] not in doubted]
        resting = hand_course.at_rest(believed, rests[0].done_ms, sugar_ms)
        unmixed_ms = sugar_ms + round(hand_course.UNMIXED_HOURS * MS_PER_HOUR) if sugar_ms else 0
        fall = hand_course.lost(resting, unmixed_ms)
        still_hours = 0.0
        if resting and math.isnan(seen.by_hand_crept_points):
            # what is written down weeks later was not known to stand meanwhile
            known_ms = self._known_ms[resting[since_same(resting)]]
            still_hours = max(resting[-1][0] - known_ms, 0) / MS_PER_HOUR
        return replace(
            seen,
            by_hand_lost_points=fall.points,
            by_hand_lost_hours=fall.hours,
            by_hand_lost_before_points=fall.before_points,
            by_hand_lost_error_points=fall.error_points,
            by_hand_still_hours=still_hours,
        )

    def _doubts(self, track: Track | None, at_ms: int) -> list[Doubt]:
        if not self._samples:
            return []
        end = max(-(-at_ms // MS_PER_HOUR) - self._first_hour, 0)
        if track is None:
            points: Floats = np.full(0, np.nan)
        else:
            points = (track.hourly(0, end)[0] - 1.0) * POINTS_PER_SG
        return doubts(self._samples[-DOUBTED:], self._first_hour, points, self._sugar)

    def _doubted(self, found: Sequence[Doubt], at_ms: int) -> tuple[float, float, float]:
        """Of the last sample in doubt: points above the float, or above the one before it, and its age.

        It counts while it is the last of all, or the float is corrected by it.
        """
        if not found:
            return math.nan, math.nan, math.nan
        last, hours = found[-1], max(at_ms - found[-1].time_ms, 0) / MS_PER_HOUR
        counts = last.by_float and hours < FORGET_DAYS * 24.0
        if last.time_ms != self._samples[-1][0] and not counts:
            return math.nan, math.nan, math.nan
        if last.by_float:
            return last.apart_points, math.nan, hours
        return math.nan, last.apart_points, hours


def _is_silent(track: Track | None, at_ms: int) -> bool:
    """Whether the float was not heard lately; a clock that is behind does not make it silent."""
    heard_ms = None if track is None else track.last_received_ms
    return heard_ms is None or at_ms - heard_ms > SILENT_HOURS * MS_PER_HOUR


def _made_abv(whole_points: float, seen: Evidence) -> float:
    """The alcohol by volume that was made of a must by its last hand sample."""
    return simple_abv(1.0 + whole_points / POINTS_PER_SG, 1.0 + seen.by_hand_points / POINTS_PER_SG)
