"""Examples of what was still to fall: simulated ferments as floats read them, looked at near their end.

`monitor.replay.learning` teaches `monitor.ferment.network` with them. Every ferment is read by several
floats, and looked at as it was and varied: stretched, smoothed, with a slow tail of its own or an end
expected elsewhere. What is learnt from one mechanism alone does not hold for another; the variations fill
the room between.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.stats import binned_statistic

from monitor.ferment import lookback, noise, offset, terminal
from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats
from monitor.must.alcohol import simple_abv
from monitor.replay import grown_musts, inhibited_musts, precedents, starved_musts
from monitor.replay.course import Ferment
from monitor.replay.floated import ferment_of
from monitor.replay.foretellings import LEAST_HOURS as LEAST_TO_GO
from monitor.replay.instruments import float_says
from monitor.replay.marks import FINISHED_LEFT
from monitor.replay.mishaps import draw_premise, draw_setting
from monitor.replay.past import Past
from monitor.replay.precedents import NEAR_POINTS, SUGAR_JUMP, Family, stretches
from monitor.units import POINTS_PER_SG

FAMILIES: Final = tuple(
    Family(past, 400_000, ferments, share)
    for past, ferments, share in (
        (precedents.simulated, 42_500, 0.4),
        (starved_musts.past, 20_700, 0.2),
        (inhibited_musts.past, 20_900, 0.2),
        (grown_musts.past, 8_700, 0.2),
    )
)
"""The mechanisms of the precedents and one more, on seeds of their own."""
FLOATS: Final = 6
LOOKS: Final = 10
"""Of each float at a course as it was, and as many at the course varied."""
FAR_WEIGHT: Final = 0.35
"""How likely a look is where more than NEAR_POINTS are left, beside one where less is."""
BEGUN_POINTS: Final = 2.5
LEAST_HOURS: Final = 60
CHECKED: Final = 0.35
"""Share of floats that were set right by a hand sample, and how far off they then read."""
CHECKED_SD: Final = 0.8
WHITE_HOURS: Final = 72
WHITE_READINGS: Final = 300
AMPLITUDE_SPREAD: Final = 0.2
PACE_SPREAD: Final = 0.25
SMOOTHED: Final = 0.3
SMOOTH_HOURS: Final = (4.0, 40.0)
TAILED: Final = 0.35
TAIL_POINTS: Final = (0.5, 6.0)
TAIL_PER_DAY: Final = (0.12, 1.2)
MISTAKEN: Final = 0.3
"""How often the expected end is far off: by the second of these spreads, else by the first."""
MISTAKEN_SDS: Final = (0.4, 2.2)


@dataclass(frozen=True, slots=True)
class Reading:
    """One float's reading of one ferment since its last sugar; n hours."""

    points: Floats
    """(n,) hourly medians."""
    celsius: Floats
    true_points: Floats
    final_points: float
    white_points: Floats
    """(n,) as learnt from the three days before each hour."""
    expected: tuple[float, float]
    whole_points: float
    """All sugar, as the original gravity that it would have been."""
    tolerance_abv: float | None
    hours_before: int
    ends: bool
    """Whether it comes to its end, and does not stop short of it."""
    kind: MustKind | None = None
    """As the maker wrote it down."""


@dataclass(frozen=True, slots=True)
class Look:
    """One look, and what came of it."""

    figures: Floats
    """(`lookback.COUNT`,)."""
    left_points: float
    hours: float
    """Until a point was left; nan where that was past, hardly to come, or never came."""


@dataclass(frozen=True, slots=True)
class Examples:
    """m looks, column by column."""

    figures: NDArray[np.float32]
    """(m, `lookback.COUNT`)."""
    left_points: Floats
    hours: Floats
    weight: Floats
    ferment: NDArray[np.int64]


