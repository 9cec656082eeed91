"""What an ended batch tells of where such a must ends: its final gravity, where one can be told at all."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.batch.sheet import Sheet
from monitor.ferment.addition import added
from monitor.ferment.deeds import SUGAR
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.hand_end import ended_ms as ended_by_hand_ms
from monitor.ferment.offset import SAMPLE_SD, from_samples
from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats
from monitor.units import MS_PER_HOUR, POINTS_PER_SG

LEAST_ORIGINAL_POINTS: Final = 10.0
"""Of a thinner must no share of the gravity can be told."""
REST_DAYS: Final = 5.0
"""The float's median over so many days at the end of its rest is its word: a day of cleaning is outvoted."""
LEAST_REST_HOURS: Final = 6
_STOPS: Final = (*SUGAR, JournalKind.STABILISED, JournalKind.PACKAGED, JournalKind.INFUSION_IN)
"""Up to the first of these it has to be finished."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one batch ended."""

    recipe: str
    kind: MustKind | None
    original_gravity_sg: float
    final_gravity_sg: float
    error_points: float
    """Standard error of the final gravity."""

    @property
    def attenuation(self) -> float:
        """The share of the gravity above 1 that went."""
        return (self.original_gravity_sg - self.final_gravity_sg) / (self.original_gravity_sg - 1.0)


def may_count(sheet: Sheet) -> bool:
    """Whether the end of this batch can tell anything: there was one, and the original gravity is known."""
    original_sg = sheet.must.original_gravity_sg
    return (
        not sheet.open
        and original_sg is not None
        and (original_sg - 1.0) * POINTS_PER_SG >= LEAST_ORIGINAL_POINTS
    )


def outcome_of(
    sheet: Sheet,
    journal: Iterable[JournalEntry],
    *,
    finishes: Iterable[tuple[int, int | None]],
    stalls: Iterable[tuple[int, int | None]] = (),
    samples: Sequence[tuple[int, float]] = (),
    float_points: Floats | None = None,
) -> Outcome | None:
    """The outcome of an ended batch; None where it was fed under way, never finished or cannot be told.

    `finishes` and `stalls` are the alerts of these kinds: fired and, unless it still stood, over (ms).
    `samples` are by hand (ms, points); `float_points` the float's hourly levels since pitching, nan where it
    was silent. Finished is what was told so and not taken back, or two equal hand samples days apart that are
    no stall. The last hand sample since then is believed; without one the float is, corrected as hand samples
    demand.
    """
    original_sg, ended_ms = sheet.must.original_gravity_sg, sheet.ended_ms
    if not may_count(sheet) or original_sg is None or ended_ms is None:
        return None
    deeds = sorted((one for one in journal if one.kind in _STOPS), key=lambda one: one.done_ms)
    points = np.full(0, math.nan) if float_points is None else float_points
    finish_ms = _finished_ms(sheet, deeds, ended_ms, finishes, stalls, sorted(samples))
    if finish_ms is None or any(one.kind in SUGAR and one.done_ms < finish_ms for one in deeds):
        return None
    # stabilising leaves the gravity as it is: what is measured after it is still the ferment's own
    until_ms = _first_stop(
        [one for one in deeds if one.kind is not JournalKind.STABILISED], finish_ms, ended_ms
    )
    if added(points[: _hour(sheet, finish_ms)], []).points > 0.0:
        return None
    rested = [one for one in samples if finish_ms <= one[0] <= until_ms]
    if rested:
        final_points, error_points = max(rested)[1], SAMPLE_SD
    else:
        found = _of_float(sheet, finish_ms, until_ms, samples, points)
        if found is None:
            return None
        final_points, error_points = found
    final_sg = 1.0 + final_points / POINTS_PER_SG
    if final_sg >= original_sg:
        return None
    return Outcome(sheet.recipe, sheet.must.kind, original_sg, final_sg, error_points)


def _finished_ms(
    sheet: Sheet,
    deeds: Sequence[JournalEntry],
    ended_ms: int,
    finishes: Iterable[tuple[int, int | None]],
    stalls: Iterable[tuple[int, int | None]],
    samples: Sequence[tuple[int, float]],
) -> int | None:
    """Since when it was finished and stayed so until the maker went on or ended it."""
    stood = [
        fired_ms
        for fired_ms, over_ms in finishes
        if fired_ms <= ended_ms and (over_ms is None or over_ms >= _first_stop(deeds, fired_ms, ended_ms))
    ]
    if stood:
        return max(stood)
    until_ms = _first_stop(deeds, 0, ended_ms)
    if any(at_ms <= until_ms and (over is None or over >= until_ms) for at_ms, over in stalls):
        return None
    taken = [one for one in samples if sheet.pitched_ms <= one[0] <= until_ms]
    return ended_by_hand_ms(sheet.premise(), taken)


def _first_stop(deeds: Sequence[JournalEntry], from_ms: int, ended_ms: int) -> int:
    return min((one.done_ms for one in deeds if one.done_ms >= from_ms), default=ended_ms)


def _of_float(
    sheet: Sheet, finish_ms: int, until_ms: int, samples: Sequence[tuple[int, float]], points: Floats
) -> tuple[float, float] | None:
    """The float's level at rest and its standard error, in points."""
    end = min(_hour(sheet, until_ms) + 1, points.size)
    begin = max(_hour(sheet, finish_ms), end - round(REST_DAYS * 24))
    rest = points[begin:end]
    rest = rest[~np.isnan(rest)]
    if rest.size < LEAST_REST_HOURS:
        return None
    by_hand = [(_hour(sheet, at_ms), value) for at_ms, value in samples if sheet.pitched_ms <= at_ms]
    if not by_hand and sheet.must.original_gravity_sg is not None:
        # the sample before pitching is of the liquid in which the float began
        by_hand = [(0, (sheet.must.original_gravity_sg - 1.0) * POINTS_PER_SG)]
    off = from_samples(by_hand, points, end)
    return float(np.median(rest)) + off.points, off.sd


def _hour(sheet: Sheet, at_ms: int) -> int:
    return max((at_ms - sheet.pitched_ms) // MS_PER_HOUR, 0)
