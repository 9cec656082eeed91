"""Evidence to verdict: comparisons of scalars with thresholds, nothing else.

Two probabilities carry the verdicts: that it is unfinished, with more than one and three quarter points still
to fall, which the precedents give as it is; and `stuck`, that a ferment stands still with sugar left: a
logistic line through a few figures of the evidence, fitted to simulated ferments of training seeds; what each
figure is and which way it pulls is said beside it. All of
this is written with array functions and `&`, so that it also holds for an `Evidence` whose fields are arrays
over moments: a sweep of thresholds is then a handful of vector comparisons. Comparisons with nan are False.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from monitor.ferment.evidence import Evidence
from monitor.ferment.hand_course import ROUNDING, SAME_DAYS, SAME_POINTS

Scalar = Any
"""A float or bool, or an array of them over moments."""
SHARE: Final[Mapping[str, float]] = MappingProxyType({"most": 1.0})
"""Beside a threshold that is a probability or a share: 1 is the most that it can be."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What a careful maker would call finished, stalled, going again. Gravities in points."""

    least_readings: float = 20.0
    """Hours of the last two days that must hold a reading before anything is judged finished or stalled."""
    stale_hours: float = 6.0
    begun_points: float = 3.0
    least_hours: float = 30.0
    """Since pitching or the last sugar."""
    finished_doubt: float = field(default=0.14, metadata=SHARE)
    """Finished: the probability that more than one and three quarter points are still to fall is below
    this."""
    finished_gap_sd: float = 1.25
    """Not finished: five points and so many standard deviations above where the must should end."""
    calm_rise_z: float = 1.5
    """Neither finished nor stalled: a float rises by more than its drift, as surely as this. Gravity does
    not, so it is disturbed, or sugar went in."""
    stalled_doubt: float = field(default=0.65, metadata=SHARE)
    """Stalled: the probability that it is *not* standing still with sugar left is below this."""
    stalled_per_day: float = 0.6
    """What is called stalled has not fallen faster than this over the last two days."""
    stalled_surely_sd: float = 2.0
    """Five points and so many standard deviations above its end, a flat line alone is a stall."""
    moving_z: float = 3.0
    moving_per_day: float = 0.3
    restart_points: float = 2.0
    """A finish or stall is taken back when so much has fallen since."""
    refermenting_points: float = 0.8
    refermenting_z: float = 2.9
    drift_per_day: float = 0.12
    """How much of a slow rise may be the float's own drift."""
    lag_hours: float = 168.0
    """No fall at all by then is a failed start."""
    week_per_day: float = 0.15
    """At rest: has surely not fallen faster than this over the last week."""
    week_doubt: float = field(default=0.5, metadata=SHARE)
    """What has been at rest for a week is finished by this doubt instead, and stalled where it is too far
    above its end for that: by then a maker must hear something."""
    stuck_gap_points: float = 2.0
    """Nothing is stuck nearer than this to where it should end."""


WEEK_HOURS: Final = 168.0
STALL_POINTS: Final = 5.0
"""A stall stands more than so many points above the gravity that must could reach."""
STUCK: Final = {
    "constant": -7.754,
    "day": -0.433,  # root of the fall of the last day, points a day
    "two_days": 0.968,
    "four_days": -1.11,
    "day_z": -0.336,  # how surely it falls by more than 0.4 a day
    "two_days_z": -0.623,  # how surely it falls by more than 0.5 a day
    "gap": 0.181,  # points above where the must should end
    "gap_sd": -0.123,
    "gap_five": 0.147,  # points beyond five
    "colder": 0.505,  # degC under its warmest days
    "cold_days": 0.768,  # days under the yeast's range
    "slowed": 0.39,
    "gap_share": 0.59,  # log of what is left over what has fallen
}


def within(value: Scalar, low: float, high: float) -> Scalar:
    """The value, held between two limits; nan stays nan."""
    return np.minimum(np.maximum(value, low), high)


def known_or_zero(value: Scalar) -> Scalar:
    """The value; zero where it is not known."""
    return np.where(np.isnan(value), 0.0, value)


def stuck(e: Evidence) -> Scalar:
    """Probability that it stands still with sugar left."""
    c = STUCK
    gap = e.level_points - e.expected_points
    root = [np.sqrt(within(-s, 0.0, 9.0)) for s in (e.slope_day, e.slope_two, e.slope_four)]
    z = (
        c["constant"]
        + c["day"] * root[0]
        + c["two_days"] * root[1]
        + c["four_days"] * root[2]
        + c["day_z"] * within((-e.slope_day - 0.4) / e.slope_day_se, -3.0, 4.0)
        + c["two_days_z"] * within((-e.slope_two - 0.5) / e.slope_two_se, -3.0, 6.0)
        + c["gap"] * within(gap, -5.0, 25.0)
        + c["gap_sd"] * within(gap / e.expected_sd, -3.0, 6.0)
        + c["gap_five"] * within(gap - 5.0, 0.0, 15.0)
        + c["colder"] * within(known_or_zero(e.temperature_drop_c), -2.0, 10.0)
        + c["cold_days"] * known_or_zero(e.cold_hours) / 24.0
        + c["slowed"] * np.log(np.maximum(e.slowed_hours, 1.0))
        + c["gap_share"] * np.log(within(gap, 1.0, 60.0) / np.maximum(e.fallen_points, 2.0))
    )
    return 1.0 / (1.0 + np.exp(-within(z, -50.0, 50.0)))


