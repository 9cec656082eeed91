"""The clocks at the door."""

from __future__ import annotations

import time

from monitor.clock import FastClock, SystemClock
from monitor.units import MS_PER_DAY


def test_the_system_clock_is_unix_time() -> None:
    """Within the two readings of the machine's own clock around it."""
    before = int(time.time() * 1_000) - 1
    assert before <= SystemClock().now_ms() <= int(time.time() * 1_000) + 1


def test_a_fast_clock_stands_until_it_goes() -> None:
    """It shows its start until told, and then later times only."""
    clock = FastClock(5_000, speed=MS_PER_DAY)
    assert clock.now_ms() == 5_000
    clock.go()
    first = clock.now_ms()
    assert first >= 5_000
    assert clock.now_ms() >= first


def test_the_wait_for_a_time_is_shortened_by_the_speed() -> None:
    """A thousand seconds at a thousandfold speed are one; what has passed is no wait."""
    clock = FastClock(0, speed=1_000.0)
    assert clock.wall_seconds_until(1_000_000) == 1.0
    assert clock.wall_seconds_until(-5) == 0.0
