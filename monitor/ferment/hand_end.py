"""Whether hand samples that read the same are an end: of what stands far above its end they are a stall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum, auto
from typing import Final

from monitor.ferment.by_hand import ByHand
from monitor.ferment.doubt import Sample
from monitor.ferment.event import Reading
from monitor.ferment.evidence import Evidence
from monitor.ferment.hand_course import SAME_DAYS
from monitor.ferment.premise import Premise
from monitor.ferment.verdict import STALL_POINTS, Thresholds
from monitor.units import MS_PER_HOUR, POINTS_PER_SG, Quantity

BEGUN_DAYS: Final = 1.0
"""Before that no must has to have begun (common practice)."""
AT_LIMIT_ABV: Final = 1.0
"""Nearer to what its yeast bears, per cent by volume, a must has ended by that."""
VAGUE_SD_POINTS: Final = 6.0
"""Where such a must ends is not told by an expectation wider than this: only what lies near its middle is
an end by it."""
_LIMITS: Final = Thresholds()


class HandEnd(Enum):
    """What hand samples tell of an end."""

    OPEN = auto()
    """Another sample has to tell."""
    NOT_BEGUN = auto()
    CREEPING = auto()
    """They read the same, and follow a slow fall."""
    END = auto()
    """They read the same for two days or more, near where such a must ends, or in a batch at rest."""
    STALLED = auto()
    """They do, too far above that."""
    UNTOLD = auto()
    """They do, and where such a must ends is not known."""


def hand_end(e: Evidence) -> HandEnd:
    """What the hand samples tell by which the batch stands."""
    rests = not math.isnan(e.by_hand_rest_hours)
    hours_in = e.hours_in - e.by_hand_hours
    fallen = e.by_hand_original_points + e.added_points - e.by_hand_points
    late = hours_in >= BEGUN_DAYS * 24.0
    if not rests and late and fallen < _LIMITS.begun_points and not _is_near(e):
        return HandEnd.NOT_BEGUN
    if not math.isnan(e.by_hand_crept_points):
        return HandEnd.CREEPING
    if not e.by_hand_same_hours >= SAME_DAYS * 24.0:
        return HandEnd.OPEN
    if rests:
        return HandEnd.END
    if math.isnan(e.by_hand_expected_points):
        return HandEnd.UNTOLD
    return _by_expectation(e)


def _gap(e: Evidence) -> float:
    """Points above where such a must usually ends."""
    return e.by_hand_points - e.by_hand_expected_points


def _is_near(e: Evidence) -> bool:
    return _gap(e) <= STALL_POINTS


def _by_expectation(e: Evidence) -> HandEnd:
    near = STALL_POINTS + _LIMITS.finished_gap_sd * e.by_hand_expected_sd
    vague = e.by_hand_expected_sd > VAGUE_SD_POINTS
    if _gap(e) <= (STALL_POINTS if vague else near):
        return HandEnd.END
    return HandEnd.UNTOLD if _gap(e) <= near else HandEnd.STALLED


def ended_ms(premise: Premise, samples: Sequence[Sample]) -> int | None:
    """Since when samples of a batch to which nothing was done show its end; None where they show none.

    What its yeast cannot bear to ferment any more has ended too.
    """
    if not samples:
        return None
    by_hand, last_ms = ByHand(premise), samples[-1][0]
    for at_ms, value in samples:
        value_sg = 1.0 + value / POINTS_PER_SG
        by_hand.admit(Reading("", Quantity.SAMPLE_GRAVITY, at_ms, value_sg, at_ms))
    bare = Evidence(last_ms, hours_in=(last_ms - premise.pitched_ms) / MS_PER_HOUR)
    e = by_hand.beside(bare, None)
    told = hand_end(e)
    if told is HandEnd.END or (told is HandEnd.STALLED and e.alcohol_room_abv < AT_LIMIT_ABV):
        return last_ms - round(e.by_hand_same_hours * MS_PER_HOUR)
    return None