@dataclass(frozen=True, slots=True)
class Signs:
    """What holds at one moment, without memory; booleans, or arrays of them."""

    sound: Scalar
    """Enough was heard of the float lately."""
    begun: Scalar
    slowing: Scalar
    done: Scalar
    surely_done: Scalar
    """Done without a week of rest speaking for it: to a stall already told such a week is nothing new."""
    stuck: Scalar
    never_began: Scalar
    moving: Scalar
    going_again: Scalar
    falls_again: Scalar
    """It falls since a rise that nobody wrote down: it goes again, if it had ended by then."""
    lost_by_hand: Scalar
    """No float is heard, and hand samples of a batch at rest fell; `going_again` holds then too."""
    still_by_hand: Scalar
    """No float is heard, and hand samples of a batch at rest stand: for a week, or where they did before."""


def decide(e: Evidence, th: Thresholds) -> Signs:
    """Compare evidence with thresholds."""
    sound = (e.readings >= th.least_readings) & (e.data_age_hours <= th.stale_hours)
    begun = e.fallen_points >= th.begun_points
    slowing = begun & (e.slowed_hours >= 12.0)
    settled = e.epoch_hours >= th.least_hours
    gap = e.level_points - e.expected_points
    near = gap <= STALL_POINTS + th.finished_gap_sd * e.expected_sd
    calm = (e.slope_two < th.drift_per_day + th.calm_rise_z * e.slope_two_se) & (
        e.slope_four < th.drift_per_day + th.calm_rise_z * e.slope_four_se
    )
    flat = (e.slope_two - 0.5 * e.slope_two_se > -th.stalled_per_day) & (
        e.slope_day > -2.0 * th.stalled_per_day
    )
    rests = flat & (e.slowed_hours >= WEEK_HOURS) & (e.slope_seven - e.slope_seven_se > -th.week_per_day)
    stands = sound & slowing & settled & near & calm
    surely_done = stands & (e.unfinished < th.finished_doubt)
    done = surely_done | (stands & rests & (e.unfinished < th.week_doubt))
    high = gap > th.stuck_gap_points
    slow = e.slowed_hours >= 3.0
    surely = flat & (gap > STALL_POINTS + th.stalled_surely_sd * e.expected_sd)
    likely = (1.0 - stuck(e) < th.stalled_doubt) & (e.slope_two > -th.stalled_per_day)
    still = sound & begun & settled & slow & high & calm & (surely | likely | (rests & ~near))
    unmoved = (e.slope_two - e.slope_two_se < th.moving_per_day) & (e.slope_two > -th.moving_per_day)
    never_began = sound & (e.fallen_points < th.begun_points) & (e.epoch_hours >= th.lag_hours) & unmoved
    never_began = never_began & (gap > th.stuck_gap_points + 2.0 * e.expected_sd)
    moving = (e.slope_two < -th.moving_per_day) & (e.slope_two < -th.moving_z * e.slope_two_se)
    lost_by_hand = falls_by_hand(e)
    going_again = _falls(e.watch_fall, e.watch_fall_se, e, th) | lost_by_hand
    falls_again = _falls(e.rise_fall, e.rise_fall_se, e, th)
    stood = (e.by_hand_lost_points <= SAME_POINTS + ROUNDING) & (e.by_hand_lost_hours >= SAME_DAYS * 24.0)
    return Signs(
        sound=sound,
        begun=begun,
        slowing=slowing,
        done=done,
        surely_done=surely_done,
        stuck=still,
        never_began=never_began,
        moving=moving,
        going_again=going_again,
        falls_again=falls_again,
        lost_by_hand=lost_by_hand,
        still_by_hand=(e.by_hand_still_hours >= WEEK_HOURS) | stood,
    )


def falls_by_hand(e: Evidence) -> Scalar:
    """Whether hand samples of a batch at rest have fallen farther than a hydrometer errs, and stand not yet.

    A fall too small for one sample to tell has to be in the sample before the last as well. What stands has
    to do so for a week, as at any other rest.
    """
    least = e.by_hand_lost_error_points - ROUNDING
    less = e.by_hand_lost_error_points - 1.0 + ROUNDING
    twice = (e.by_hand_lost_points > less) & (e.by_hand_lost_before_points > less)
    return ((e.by_hand_lost_points > least) | twice) & (e.by_hand_still_hours < WEEK_HOURS)


def _falls(fall: Scalar, fall_se: Scalar, e: Evidence, th: Thresholds) -> Scalar:
    """Whether a batch at rest has surely fallen."""
    surely = (fall > th.refermenting_points) & (fall > th.refermenting_z * fall_se)
    return surely & (e.data_age_hours <= th.stale_hours)
