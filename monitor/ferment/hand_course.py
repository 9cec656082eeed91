"""The course that hand samples alone show: whether it stands or creeps on, and what a batch at rest has lost.

Samples are in order of time, and between those of one call no sugar went in. A hydrometer is read to within a
point, so that two samples are compared over the time in which a fall would show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from monitor.ferment.doubt import Sample
from monitor.units import MS_PER_DAY, MS_PER_HOUR

SAME_POINTS: Final = 1.0
"""Two samples that lie no farther apart read the same."""
SAME_DAYS: Final = 2.0
"""Two hand samples so far apart that read the same are an end, for those who have no float."""
PROOF_DAYS: Final = 21.0
"""What stood within a point for three weeks stands, whatever it did before (common practice)."""
WEEK_DAYS: Final = 7.0
"""A slow fall is told over a week or longer."""
LEAST_CREEP_PER_DAY: Final = 1.0 / 14.0
"""A slower fall than a point in a fortnight is none that samples tell."""
CREEP_SHARE: Final = 0.5
"""What goes on at half of its pace before, or faster, still falls."""
LOST_POINTS: Final = 2.0
"""So far below an earlier sample one alone tells a fall: three times the error of one reading, which is 0.7
points, and two readings err together by 1.0. Where the sample before says so too, a point less is enough."""
UNMIXED_POINTS: Final = 1.0
"""A sample taken before honey and batch are one liquid may read so much too high, beyond that (assumed)."""
UNMIXED_HOURS: Final = 6.0
"""How long a batch takes to become one liquid after sugar went in (common practice, as for a float)."""
REST_NEAR_DAYS: Final = 1.0
"""A sample taken so shortly before a batch was put to rest is of the batch at rest."""
REST_STOOD_DAYS: Final = 14.0
"""One of a batch that stood still then is so for longer."""
ROUNDING: Final = 1e-6
"""Points: hydrometers are read to a tenth of one, and fractions of the machine are not to decide."""


def same(one_points: float, other_points: float) -> bool:
    """Whether two hand samples read the same, as far as a hydrometer can tell."""
    return abs(one_points - other_points) <= SAME_POINTS + ROUNDING


def since_same(samples: Sequence[Sample]) -> int:
    """Place of the earliest sample from which on all read the same as the last."""
    place = len(samples) - 1
    while place > 0 and same(samples[place - 1][1], samples[-1][1]):
        place -= 1
    return place


@dataclass(frozen=True, slots=True)
class Creep:
    """A fall too slow to show between two samples; nan where there is none."""

    points: float = math.nan
    """Over a week or longer, up to the last sample."""
    hours: float = math.nan


def creep(samples: Sequence[Sample]) -> Creep:
    """Whether samples that read the same still follow the fall that was there before them.

    Its pace is measured over as long a time as they span, where there are samples for that: between two of
    them it would be the error of reading.
    """
    if not samples:
        return Creep()
    place = since_same(samples)
    (first_ms, first), (last_ms, last) = samples[place], samples[-1]
    span_ms = last_ms - first_ms
    if place == 0 or span_ms == 0 or span_ms >= PROOF_DAYS * MS_PER_DAY:
        return Creep()
    before_ms, before = _at(samples[:place], first_ms - span_ms)
    if before_ms >= first_ms:
        return Creep()
    per_day = (before - first) / (first_ms - before_ms) * MS_PER_DAY
    if per_day < LEAST_CREEP_PER_DAY - ROUNDING:
        return Creep()
    fell, would_fall = first - last, per_day * span_ms / MS_PER_DAY
    follows = fell >= CREEP_SHARE * would_fall - ROUNDING
    hidden = would_fall - fell <= SAME_POINTS + ROUNDING  # a hydrometer could not tell it from standing
    if not (follows or hidden):
        return Creep()
    week_ms, week = _at(samples[:-1], last_ms - round(WEEK_DAYS * MS_PER_DAY))
    return Creep(week - last, (last_ms - week_ms) / MS_PER_HOUR)


def _at(samples: Sequence[Sample], by_ms: int) -> Sample:
    """The last sample taken by then, or else the first of all."""
    return next((one for one in reversed(samples) if one[0] <= by_ms), samples[0])


@dataclass(frozen=True, slots=True)
class Lost:
    """How far a batch at rest has fallen by its last sample; nan where no two samples tell."""

    points: float = math.nan
    hours: float = math.nan
    """In so long."""
    before_points: float = math.nan
    """How far it had fallen by the sample before the last; nan where there is none."""
    error_points: float = math.nan
    """What one sample must have lost to tell a fall."""


def lost(samples: Sequence[Sample], unmixed_until_ms: int = 0) -> Lost:
    """What the last of these samples has lost.

    A first sample that was taken before `unmixed_until_ms` may be of honey that was not stirred in yet: it
    has to be farther off, and the samples after it are compared by themselves too.
    """
    if len(samples) < 2:
        return Lost()
    if samples[0][0] >= unmixed_until_ms:
        return _lost(samples, LOST_POINTS)
    found = [_lost(samples, LOST_POINTS + UNMIXED_POINTS)]
    mixed = [one for one in samples if one[0] >= unmixed_until_ms]
    if len(mixed) >= 2:
        found.append(_lost(mixed, LOST_POINTS))
    return max(found, key=lambda one: one.points - one.error_points)


def _lost(samples: Sequence[Sample], error_points: float) -> Lost:
    *earlier, (last_ms, last) = samples
    # gravity does not rise by itself: what one sample alone reads above those before it is its error
    high_ms, high = earlier[0]
    for (one_ms, one), (_, other) in pairwise(earlier[1:]):
        if min(one, other) > high:
            high_ms, high = one_ms, min(one, other)
    before = math.nan if len(earlier) < 2 else high - earlier[-1][1]
    return Lost(high - last, (last_ms - high_ms) / MS_PER_HOUR, before, error_points)


def sugared_ms(samples: Sequence[Sample], written_ms: int) -> int:
    """When sugar went in that the journal dates to `written_ms`: earlier where a sample shows it already.

    Many write the sample down first and the sugar after it; gravity does not rise by itself.
    """
    before = [one for one in samples if one[0] < written_ms]
    if len(before) < 2 or written_ms - before[-1][0] > UNMIXED_HOURS * MS_PER_HOUR:
        return written_ms
    rose = before[-1][1] - before[-2][1] > LOST_POINTS - ROUNDING
    return before[-1][0] if rose else written_ms


def at_rest(samples: Sequence[Sample], rested_ms: int, sweetened_ms: int) -> Sequence[Sample]:
    """The samples of a batch since it was put to rest, or sweetened after that.

    What was read just before it was put to rest counts as well, or longer before it where it stood still by
    then: nothing raised the gravity in between.
    """
    since_ms = max(rested_ms, sweetened_ms)
    after = [one for one in samples if one[0] >= since_ms]
    before = [one for one in samples if sweetened_ms <= one[0] < since_ms]
    if not before:
        return after
    stood_ms = before[-1][0] - before[since_same(before)][0]
    stood = stood_ms >= SAME_DAYS * MS_PER_DAY and math.isnan(creep(before).points)
    near_days = REST_STOOD_DAYS if stood else REST_NEAR_DAYS
    return [before[-1], *after] if since_ms - before[-1][0] <= near_days * MS_PER_DAY else after