def reading(past: Past, ferment: Ferment, rng: Generator) -> Reading | None:
    """What one float makes of the last stretch of a ferment; None where it is too short or hardly heard."""
    begin, end = max(stretches(past), default=(0, 0))
    if end - begin < LEAST_HOURS:
        return None
    setting = draw_setting(rng, rng, ferment.marks, ferment.deeds, ferment.end_h)
    traits = replace(setting.traits, dies_h=None)
    checked = rng.random() < CHECKED
    if checked:
        traits = replace(traits, offset=rng.normal(0.0, CHECKED_SD) / POINTS_PER_SG)
    premise = draw_premise(rng, ferment, setting, 0)
    at, said_sg = float_says(ferment.course, traits, ferment.end_h, rng)
    hours = int(min(end, ferment.end_h))
    inside = at < hours
    at, said_sg = at[inside], said_sg[inside]
    if at.size < LEAST_HOURS:
        return None
    said = (said_sg - 1.0) * POINTS_PER_SG
    points = np.asarray(
        binned_statistic(at, said, "median", bins=np.arange(hours + 1)).statistic, dtype=np.float64
    )
    heard = points[~np.isnan(points)]
    if heard.size < LEAST_HOURS:
        return None
    start = float(np.median(heard[: lookback.LEVEL_HOURS]))
    true = (past.gravity_sg[:hours] - 1.0) * POINTS_PER_SG
    rises = np.diff(true)
    added = float(rises[rises > SUGAR_JUMP].sum())
    given = premise.must.original_gravity_sg
    original, apart, apart_sd = start, 0.0, CHECKED_SD if checked else offset.UNKNOWN_SD
    if given is not None:
        original = (given - 1.0) * POINTS_PER_SG
        if not checked:
            apart, apart_sd = offset.from_original(start, original)
    should = terminal.expected_final(premise.must, original, added)
    final_sg = past.attainable_sg if past.final_sg is None else past.final_sg
    celsius = past.temperature_c[begin:hours] + rng.normal(0.0, 0.15) + rng.normal(0.0, 0.1, hours - begin)
    return Reading(
        points=points[begin:],
        celsius=celsius,
        true_points=true[begin:],
        final_points=(final_sg - 1.0) * POINTS_PER_SG,
        white_points=_white(at, said_sg, begin, hours),
        expected=(should.mean_points + apart, math.hypot(should.sd_points, apart_sd)),
        whole_points=start + added,
        tolerance_abv=premise.yeast.alcohol_tolerance_abv,
        hours_before=begin,
        ends=past.final_sg is not None,
        kind=premise.must.kind,
    )


def _white(at: Floats, said_sg: Floats, begin: int, hours: int) -> Floats:
    """White noise of one reading, learnt twice a day as the gauge does."""
    found = np.empty(hours - begin)
    for first in range(begin, hours, 12):
        near = said_sg[(at >= first - WHITE_HOURS) & (at < first)][-WHITE_READINGS:]
        found[first - begin : first - begin + 12] = noise.white_sd(near)
    return found


def varied(seen: Reading, rng: Generator) -> Reading:
    """The same float beside a course like this one."""
    off = seen.points - seen.true_points
    grid = np.arange(off.size, dtype=np.float64)
    amplitude = math.exp(rng.normal(0.0, AMPLITUDE_SPREAD))
    pace = math.exp(rng.normal(0.0, PACE_SPREAD))
    then = np.arange(max(int(off.size / pace), LEAST_HOURS)) * pace
    above = amplitude * (np.interp(then, grid, seen.true_points) - seen.final_points)
    if rng.random() < SMOOTHED:
        keep = math.exp(-1.0 / rng.uniform(*SMOOTH_HOURS))
        above = lfilter([1.0 - keep], [1.0, -keep], above, zi=[keep * above[0]])[0]
    if rng.random() < TAILED:
        above = above + _tail(above, rng)
    true = seen.final_points + above
    return replace(
        seen,
        points=true + np.resize(off, true.size),
        celsius=np.interp(then, grid, seen.celsius),
        true_points=true,
        white_points=np.interp(then, grid, seen.white_points),
        expected=_mistaken(seen.expected, rng),
    )


def _mistaken(expected: tuple[float, float], rng: Generator) -> tuple[float, float]:
    mean, sd = expected
    return mean + sd * rng.normal(0.0, MISTAKEN_SDS[int(rng.random() < MISTAKEN)]), sd


