"""Where a ferment will end, and when, with 90 % intervals that were measured rather than assumed.

Final gravity: what the must should reach, until the tail can be seen; then what the tail says. The time: what
simulated ferments with such a course had still to go (`monitor.ferment.foretelling` and
`monitor.ferment.network`: a geometric mean, weighed as their word on what is left). A logistic curve drawn
through the data, or a line through the logarithms of what is left and how fast it falls, does worse: how far
and how long ago a ferment had come tells how it will slow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.ferment import foretelling
from monitor.ferment.evidence import Evidence
from monitor.ferment.left import Left
from monitor.ferment.network import SHARE, Answers
from monitor.ferment.series import Floats

NINETY: Final = 1.645
"""Standard deviations between the middle and the 95th percentile of a normal error."""
PRIOR_REACH: Final = 1.23
"""Half-width of the 90 % interval while only the must speaks, in its standard deviations."""
TAIL_FROM: Final = 0.8
TAIL_FULL: Final = 0.97
"""Shares of the expected fall between which the tail takes over from the must,"""
SLOW_FROM: Final = 0.15
SLOW_FULL: Final = 0.05
"""and shares of its fastest fall: one that creeps or stands has ended, wherever its must should have."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """Percentiles; points, and hours from now; nan where they cannot be given."""

    final_p05: float = math.nan
    final_p50: float = math.nan
    final_p95: float = math.nan
    hours_p05: float = math.nan
    hours_p50: float = math.nan
    hours_p95: float = math.nan

    def after(self, hours: float) -> Outlook:
        """The same so many hours later, with nothing new known."""
        times = (max(one - hours, 0.0) for one in (self.hours_p05, self.hours_p50, self.hours_p95))
        return Outlook(self.final_p05, self.final_p50, self.final_p95, *times)


def foresee(e: Evidence, rest: Left, traits: Floats | None, said: Answers | None = None) -> Outlook:
    """The outlook at one moment, gravities as the float would read without its error; nan before the fall
    has begun.

    `rest` is what is still to fall, `traits` are of `monitor.ferment.shape`; `said`, where there is any, is
    the network's word, whose hours count for `network.SHARE`.
    """
    if math.isnan(e.level_points) or math.isnan(e.expected_points) or math.isnan(rest.p50):
        return Outlook()
    fallen = min(
        max((e.level_points - e.start_points) / min(e.expected_points - e.start_points, -1.0), 0.1), 1.2
    )
    pace = -e.slope_two / e.peak_per_day
    tail = max(_between(TAIL_FROM, TAIL_FULL, fallen), _between(SLOW_FROM, SLOW_FULL, pace))
    reach = PRIOR_REACH * e.expected_sd

    # the tail knows the level as the float reads it, the must knows of the float's error already
    off = NINETY * e.apart_sd
    ends = e.level_points - rest.p50
    lower = tail * (ends - math.hypot(rest.p95 - rest.p50, off)) + (1.0 - tail) * (e.expected_points - reach)
    middle = min(tail * ends + (1.0 - tail) * e.expected_points, e.level_points)
    upper = tail * (ends + math.hypot(rest.p50 - rest.p05, off)) + (1.0 - tail) * (e.expected_points + reach)
    finals = (min(lower, middle), middle, min(upper, e.level_points + off))
    if traits is None:
        return Outlook(*finals)
    hours = foretelling.hours_left(traits)
    if said is not None:
        also = (said.hours_p05, said.hours_p50, said.hours_p95)
        low, middle, high = (
            one ** (1.0 - SHARE) * other**SHARE for one, other in zip(hours, also, strict=True)
        )
        hours = (low, middle, high)
    return Outlook(*finals, *hours)


def _between(begin: float, end: float, value: float) -> float:
    """0 up to `begin`, 1 from `end` on, straight between; 0 where the value is not known."""
    return 0.0 if math.isnan(value) else min(max((value - begin) / (end - begin), 0.0), 1.0)
