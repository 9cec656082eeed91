"""Sugar that went in under way, read off the float: by how many points the gravity rose.

What the maker wrote down is looked for at its hour. What nobody wrote down is a rise that stays, for foam and
knocks come down again as suddenly as they went up, or went down first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.history import BEGUN_POINTS, block_means
from monitor.ferment.series import Floats

BLOCK_HOURS: Final = 3
ONE_HOURS: Final = 12
"""Additions closer than this are one: between them no level can be told."""
LEVEL_HOURS: Final = 9
"""A level is the median of so many hours."""
MIXED_HOURS: Final = 3
LEAST_POINTS: Final = 3.0
"""A smaller rise that nobody wrote down is taken for the float's own."""
STAYS_HOURS: Final = 39
"""A knock lasts a day and a half at most: a rise that is still there then was sugar."""
COMES_DOWN: Final = 0.6
"""Share of a rise that, lost within six hours a little before or after it, makes it foam or a knock."""


@dataclass(frozen=True, slots=True)
class Added:
    """Sugar that went in: points by which it raised the gravity, and the hours that nobody wrote down."""

    points: float
    """Of all whose rise could be read."""
    unread: tuple[tuple[int, int], ...]
    """First and last hour of each addition that could not."""
    unwritten_hours: tuple[int, ...]

    @property
    def all_read(self) -> bool:
        """Whether every one could."""
        return not self.unread

    def is_unread(self, hour: int) -> bool:
        """Whether what was written down at this hour could not be read off the float."""
        return any(first <= hour <= last for first, last in self.unread)


def added(points: Floats, written_hours: Sequence[int]) -> Added:
    """What additions of sugar did, all together.

    `points` are hourly medians since pitching (nan where nothing was measured), `written_hours` the hours of
    the additions in the journal.
    """
    unwritten = _unwritten(points, written_hours)
    hours = sorted([*written_hours, *unwritten])
    spells: list[tuple[int, int]] = []
    for hour in hours:
        if spells and hour - spells[-1][1] < ONE_HOURS:
            spells[-1] = (spells[-1][0], hour)
        else:
            spells.append((hour, hour))
    rises = [_rise(points, first, last) for first, last in spells]
    read = [max(rise, 0.0) for rise in rises if not math.isnan(rise)]
    unread = [spell for spell, rise in zip(spells, rises, strict=True) if math.isnan(rise)]
    return Added(float(sum(read)), tuple(unread), tuple(unwritten))


def _rise(points: Floats, first: int, last: int) -> float:
    """From before `first` to after `last`, with what fell meanwhile; nan where it cannot be told."""
    begin = last + MIXED_HOURS
    before = _level(points, first - LEVEL_HOURS, first)
    after = _level(points, begin, begin + LEVEL_HOURS)
    earlier = _level(points, first - LEVEL_HOURS - 24, first - 24)
    per_hour = 0.0 if math.isnan(earlier) else max(earlier - before, 0.0) / 24.0
    return after - before + per_hour * (begin + LEVEL_HOURS - first)


def _level(points: Floats, begin: int, end: int) -> float:
    part = points[max(begin, 0) : max(end, 0)]
    part = part[~np.isnan(part)]
    return median(part.tolist()) if part.size else math.nan


def _unwritten(points: Floats, written_hours: Sequence[int]) -> list[int]:
    """Hours of rises that stayed and that no entry of the journal is near."""
    n = points.size // BLOCK_HOURS * BLOCK_HOURS
    means, count = block_means(points[:n], BLOCK_HOURS)
    known = np.flatnonzero(count)
    if known.size < 5:
        return []
    level = means[known]
    # what has not begun to ferment is not fed: such a rise is a float that was put in late
    fallen = np.maximum.accumulate(level) - level
    rises = np.flatnonzero((level[2:] - level[:-2] >= LEAST_POINTS) & (fallen[:-2] >= BEGUN_POINTS)) + 1
    found: list[int] = []
    for at in rises.tolist():
        hour = int(known[at]) * BLOCK_HOURS + 1
        near = [*written_hours, *found]
        if all(abs(hour - other) >= ONE_HOURS for other in near) and _stays(points, hour, level, known, at):
            found.append(hour)
    return found


def _stays(points: Floats, hour: int, level: Floats, known: NDArray[np.intp], at: int) -> bool:
    """Whether the rise at an hour, in the block `known[at]`, is no foam and no knock."""
    rise = _rise(points, hour, hour)
    if not rise >= LEAST_POINTS or points.size - hour < STAYS_HOURS:
        return False
    about = STAYS_HOURS // BLOCK_HOURS
    first, last = np.searchsorted(known, (known[at] - about, known[at] + about + 1))
    sides = (level[first:at], level[at + 1 : last])
    return all(side.size >= 5 and not _falls_suddenly(side, COMES_DOWN * rise) for side in sides)


def _falls_suddenly(level: Floats, by: float) -> bool:
    drops = level[:-2] - level[2:]
    return bool(drops.max() - max(median(drops.tolist()), 0.0) >= by)
