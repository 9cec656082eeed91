"""Recorded time passes at a chosen speed."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.event import Tick
from monitor.replay.pace import paced
from monitor.units import MS_PER_HOUR


class Hands:
    """A clock that moves when somebody waits."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.waited: list[float] = []

    def wait(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.now_s += seconds


@given(st.lists(st.integers(0, 500), max_size=20).map(sorted), st.floats(0.5, 1e6))
def test_every_event_comes_when_its_time_has_come(hours: list[int], speed: float) -> None:
    """After `recorded time / speed`, in order, none left out."""
    hands = Hands()
    came = []
    for event in paced([Tick(hour * MS_PER_HOUR) for hour in hours], speed, hands.wait, lambda: hands.now_s):
        due_s = (event.at_ms - hours[0] * MS_PER_HOUR) / 1_000 / speed
        assert abs(hands.now_s - 100.0 - due_s) <= 1e-6 * max(1.0, due_s)
        came.append(event.at_ms // MS_PER_HOUR)
    assert came == hours


def test_what_is_late_is_caught_up_with() -> None:
    """A slow step makes no debt."""
    hands = Hands()
    events = paced([Tick(0), Tick(10_000), Tick(20_000), Tick(30_000)], 1.0, hands.wait, lambda: hands.now_s)
    next(events)
    hands.now_s += 25.0
    assert [event.at_ms for event in events] == [10_000, 20_000, 30_000]
    assert hands.waited == [5.0]
