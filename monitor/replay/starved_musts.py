"""What may happen to a ferment of `starved`: its musts, yeasts and rooms, and what counts as a scenario.

A scenario and a kind of must are drawn, then must, yeast, room and deeds until the ferment that they give is
of its scenario. Ranges are common practice for home batches where no source is named; of what home batches do
not tell, such as how fast a yeast wanes, they are assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats
from monitor.replay.kinetics import Deed
from monitor.replay.marks import FINISHED_LEFT, STALL_ABOVE
from monitor.replay.past import Past
from monitor.replay.scenario import ETHANOL_G_L_PER_ABV
from monitor.replay.starved import (
    ETHANOL_YIELD,
    STEP_H,
    STEPS_PER_HOUR,
    Fall,
    Must,
    Room,
    Yeast,
    first_hour,
    follow,
    stalls_of,
    sugared,
    survivors,
    tail_hours,
)
from monitor.replay.starved_rooms import room_of
from monitor.units import POINTS_PER_SG


class Style(StrEnum):
    """Kinds of must."""

    SESSION = "session"
    MEAD = "mead"
    WORT = "wort"
    CIDER = "cider"


class Scenario(StrEnum):
    """What a ferment is to be."""

    PLAIN = "plain"
    TAIL = "tail"
    LAG = "lag"
    COLD = "cold"
    STUCK = "stuck"
    STEPS = "steps"
    RACKED = "racked"
    REFERMENT = "referment"
    STABLE = "stable"


SHARES: Final = {
    Scenario.PLAIN: 0.23,
    Scenario.TAIL: 0.20,
    Scenario.LAG: 0.06,
    Scenario.COLD: 0.06,
    Scenario.STUCK: 0.15,
    Scenario.STEPS: 0.08,
    Scenario.RACKED: 0.04,
    Scenario.REFERMENT: 0.09,
    Scenario.STABLE: 0.09,
}
STYLE_SHARES: Final = {Style.SESSION: 0.32, Style.MEAD: 0.20, Style.WORT: 0.26, Style.CIDER: 0.22}
KINDS: Final = {
    Style.SESSION: MustKind.HONEY,
    Style.MEAD: MustKind.HONEY,
    Style.WORT: MustKind.MALT,
    Style.CIDER: MustKind.FRUIT,
}
STREAM: Final = 7301
"""Keeps the draws apart from those that other mechanisms make of the same seed."""
TRIES: Final = 60
TRIES_PER_STYLE: Final = 12

FINISHES_H: Final = (60.0, 36 * 24.0)
STALL_SHOWS_H: Final = 84.0
"""A cold or stuck ferment stands still at least so long, the stuck one from `STALLS_BY_H` at the latest."""
STALLS_BY_H: Final = 25 * 24.0
STUCK_ENDS_H: Final = 42 * 24.0
TAIL_H: Final = (50.0, 290.0)
"""What a tail takes, and at most any ferment that does not stall."""
LEFT_TO_FEED_POINTS: Final = 3.0
"""Sugar for a ferment with less than this to fall would be one sweetened."""
RESTARTS_WITHIN_H: Final = 96.0

START_POINTS: Final = (30.0, 40.0, 45.0, 60.0, 80.0, 100.0, 122.0)
END_AT_FOUR_FIFTHS: Final = (0.5, 0.7, 0.9, 1.5, 2.4, 3.5, 4.9)
END_AT_ALL: Final = (-6.9, -9.0, -10.1, -13.1, -16.9, -20.6, -24.4)
"""Points at the end of a must of which 0.8 and all is fermentable: Balling's yields with the density of what
is left, alcohol by OIML R 22 and solids by ICUMSA SPS-4, without glycerol; beyond 1.100 extended."""
GLYCEROL_POINTS: Final = 1.3
"""By 100 g/L of sugar: real meads end a point or two above that balance (common practice)."""
LIMIT_PER_TOLERANCE: Final = (1.08, 1.25)
"""Yeast is sold for somewhat less alcohol than where all work ends."""
REAL_PER_APPARENT: Final = 0.8192
"""Real by apparent attenuation, after Balling."""


@dataclass(frozen=True, slots=True)
class Batch:
    """A must with its yeast, where it stands."""

    must: Must
    yeast: Yeast
    room: Room


def past(seed: int) -> Past | None:
    """The ferment of a seed; None where none of its scenario came about in `TRIES`."""
    pick = default_rng([STREAM, seed])
    return past_in(Scenario(pick.choice(list(SHARES), p=list(SHARES.values()))), seed)


def past_in(scenario: Scenario, seed: int) -> Past | None:
    """A ferment of a scenario."""
    pick = default_rng([STREAM + 1, seed])
    style = Style(pick.choice(list(STYLE_SHARES), p=list(STYLE_SHARES.values())))
    for attempt in range(TRIES):
        found = _tried(default_rng([STREAM + 2, seed, attempt]), scenario, style)
        if found is not None:
            return found
        if attempt % TRIES_PER_STYLE == TRIES_PER_STYLE - 1:  # some musts hardly give some scenarios
            style = Style(pick.choice(list(Style)))
    return None


def _lognormal(rng: Generator, median: float, sigma: float) -> float:
    return float(rng.lognormal(math.log(median), sigma))


def must_of(rng: Generator, style: Style) -> Must:
    """A must of a kind."""
    if style is Style.SESSION:
        start, share = rng.uniform(35.0, 50.0), rng.uniform(0.86, 0.96)
    elif style is Style.MEAD:
        start, share = rng.uniform(80.0, 112.0), rng.uniform(0.86, 0.96)
    elif style is Style.WORT:
        start, share = rng.uniform(40.0, 65.0), REAL_PER_APPARENT * rng.uniform(0.70, 0.84)
    else:
        start, share = rng.uniform(45.0, 60.0), rng.uniform(0.90, 0.985)
    gravity_sg = 1.0 + start / POINTS_PER_SG
    # per cent of the mass by the one-constant form of the ASBC table
    sugar = share * 9.982 * gravity_sg * (260.4 - 260.4 / gravity_sg)
    low, high = (float(np.interp(start, START_POINTS, ends)) for ends in (END_AT_FOUR_FIFTHS, END_AT_ALL))
    glycerol = GLYCEROL_POINTS * sugar / 100.0 * rng.uniform(0.4, 1.2)
    # wort brings its nitrogen, the others are fed by their sugar; strains ask for 0.75 to 1.25 mg/g
    nitrogen = rng.uniform(0.10, 0.22) if style is Style.WORT else sugar / 1000.0 * rng.uniform(0.7, 1.6)
    return Must(start, low + (high - low) * (share - 0.8) / 0.2 + glycerol, sugar, nitrogen)


def comfort_of(rng: Generator, style: Style) -> tuple[float, float]:
    """The range of temperatures a yeast is sold for; one in eight is for a cool cellar."""
    low_c = rng.uniform(14.0 if style is Style.WORT else 13.0, 18.0)
    if rng.random() < 0.12:
        low_c -= 6.0
    return low_c, low_c + rng.uniform(6.0, 11.0)


def yeast_of(rng: Generator, must: Must, style: Style, low_c: float) -> Yeast:
    """A healthy yeast that can bear the must; the second sugar is short in mead and slow in wort."""
    full_abv = _full_abv(must)
    tolerance = full_abv * rng.uniform(1.2, 1.5) if style is Style.MEAD else rng.uniform(10.5, 15.0)
    return Yeast(
        growth=_lognormal(rng, 0.13, 0.2),
        cells_per_nitrogen=_lognormal(rng, 22.0, 0.15),
        uptake=_lognormal(rng, 0.22, 0.30),
        first_half_g_l=_lognormal(rng, 8.0, 0.4),
        second_share=rng.uniform(0.06, 0.15) * (0.6 if style is Style.MEAD else 1.0),
        second_half_g_l=_lognormal(rng, 12.0, 0.5),
        second_time_h=_lognormal(rng, 33.0, 0.22) * {Style.MEAD: 0.85, Style.WORT: 1.2}.get(style, 1.0),
        repressed_at_g_l=_lognormal(rng, 6.0, 0.5),
        ethanol_limit_g_l=_limit_of(rng, min(max(tolerance, 9.0), 19.0)),
        limit_power=rng.uniform(0.5, 1.2),
        death_per_g_h=_lognormal(rng, 2.0e-5, 0.5),
        waning=_lognormal(rng, 0.0007, 0.5),
        pitch_g_l=_lognormal(rng, 0.25, 0.5),
        readiness=_lognormal(rng, 0.15, 0.8),
        sleeps_below_c=low_c - rng.uniform(1.5, 5.0),
    )


def _full_abv(must: Must) -> float:
    return ETHANOL_YIELD * must.sugar_g_l / ETHANOL_G_L_PER_ABV


def _limit_of(rng: Generator, tolerance_abv: float) -> float:
    return tolerance_abv * ETHANOL_G_L_PER_ABV * rng.uniform(*LIMIT_PER_TOLERANCE)


def _sold_for(yeast: Yeast) -> float:
    """The tolerance (% abv) on its packet, by the middle of `LIMIT_PER_TOLERANCE`."""
    return yeast.ethanol_limit_g_l / ETHANOL_G_L_PER_ABV / (sum(LIMIT_PER_TOLERANCE) / 2.0)


def _with_tail(rng: Generator, must: Must, yeast: Yeast) -> Yeast:
    """The yeast with 4.5 to 10 points of the second sugar: they fade away, or go straight on to their end."""
    share = min(rng.uniform(4.5, 10.0) / must.drop_points, 0.4)
    if rng.random() < 0.55:
        half, time_h = rng.uniform(6.0, 20.0), rng.uniform(50.0, 90.0)
    else:
        half = rng.uniform(1.0, 4.5)
        points_per_day = rng.uniform(0.6, 1.1)
        time_h = half * must.points_per_g_l * 24.0 / points_per_day
    return replace(yeast, second_share=share, second_half_g_l=half, second_time_h=time_h)


def _short(rng: Generator, must: Must, yeast: Yeast, style: Style) -> tuple[Must, Yeast]:
    """The must and yeast of a stall: more sugar than it can bear, or so little nitrogen that it wanes."""
    if style is Style.MEAD and rng.random() < 0.4:
        limit = _limit_of(rng, _full_abv(must) * rng.uniform(0.68, 0.9))
        return must, replace(yeast, ethanol_limit_g_l=limit, death_per_g_h=2.0 * yeast.death_per_g_h)
    must = replace(must, nitrogen_g_l=must.nitrogen_g_l * rng.uniform(0.3, 0.6))
    death = yeast.death_per_g_h * rng.uniform(1.5, 5.0)
    return must, replace(yeast, waning=rng.uniform(0.018, 0.04), death_per_g_h=death)


def batch_of(rng: Generator, scenario: Scenario, style: Style) -> Batch:
    """A batch that may turn out to be of a scenario."""
    must = must_of(rng, style)
    comfort_c = comfort_of(rng, style)
    yeast = yeast_of(rng, must, style, comfort_c[0])
    if scenario is Scenario.TAIL:
        yeast = _with_tail(rng, must, yeast)
    elif scenario is Scenario.LAG:
        yeast = replace(yeast, readiness=_lognormal(rng, 0.004, 0.9))
    elif scenario is Scenario.STUCK:
        must, yeast = _short(rng, must, yeast, style)
    room = room_of(rng, comfort_c, yeast.sleeps_below_c, chilled=scenario is Scenario.COLD)
    return Batch(must, yeast, room)


def _fallen_to(fall: Fall, share: float) -> float | None:
    """The first hour with less than this share of the must's sugar left."""
    return first_hour(fall.left_points < fall.must.drop_points * share)


