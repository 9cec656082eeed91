"""Evidence to verdict: comparisons of scalars with thresholds, nothing else.

Every rule is written with `&` and `|` on comparisons, so that it also holds for an `Evidence` whose fields
are arrays
over moments: a sweep of thresholds is then a handful of vector comparisons. Comparisons with nan are False.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.ferment.evidence import Evidence


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What a careful maker would call finished, stalled, going again. Gravities in points."""

    least_readings: float = 20.0
    """Hours of the last two days that must hold a reading before anything is judged finished or stalled."""
    stale_hours: float = 6.0
    begun_points: float = 3.0
    least_hours: float = 30.0
    finished_over_two: float = 0.06
    """Finished: probability that more than two points are still to fall is below this,"""
    finished_over_one: float = 0.30
    """and that more than one is, below this,"""
    finished_slope_per_day: float = 0.5
    """and the fall of the last two days, with its error, is slower than this,"""
    finished_gap_points: float = 3.5
    finished_gap_sd: float = 1.0
    """and gravity is no higher above where the must should end than this many points and standard
    deviations."""
    stalled_slope_per_day: float = 0.3
    stalled_gap_points: float = 4.5
    stalled_gap_sd: float = 1.0
    moving_z: float = 3.0
    moving_per_day: float = 0.3
    restart_points: float = 2.0
    """A finish or stall is taken back when so much has fallen since."""
    refermenting_points: float = 0.8
    refermenting_z: float = 4.0
    drift_per_day: float = 0.05
    """How much of a slow fall may be the float's own drift."""
    lag_hours: float = 168.0
    """No fall at all by then is a failed start."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What holds at one moment, without memory; booleans, or arrays of them."""

    sound: bool
    done: bool
    stuck: bool
    never_began: bool
    moving: bool
    rising: bool
    going_again: bool
    begun: bool
    slowing: bool


def signs(e: Evidence, th: Thresholds) -> Signs:
    """Compare evidence with thresholds."""
    sound = (e.readings >= th.least_readings) & (e.data_age_hours <= th.stale_hours)
    begun = e.fallen_points >= th.begun_points
    gap = e.level_points - e.expected_points
    quiet = (e.slope_two + e.slope_two_se > -th.finished_slope_per_day) & (
        e.slope_two - e.slope_two_se < th.finished_slope_per_day
    )
    done = (
        sound
        & begun
        & (e.epoch_hours >= th.least_hours)
        & (e.slowed_hours >= 12.0)
        & quiet
        & (e.over_two < th.finished_over_two)
        & (e.over_one < th.finished_over_one)
        & (gap < th.finished_gap_points + th.finished_gap_sd * e.expected_sd)
    )
    still = e.slope_day + 0.5 * e.slope_day_se > -th.stalled_slope_per_day
    still = still & (e.slope_day - e.slope_day_se < th.stalled_slope_per_day)
    high = gap > th.stalled_gap_points + th.stalled_gap_sd * e.expected_sd
    stuck = sound & begun & (e.epoch_hours >= th.least_hours) & still & high
    never_began = sound & (e.fallen_points < th.begun_points) & (e.epoch_hours >= th.lag_hours) & still & high
    moving = (e.slope_two < -th.moving_per_day) & (e.slope_two < -th.moving_z * e.slope_two_se)
    rising = (e.slope_two > th.moving_per_day) & (e.slope_two > th.moving_z * e.slope_two_se)
    watch_error = e.watch_fall_se + th.drift_per_day * e.watch_hours / 24.0 / th.refermenting_z
    going_again = (e.watch_fall > th.refermenting_points) & (e.watch_fall > th.refermenting_z * watch_error)
    going_again = going_again & (e.data_age_hours <= th.stale_hours)
    slowing = begun & (e.slowed_hours >= 12.0)
    return Signs(sound, done, stuck, never_began, moving, rising, going_again, begun, slowing)
