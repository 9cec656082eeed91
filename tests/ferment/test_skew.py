"""Times that cannot be, and what a reading with one counts for."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.event import Reading
from monitor.ferment.skew import FUTURE_MS, TimeFlag, dated, dated_all, time_plausible
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

NOW_MS = 1_767_463_200_000


def reading(time_ms: int, received_ms: int = NOW_MS, sensor: str = "float-a") -> Reading:
    """A gravity, measured and heard."""
    return Reading(sensor, Quantity.GRAVITY, time_ms, 1.030, received_ms)


def test_a_plausible_time_stands() -> None:
    """Late by a day, or ahead by as much as clocks differ: it is when it was measured."""
    for time_ms in (NOW_MS - MS_PER_DAY, NOW_MS, NOW_MS + FUTURE_MS):
        assert dated(reading(time_ms)) == (reading(time_ms), TimeFlag.OK)


def test_a_time_that_cannot_be_is_that_of_arrival() -> None:
    """Twenty minutes ahead; and a board that believes in 1970."""
    assert dated(reading(NOW_MS + 20 * MS_PER_MINUTE)) == (reading(NOW_MS), TimeFlag.FUTURE)
    assert dated(reading(0)) == (reading(NOW_MS), TimeFlag.ANCIENT)


def test_what_was_kept_and_came_at_once_stays_apart() -> None:
    """Three hours from a board that believes in 1970 end now, an hour apart; another sensor's time stands."""
    kept = [reading(hour * MS_PER_HOUR) for hour in (5, 6, 7)]
    other = reading(NOW_MS - MS_PER_HOUR, sensor="float-b")
    placed, flags = dated_all([*kept, other])
    assert [NOW_MS - one.time_ms for one in placed] == [2 * MS_PER_HOUR, MS_PER_HOUR, 0, MS_PER_HOUR]
    assert flags == [TimeFlag.ANCIENT] * 3 + [TimeFlag.OK]


def test_two_of_one_sensor_are_never_made_one() -> None:
    """A board that was years behind and then ahead, both heard now: a millisecond lies between them."""
    placed, _ = dated_all([reading(0), reading(NOW_MS + MS_PER_DAY)])
    assert [one.time_ms for one in placed] == [NOW_MS, NOW_MS - 1]


@given(st.lists(st.tuples(st.integers(0, 4 * NOW_MS), st.sampled_from("ab")), max_size=8))
def test_nothing_is_dated_ahead_and_one_alone_as_among_others(times: list[tuple[int, str]]) -> None:
    """Whatever the clocks say: no reading counts for later than it could, one by itself has `dated`'s."""
    readings = [reading(time_ms, sensor=sensor) for time_ms, sensor in times]
    placed, flags = dated_all(readings)
    for one, flag in zip(placed, flags, strict=True):
        assert one.time_ms <= NOW_MS + FUTURE_MS
        assert flag is not TimeFlag.FUTURE or time_plausible(one.time_ms, NOW_MS) is not TimeFlag.FUTURE
    for one in readings:
        assert dated_all([one])[0] == [dated(one)[0]]