def _tail(above: Floats, rng: Generator) -> Floats:
    """Some points more that go slowly, near the end: straight, by half-lives or between."""
    reached = np.flatnonzero(above < rng.uniform(0.3, 6.0))
    if not reached.size:
        return np.zeros(above.size)
    points, per_day = (
        math.exp(rng.uniform(*np.log(limits).tolist())) for limits in (TAIL_POINTS, TAIL_PER_DAY)
    )
    done = np.maximum(np.arange(above.size) - float(reached[0]) + rng.uniform(0.0, 24.0), 0.0)
    done *= per_day / points / 24.0
    kinds = (np.maximum(1.0 - done, 0.0), np.exp(-done), np.maximum(1.0 - done / 2.0, 0.0) ** 2)
    return np.asarray(points * kinds[int(rng.integers(len(kinds)))])


def looks(seen: Reading, rng: Generator) -> Iterator[Look]:
    """Looks at some hours, most of them near the end."""
    left = seen.true_points - seen.final_points
    begun = np.flatnonzero(seen.true_points[0] - seen.true_points >= BEGUN_POINTS)
    hours = np.arange(int(begun[0]) + 1 if begun.size else left.size, left.size)
    if hours.size < lookback.LEVEL_HOURS:
        return
    done = np.flatnonzero(left <= FINISHED_LEFT)
    end = float(done[0]) if seen.ends and done.size else math.nan
    weight = np.where(left[hours] < NEAR_POINTS, 1.0, FAR_WEIGHT)
    for hour in rng.choice(hours, min(LOOKS, hours.size), replace=False, p=weight / weight.sum()).tolist():
        room = math.nan
        if seen.tolerance_abv is not None:
            made = simple_abv(
                1.0 + seen.whole_points / POINTS_PER_SG, 1.0 + seen.true_points[hour - 1] / POINTS_PER_SG
            )
            room = seen.tolerance_abv - made
        white = float(seen.white_points[hour - 1])
        known = lookback.Known(white, *seen.expected, room, seen.hours_before, seen.kind)
        found = lookback.figures(seen.points[:hour], seen.celsius[:hour], known)
        if found is not None:
            to_go = end - hour
            yield Look(found, float(left[hour - 1]), to_go if to_go > LEAST_TO_GO else math.nan)


def of_ferment(family: Family, seed: int) -> list[Look]:
    """All looks at one ferment."""
    past = family.past(seed)
    if past is None:
        return []
    ferment = ferment_of(past)
    found: list[Look] = []
    for number in range(FLOATS):
        rng = default_rng([seed, number])
        seen = reading(past, ferment, rng)
        if seen is not None:
            other = varied(seen, rng)
            # half of the true courses, too, are to end where nobody expects it
            found += looks(replace(seen, expected=other.expected) if rng.random() < 0.5 else seen, rng)
            found += looks(other, rng)
    return found


def _columns(family: Family, seed: int, number: int) -> Examples:
    """The same as arrays: eleven million looks are too many to hold one by one."""
    found = of_ferment(family, seed)
    return Examples(
        np.array([look.figures for look in found], dtype=np.float32).reshape(-1, lookback.COUNT),
        np.array([look.left_points for look in found], dtype=np.float64),
        np.array([look.hours for look in found], dtype=np.float64),
        np.full(len(found), family.share / family.ferments),
        np.full(len(found), number),
    )


def collect(families: Sequence[Family] = FAMILIES) -> Examples:
    """The examples of many ferments, each family as heavy as its share."""
    of_each: list[Examples] = []
    with ProcessPoolExecutor() as pool:
        for family in families:
            seeds = range(family.first_seed, family.first_seed + family.ferments)
            numbers = range(len(of_each), len(of_each) + family.ferments)
            of_each += pool.map(partial(_columns, family), seeds, numbers, chunksize=16)
    weight = np.concatenate([one.weight for one in of_each])
    return Examples(
        np.concatenate([one.figures for one in of_each]),
        np.concatenate([one.left_points for one in of_each]),
        np.concatenate([one.hours for one in of_each]),
        weight / weight.mean(),
        np.concatenate([one.ferment for one in of_each]),
    )