def _followed(
    rng: Generator, scenario: Scenario, style: Style
) -> tuple[Batch, Fall, tuple[Deed, ...]] | None:
    """A ferment with its deeds; None where it gives no occasion for them."""
    batch = batch_of(rng, scenario, style)
    must = batch.must
    deeds: tuple[Deed, ...] = ()
    if rng.random() < 0.4:  # part of the nutrient comes later
        late = Deed(rng.uniform(8.0, 60.0), "nutrient", must.nitrogen_g_l * rng.uniform(0.1, 0.4))
        deeds = (late,)
        batch = replace(batch, must=replace(must, nitrogen_g_l=0.8 * must.nitrogen_g_l))
    fall = follow(batch.must, batch.yeast, batch.room, deeds)
    at_h: float | None
    if scenario is Scenario.STEPS:
        at_h = _fallen_to(fall, 1.0 - rng.uniform(0.25, 0.5))
        if at_h is None:
            return None
        steps: tuple[Deed, ...] = ()
        for _ in range(int(rng.integers(1, 4))):
            steps = (*steps, Deed(at_h, "sugar", rng.uniform(3.0, 8.0) / must.points_per_g_l))
            at_h += rng.uniform(12.0, 44.0)
        deeds = (*deeds, *steps)
        fall = follow(batch.must, batch.yeast, batch.room, deeds)
        before_h = [deed.hour - STEP_H for deed in steps]
        if np.interp(before_h, fall.hours, fall.left_points).min() < LEFT_TO_FEED_POINTS:
            return None
    elif scenario is Scenario.STUCK and rng.random() < 0.5:  # the maker feeds it
        hours = fall.hours
        at_h = first_hour((fall.rate < 0.25) & (hours > 48.0) & (fall.left_points > 5.0))
        if at_h is not None:
            feed = Deed(at_h + rng.uniform(4.0, 9.0) * 24.0, "nutrient", rng.uniform(0.05, 0.12))
            deeds = (*deeds, feed)
            fall = follow(batch.must, batch.yeast, batch.room, deeds)
    elif scenario is Scenario.RACKED:
        at_h = _fallen_to(fall, rng.uniform(0.05, 0.3))
        if at_h is None:
            return None
        deeds = (*deeds, Deed(at_h, "rack", rng.uniform(0.6, 0.95)))
        fall = follow(batch.must, batch.yeast, batch.room, deeds)
    return batch, fall, deeds


