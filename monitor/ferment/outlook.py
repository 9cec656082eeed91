"""Where a ferment will end, and when, with 90 % intervals that were measured rather than assumed.

Final gravity: what the must should reach, until the tail can be seen; then what the tail says. The time: by
what is left over how fast it falls, how long it has been falling and how far it has slowed; a line through
their logarithms, fitted to simulated ferments (training seeds only), with the spread of its errors there. A
logistic curve drawn through the data does worse than this: real ferments slow down earlier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

PRIOR_REACH: Final = 1.25
"""Half-width of the 90 % interval while only the must speaks, in its standard deviations."""
TAIL_FROM: Final = 0.8
TAIL_FULL: Final = 0.97
"""Shares of the expected fall between which the tail takes over from the must."""
LEAST_LEFT: Final = 1.0
LEAST_RATE: Final = 0.15
TIME_LINE: Final = (3.03, 0.538, 0.079, -0.36, 0.289)
"""Constant, log(left / rate), log(hours since it began), share fallen, log(rate / fastest)."""
TIME_LOW: Final = -0.95
TIME_HIGH: Final = 1.2
"""5th and 95th percentile of the logarithm of true over foretold time."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """Percentiles; points, and hours from now; nan where they cannot be given."""

    final_p05: float = math.nan
    final_p50: float = math.nan
    final_p95: float = math.nan
    hours_p05: float = math.nan
    hours_p50: float = math.nan
    hours_p95: float = math.nan


@dataclass(frozen=True, slots=True)
class Standing:
    """What the outlook is read from; points, points a day, hours."""

    level: float
    start: float
    expected: float
    expected_sd: float
    left_p05: float
    left_p50: float
    left_p95: float
    rate: float
    fastest: float
    falling_hours: float


def foresee(s: Standing) -> Outlook:
    """The outlook at one moment; nan before the fall has begun."""
    if math.isnan(s.level) or math.isnan(s.expected) or math.isnan(s.left_p50):
        return Outlook()
    fallen = min(max((s.level - s.start) / min(s.expected - s.start, -1.0), 0.1), 1.2)
    tail = min(max((fallen - TAIL_FROM) / (TAIL_FULL - TAIL_FROM), 0.0), 1.0)
    reach = PRIOR_REACH * s.expected_sd

    def between(must: float, last_days: float) -> float:
        return min((1.0 - tail) * must + tail * last_days, s.level)

    finals = (
        between(s.expected - reach, s.level - s.left_p95),
        between(s.expected, s.level - s.left_p50),
        between(s.expected + reach, s.level - s.left_p05),
    )
    if math.isnan(s.rate) or math.isnan(s.fastest) or math.isnan(s.falling_hours):
        return Outlook(*finals)
    left = max(s.level - finals[1], LEAST_LEFT)
    rate = max(s.rate, LEAST_RATE)
    slowed = min(max(math.log(rate / max(s.fastest, 0.3)), -4.0), 0.5)
    constant, by_left, by_age, by_share, by_slowing = TIME_LINE
    log_hours = constant + by_left * math.log(24.0 * left / rate) + by_slowing * slowed
    log_hours += by_age * math.log(max(s.falling_hours, 6.0)) + by_share * fallen
    times = (math.exp(log_hours + d) for d in (TIME_LOW, 0.0, TIME_HIGH))
    return Outlook(*finals, *times)
