"""What was true of a recorded ferment, proposed from the whole of it.

Nothing here is causal and nothing here is ever told by the daemon: a moment is judged by what came before and
after it. The level is the median over a day about each hour, made to fall only (isotonic regression) between
one addition and the next, after the float's own answer to temperature is taken out. The final gravity is the
median of the last days. Definitions are those of recordings: finished is the earliest time with at most a
point left to fall, a stall is under 0.3 points a day while over 5 points above where it ended or could end.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from monitor.ferment.addition import added
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.premise import Must, Premise
from monitor.ferment.score import Spell, Truth
from monitor.ferment.terminal import expected_final
from monitor.replay.marks import (
    BEGUN_POINTS,
    FINISHED_LEFT,
    NEAR_LEFT,
    STALL_ABOVE,
    STALL_LEAST_H,
    STALL_RATE,
    runs,
)
from monitor.replay.track import Hourly, Track
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG

Values = NDArray[np.float64]

LEVEL_H: Final = 24.0
"""Width of the median: a float's wander and foam are shorter."""
END_H: Final = 96.0
"""The last days, whose median is the final gravity."""
LEAST_HOURS: Final = 48
"""Fewer hours with a reading say nothing of an end."""
SEEN_AFTER_MS: Final = 36 * MS_PER_HOUR
"""A finish must lie so long before the recording's end to be believed."""
DOUBT_POINTS: Final = 0.6
"""How far a float's slow drift may shift the last point: for the range that is shown."""
FALLING_POINTS: Final = 1.5
"""A fall in the last two days that no end can be read off."""
JOIN_H: Final = 24
"""Stalls so close to each other are one."""
RATE_H: Final = 24
"""The rate is taken over a day."""
SHORT_POINTS: Final = 6.0
"""An end so far above what the must should reach, and two standard deviations, is a stall."""
SLOW_H: Final = 96
STILL_PER_DAY: Final = 2.0
MOST_PER_C: Final = 0.4
"""Points a degree that a float may answer to temperature."""
STEPS: Final = frozenset(
    {JournalKind.SUGAR_ADDITION, JournalKind.INFUSION_IN, JournalKind.INFUSION_OUT, JournalKind.RACKED}
)
"""After these the level may rise."""
ENDS: Final = frozenset({JournalKind.SWEETENED, JournalKind.PACKAGED})
"""What comes after these belongs to no first ferment."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What seems to be true, for the maker to confirm."""

    truth: Truth
    finished_between_ms: tuple[int, int] | None
    """Where the finish lies if the float drifted a little either way."""
    time_ms: NDArray[np.int64]
    level_sg: Values
    """The level that it was read off, at `time_ms`."""
    why: tuple[str, ...]
    """A sentence for each thing that is proposed or is not."""


@dataclass(frozen=True, slots=True)
class _Level:
    """The falling level in points; `last` is where its last stretch begins."""

    hours: Values
    points: Values
    cuts: tuple[int, ...]

    @property
    def last(self) -> int:
        return self.cuts[-2]


def proposed(track: Track, premise: Premise, journal: tuple[JournalEntry, ...]) -> Proposal:
    """The truth as the whole recording shows it; empty, with a reason, where it shows too little."""
    gravity = track.gravity.between(track.pitched_ms, _end_of_ferment(track, journal))
    if len(gravity) < LEAST_HOURS:
        few = f"only {len(gravity)} hours hold a gravity: too few to say anything"
        return Proposal(Truth(), None, gravity.time_ms, gravity.median, (few,))
    level = _level(gravity, track, journal)
    hours, points = level.hours, level.points
    ended = hours[-1]
    final = float(np.median(points[hours > max(ended - END_H, float(hours[level.last]) - 1.0)]))
    could_end, short = _could_end(premise.must, points, final, _added(gravity, track, journal))
    stalls = _stalls(level, could_end, track.pitched_ms)
    offset = _sample_offset(track, level)
    by_hand = f", {offset:+.1f} points by the hand samples" if offset else ""
    why: list[str] = [f"final gravity: median of the last {min(END_H, ended) / 24:.0f} days{by_hand}"]
    finished_ms = near_ms = None
    between = None
    falling = float(points[max(level.last, len(points) - LEAST_HOURS)] - points[-1])
    if falling > FALLING_POINTS:
        why = [f"not finished as far as one sees: it fell {falling:.1f} points in its last two days"]
    elif short:
        why.append(f"not finished: it ended {final - could_end:.0f} points above where this must should end")
    else:
        finished_ms, near_ms, between, reason = _finish(level, final, track)
        why.append(reason)
    why += [_stall_words(stall, track.pitched_ms) for stall in stalls] or [
        "no stall of a day and a half or more"
    ]
    truth = Truth(
        finished_ms=finished_ms,
        near_finish_ms=near_ms,
        final_gravity_sg=None
        if falling > FALLING_POINTS
        else round(1.0 + (final + offset) / POINTS_PER_SG, 4),
        stalls=stalls,
    )
    shown = 1.0 + points / POINTS_PER_SG
    return Proposal(truth, between, gravity.time_ms, shown, tuple(why))