def _of_its_scenario(
    scenario: Scenario, fall: Fall, finished_h: float | None, stalls: tuple[tuple[float, float], ...]
) -> bool:
    if finished_h is not None and not FINISHES_H[0] <= finished_h <= FINISHES_H[1]:
        return False
    if scenario is Scenario.STUCK:
        return bool(stalls) and stalls[0][1] - stalls[0][0] >= STALL_SHOWS_H and stalls[0][0] <= STALLS_BY_H
    if finished_h is None:
        return False
    if scenario is Scenario.COLD:
        return any(until_h - from_h > STALL_SHOWS_H for from_h, until_h in stalls)
    least_h = TAIL_H[0] if scenario is Scenario.TAIL else 0.0
    return not stalls and least_h <= tail_hours(fall) <= TAIL_H[1]


def _tried(rng: Generator, scenario: Scenario, style: Style) -> Past | None:
    followed = _followed(rng, scenario, style)
    if followed is None:
        return None
    batch, fall, deeds = followed
    sugared_h = max((deed.hour for deed in deeds if deed.kind == "sugar"), default=0.0)
    final = float(fall.points.min())
    finished_h = None
    if final - fall.must.attainable_points <= STALL_ABOVE:
        finished_h = first_hour((fall.points <= final + FINISHED_LEFT) & (fall.hours >= sugared_h))
        if finished_h is None:
            return None
    stalls = stalls_of(fall)
    if not _of_its_scenario(scenario, fall, finished_h, stalls):
        return None
    if finished_h is None:
        end_h = min(stalls[-1][0] + rng.uniform(8.0, 15.0) * 24.0, STUCK_ENDS_H)
        whole = _past_of(fall.points, fall.temperature_c, end_h, fall.must)
        return replace(whole, kind=KINDS[style], tolerance_abv=_sold_for(batch.yeast), deeds=deeds)
    if scenario in (Scenario.REFERMENT, Scenario.STABLE):
        goes_again = scenario is Scenario.REFERMENT
        sweetened = _sweetened(rng, batch, fall, finished_h, goes_again=goes_again)
        if sweetened is None:
            return None
        whole = sweetened
    else:
        end_h = finished_h + rng.uniform(7.0, 12.0) * 24.0
        whole = _past_of(fall.points, fall.temperature_c, end_h, fall.must)
    return replace(
        whole,
        final_sg=1.0 + final / POINTS_PER_SG,
        finished_h=finished_h,
        kind=KINDS[style],
        tolerance_abv=_sold_for(batch.yeast),
        deeds=(*deeds, *whole.deeds),
    )


