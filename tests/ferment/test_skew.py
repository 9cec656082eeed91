"""Times that cannot be, and what a reading with one counts for."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.event import Reading
from monitor.ferment.skew import (
    APART_MS,
    FUTURE_MS,
    KEPT_MS,
    PAST_MS,
    TimeFlag,
    dated,
    dated_all,
    time_plausible,
)
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


def test_a_time_far_from_the_others_does_not_move_them() -> None:
    """A gravity six minutes ahead is of now, whether the temperature beside it is of next year or of 2199."""
    density = reading(NOW_MS + 6 * MS_PER_MINUTE)
    for days in (1, 300, 63_000):
        beside = replace(reading(NOW_MS + days * MS_PER_DAY), quantity=Quantity.TEMPERATURE)
        placed, flags = dated_all([density, beside])
        assert [one.time_ms for one in placed] == [NOW_MS, NOW_MS]
        assert flags == [TimeFlag.FUTURE] * 2


def test_a_kept_stretch_stays_apart_beside_a_time_that_is_nonsense() -> None:
    """Five days by a clock two years ahead keep their hours, though one more reading says 2199."""
    ahead_ms = NOW_MS + 730 * MS_PER_DAY
    kept = [reading(ahead_ms - hour * MS_PER_HOUR) for hour in range(120)]
    nonsense = replace(reading(NOW_MS + 63_000 * MS_PER_DAY), quantity=Quantity.TEMPERATURE)
    placed, _ = dated_all([*kept, nonsense])
    assert [NOW_MS - one.time_ms for one in placed] == [hour * MS_PER_HOUR for hour in range(120)] + [0]


def test_what_lies_farther_back_than_sensors_keep_is_of_its_arrival() -> None:
    """The last of a chain of forty days keeps its place for thirty of them; nothing of it is older."""
    ahead_ms = NOW_MS + 730 * MS_PER_DAY
    placed, _ = dated_all([reading(ahead_ms - number * APART_MS) for number in range(81)])
    back_ms = [NOW_MS - one.time_ms for one in placed]
    assert back_ms[:61] == [number * APART_MS for number in range(61)]
    assert back_ms[61:] == list(range(1, 21))


def test_one_that_is_moved_never_takes_the_time_of_one_that_is_not() -> None:
    """One measured now and one of a clock a day ahead are two readings, a millisecond apart."""
    placed, _ = dated_all([reading(NOW_MS + MS_PER_DAY), reading(NOW_MS)])
    assert [one.time_ms for one in placed] == [NOW_MS - 1, NOW_MS]


def test_nothing_is_dated_before_1970() -> None:
    """Where the clock of this machine stands at 1970 too, and two readings of a day are heard at once."""
    placed, _ = dated_all([reading(NOW_MS + step, received_ms=0) for step in (0, MS_PER_HOUR, MS_PER_HOUR)])
    assert [one.time_ms for one in placed] == [0, 1, 2]


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


_BEYOND_MS = st.one_of(
    st.integers(FUTURE_MS + 1, 200 * PAST_MS),
    st.integers(-50 * PAST_MS, -PAST_MS - 1),
    # a kept stretch: steps of a clock that is years ahead
    st.integers(0, 150).map(lambda number: 2 * PAST_MS + number * APART_MS),
)


@given(
    st.lists(
        st.tuples(
            _BEYOND_MS,
            st.integers(-MS_PER_MINUTE, MS_PER_MINUTE),
            st.sampled_from("ab"),
            st.sampled_from([Quantity.GRAVITY, Quantity.TEMPERATURE]),
        ),
        max_size=40,
    ),
    st.sampled_from([NOW_MS, 20 * MS_PER_DAY, MS_PER_MINUTE]),
)
def test_what_is_moved_lies_where_a_sensor_could_have_kept_it(
    drawn: list[tuple[int, int, str, Quantity]], now_ms: int
) -> None:
    """Not ahead of arrival by more than clocks differ, nor farther behind than sensors keep, nor twice."""
    readings = [
        replace(reading(heard_ms + ahead_ms, heard_ms, sensor), quantity=quantity)
        for ahead_ms, late_ms, sensor, quantity in drawn
        for heard_ms in [now_ms + late_ms]
    ]
    placed, flags = dated_all(readings)
    for one, flag in zip(placed, flags, strict=True):
        assert flag is not TimeFlag.OK
        assert max(0, one.received_ms - KEPT_MS) <= one.time_ms <= one.received_ms + FUTURE_MS
    assert len({(one.sensor, one.quantity, one.time_ms) for one in placed}) == len(placed)