def _end_of_ferment(track: Track, journal: tuple[JournalEntry, ...]) -> int:
    return min((entry.done_ms for entry in journal if entry.kind in ENDS), default=track.ended_ms)


def _level(gravity: Hourly, track: Track, journal: tuple[JournalEntry, ...]) -> _Level:
    hours = (gravity.time_ms - track.pitched_ms) / MS_PER_HOUR
    said = (gravity.median - 1.0) * POINTS_PER_SG
    steps = sorted((e.done_ms - track.pitched_ms) / MS_PER_HOUR for e in journal if e.kind in STEPS)
    inner = [int(np.searchsorted(hours, step)) for step in steps]
    cuts = (0, *sorted({cut for cut in inner if 0 < cut <= len(hours) - LEAST_HOURS // 2}), len(hours))
    points = _falling(hours, said, cuts)
    warmth = track.temperature
    if len(warmth) > LEAST_HOURS:
        felt = np.interp(gravity.time_ms, warmth.time_ms, warmth.median)
        said = said - _per_c(hours, said - points, points, felt) * (felt - np.median(felt))
        points = _falling(hours, said, cuts)
    return _Level(hours, points, cuts)


def _falling(hours: Values, said: Values, cuts: tuple[int, ...]) -> Values:
    level = np.empty(len(said))
    for first, end in pairwise(cuts):
        own, values = hours[first:end], said[first:end]
        low = np.searchsorted(own, own - LEVEL_H / 2.0)
        high = np.searchsorted(own, own + LEVEL_H / 2.0, side="right")
        medians = np.array([np.median(values[a:b]) for a, b in zip(low, high, strict=True)])
        level[first:end] = isotonic_regression(medians, increasing=False).x
    return level


def _per_c(hours: Values, residual: Values, level: Values, felt: Values) -> float:
    """Points a degree by which the float errs, from where hardly anything ferments; drawn towards none."""
    still = np.abs(np.gradient(level, hours)) * 24.0 < STILL_PER_DAY
    if still.sum() < LEAST_HOURS:
        return 0.0
    x, y = _quick(felt)[still], _quick(residual)[still]
    return float(np.clip(x @ y / (x @ x + 120.0), -MOST_PER_C, MOST_PER_C))


def _quick(values: Values) -> Values:
    """What changes within days, without what changes over weeks."""
    padded = np.pad(values, (SLOW_H // 2, SLOW_H - 1 - SLOW_H // 2), mode="edge")
    return values - np.convolve(padded, np.ones(SLOW_H) / SLOW_H, "valid")


def _added(gravity: Hourly, track: Track, journal: tuple[JournalEntry, ...]) -> float:
    """Points by which sugar that went in under way raised the gravity."""
    hour = (gravity.time_ms - track.pitched_ms) // MS_PER_HOUR
    by_hour = np.full(int(hour[-1]) + 1, np.nan)
    by_hour[hour] = (gravity.median - 1.0) * POINTS_PER_SG
    written = [e.done_ms for e in journal if e.kind is JournalKind.SUGAR_ADDITION]
    return added(by_hour, [(done_ms - track.pitched_ms) // MS_PER_HOUR for done_ms in written]).points


def _could_end(must: Must, points: Values, final: float, added_points: float) -> tuple[float, bool]:
    """Where it ended or could end, and whether it ended short of it."""
    original = must.original_gravity_sg
    start = float(points[0]) if original is None else (original - 1.0) * POINTS_PER_SG
    expected = expected_final(must, start, added_points)
    short = final - expected.mean_points > max(SHORT_POINTS, 2.0 * expected.sd_points)
    return (expected.mean_points if short else final), short


def _finish(
    level: _Level, final: float, track: Track
) -> tuple[int | None, int | None, tuple[int, int] | None, str]:
    hours = level.hours[level.last :]
    left = np.maximum(level.points[level.last :], final) - final

    def first(points: float) -> int:
        return track.pitched_ms + round(float(hours[int(np.argmax(left <= points))]) * MS_PER_HOUR)

    finished_ms = first(FINISHED_LEFT)
    last_ms = track.pitched_ms + round(float(hours[-1]) * MS_PER_HOUR)
    if finished_ms > last_ms - SEEN_AFTER_MS:
        return None, None, None, "not finished as far as one sees: it fell until the end of the recording"
    between = first(FINISHED_LEFT + DOUBT_POINTS), first(FINISHED_LEFT - DOUBT_POINTS)
    day = (finished_ms - track.pitched_ms) / MS_PER_DAY
    early, late = ((at - track.pitched_ms) / MS_PER_DAY for at in between)
    reason = (
        f"finished on day {day:.1f}: a point above the end (day {early:.1f} to {late:.1f}, drift allowed for)"
    )
    return finished_ms, first(NEAR_LEFT), between, reason


def _stalls(level: _Level, could_end: float, pitched_ms: int) -> tuple[Spell, ...]:
    found: list[tuple[float, float]] = []
    for first, end in pairwise(level.cuts):
        hours, points = level.hours[first:end], level.points[first:end]
        floor = could_end if first == level.last else float(points[-1])
        found += _stalls_in(hours, points, floor, float(level.points[0]))
    return tuple(
        Spell(pitched_ms + round(a * MS_PER_HOUR), pitched_ms + round(b * MS_PER_HOUR)) for a, b in found
    )


def _stalls_in(hours: Values, points: Values, floor: float, start: float) -> list[tuple[float, float]]:
    grid = np.arange(hours[0], hours[-1] + 0.5)
    smooth = np.interp(grid, hours, points)
    half = RATE_H // 2
    padded = np.pad(smooth, half, mode="edge")
    places = np.arange(len(grid))
    span = np.minimum(places + half, len(grid) - 1) - np.maximum(places - half, 0)
    rate = (padded[: len(grid)] - padded[RATE_H : RATE_H + len(grid)]) / np.maximum(span, 1) * 24.0
    stuck = (rate < STALL_RATE) & (smooth - floor > STALL_ABOVE) & (start - smooth > BEGUN_POINTS)
    joined: list[tuple[int, int]] = []
    for first, end in runs(stuck):
        if joined and first - joined[-1][1] < JOIN_H:
            first = joined.pop()[0]
        joined.append((first, end))
    return [(float(grid[a]), float(grid[b - 1])) for a, b in joined if b - a >= STALL_LEAST_H]


def _sample_offset(track: Track, level: _Level) -> float:
    """Points to add to the float so that it reads as the maker's hydrometer does; 0 without samples."""
    at = (track.sample_ms - track.pitched_ms) / MS_PER_HOUR
    within = (at >= level.hours[0]) & (at <= level.hours[-1])
    if not within.any():
        return 0.0
    sampled = (track.sample_sg[within] - 1.0) * POINTS_PER_SG
    return float(np.median(sampled - np.interp(at[within], level.hours, level.points)))


def _stall_words(stall: Spell, pitched_ms: int) -> str:
    first, last = ((at - pitched_ms) / MS_PER_DAY for at in (stall.from_ms, stall.until_ms))
    return f"stalled from day {first:.1f} to {last:.1f}"