def _past_of(points: Floats, temperature_c: Floats, end_h: float, must: Must) -> Past:
    hourly = slice(0, STEPS_PER_HOUR * int(end_h) + 1, STEPS_PER_HOUR)
    return Past(
        gravity_sg=1.0 + points[hourly] / POINTS_PER_SG,
        temperature_c=temperature_c[hourly],
        attainable_sg=1.0 + must.attainable_points / POINTS_PER_SG,
    )


def _sweetened(
    rng: Generator, batch: Batch, fall: Fall, finished_h: float, *, goes_again: bool
) -> Past | None:
    """The ferment sweetened some days after its end; None where it should go again and does not."""
    step = round((finished_h + rng.uniform(4.0, 9.0) * 24.0) / STEP_H)
    added_g_l = rng.uniform(4.0, 20.0) / fall.must.points_per_g_l
    then = sugared(fall.states[step], added_g_l)
    end_h = step * STEP_H + rng.uniform(10.0, 14.0) * 24.0
    yeast = batch.yeast
    if goes_again:
        points_per_day = math.exp(rng.uniform(math.log(0.3), math.log(2.0)))
        yeast, then = survivors(fall.must, yeast, then, points_per_day)
        then = then._replace(readiness=_lognormal(rng, 1.0, 1.0))
    else:
        then = then._replace(cells=0.0)
    room = replace(batch.room, air_c=batch.room.air_c[step : int(end_h / STEP_H) + 1])
    after = follow(fall.must, yeast, room, start=then)
    if goes_again:
        lost = after.points[0] - after.points
        begins_h = first_hour(lost >= 0.1)
        if begins_h is None or begins_h > RESTARTS_WITHIN_H or lost.max() < 1.0:
            return None
    points = np.concatenate([fall.points[:step], after.points])
    temperature_c = np.concatenate([fall.temperature_c[:step], after.temperature_c])
    sweetened_h = step * STEP_H
    whole = _past_of(points, temperature_c, end_h, fall.must)
    return replace(whole, sweetened_h=sweetened_h, deeds=(Deed(sweetened_h, "sugar", added_g_l),))
