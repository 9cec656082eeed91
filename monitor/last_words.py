"""What hand samples and the float say of a batch, from the store alone: above all where it stood at its end.

No judgement is made anew for it.

Page, report, records and comparison take it from here, so that they say the same; the float is corrected by
hand samples as it is for the analysis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.batch.sheet import Sheet
from monitor.ferment import by_hand
from monitor.ferment.addition import added
from monitor.ferment.deeds import SUGAR
from monitor.ferment.doubt import Doubt, Sample, doubts
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.offset import NEAR_HOURS, from_samples
from monitor.ferment.series import Floats
from monitor.store.base import Store
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG, Quantity

SAMPLE_STANDS_MS: Final = 2 * MS_PER_DAY
"""How long before the end a hand sample goes before the float's readings after it."""
LEVEL_HOURS: Final = 12
"""The level is the median of the last so many hours that hold a reading."""


@dataclass(frozen=True, slots=True)
class LastWords:
    """Where a batch stood; None and nan where that is not known."""

    gravity_sg: float | None
    sampled_ms: int | None
    """When the hand sample was taken that says so; None where the float does."""
    offset_points: float
    """What to add to the float."""
    added_points: float
    """By how much sugar on the way raised the gravity."""


def last_words(store: Store, sheet: Sheet, sensor: str | None, journal: Sequence[JournalEntry]) -> LastWords:
    """Where an ended batch stood; `sensor` is the float that is believed, if there was one."""
    end_ms = sheet.pitched_ms if sheet.ended_ms is None else sheet.ended_ms
    points = hourly_points(store, sheet, sensor, end_ms)
    samples = [one for one in hand_samples(store, sheet, end_ms) if one[0] >= sheet.pitched_ms]
    off = from_samples([(_hour(sheet, at_ms), value) for at_ms, value in samples], points, points.size)
    points = points + off.points
    sugar = [one for one in journal if one.kind in SUGAR and sheet.pitched_ms <= one.done_ms <= end_ms]
    read = added(points, sorted(_hour(sheet, one.done_ms) for one in sugar))
    unread = [one for one in sugar if read.is_unread(_hour(sheet, one.done_ms))]
    others = [one for one in sugar if one not in unread]
    known = np.flatnonzero(~np.isnan(points))
    heard_ms = sheet.pitched_ms + int(known[-1]) * MS_PER_HOUR if known.size else None
    sampled_ms, level = None, math.nan
    if samples and (
        heard_ms is None or samples[-1][0] >= heard_ms or samples[-1][0] >= end_ms - SAMPLE_STANDS_MS
    ):
        sampled_ms, level = samples[-1]
    elif known.size:
        level = float(np.median(points[known[-LEVEL_HOURS:]]))
    return LastWords(
        None if math.isnan(level) else 1.0 + level / POINTS_PER_SG,
        sampled_ms,
        off.points,
        read.points + by_hand.added(samples, unread, others),
    )


def doubt(store: Store, sheet: Sheet, sample: Reading) -> str:
    """What to say of a hand sample that is in doubt beside the others; empty where it is not."""
    found = doubted(store, sheet, sample).get(sample.time_ms)
    return "" if found is None else f"That is {doubt_words(found)}: measure again, or take it back."


def doubt_words(found: Doubt) -> str:
    """`16 points above what the float reads`."""
    by_points = f"{abs(found.apart_points):.0f} points"
    if not found.by_float:
        return f"{by_points} above the sample before it, with no sugar in the journal between them"
    return f"{by_points} {'above' if found.apart_points > 0.0 else 'below'} what the float reads"


def doubted(store: Store, sheet: Sheet, sample: Reading | None = None) -> dict[int, Doubt]:
    """The hand samples of a batch that are in doubt, by when they were taken; `sample` counts with them."""
    taken = dict(hand_samples(store, sheet, None))
    if sample is not None:
        taken[sample.time_ms] = (sample.value - 1.0) * POINTS_PER_SG
    if not taken:
        return {}
    until_ms = max(taken) + (NEAR_HOURS + 1) * MS_PER_HOUR
    first_ms = sheet.pitched_ms // MS_PER_HOUR * MS_PER_HOUR
    points = hourly_points(store, sheet, sheet.gravity_sensor, until_ms, from_ms=first_ms)
    sugar = [one for one in store.batches.journal(sheet.slug) if one.kind in SUGAR]
    found = doubts(sorted(taken.items()), first_ms // MS_PER_HOUR, points, sugar)
    return {one.time_ms: one for one in found}


def hand_samples(store: Store, sheet: Sheet, until_ms: int | None) -> list[Sample]:
    """The hand samples of a batch in order of time, points."""
    found = store.readings.read(
        [sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], to_ms=until_ms
    ).readings()
    return sorted((one.time_ms, (one.value - 1.0) * POINTS_PER_SG) for one in found)


def hourly_points(
    store: Store, sheet: Sheet, sensor: str | None, until_ms: int, *, from_ms: int | None = None
) -> Floats:
    """Hourly means of a float since pitching, in points; nan where it was silent, or there is none."""
    first_ms = sheet.pitched_ms if from_ms is None else from_ms
    hours = max(math.ceil((until_ms - first_ms) / MS_PER_HOUR), 1)
    points = np.full(hours, math.nan)
    if sensor is not None:
        end_ms = first_ms + hours * MS_PER_HOUR
        found = store.readings.thinned(sensor, Quantity.GRAVITY, first_ms, end_ms, hours)
        points[(found.start_ms - first_ms) // MS_PER_HOUR] = (found.mean - 1.0) * POINTS_PER_SG
    return points


def _hour(sheet: Sheet, at_ms: int) -> int:
    return (at_ms - sheet.pitched_ms) // MS_PER_HOUR
