"""Readings: the contract of every engine."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.batch.sheet import Sheet
from monitor.errors import StoreError
from monitor.ferment.event import Reading
from monitor.ferment.skew import TimeFlag
from monitor.store.sql import SqlStore
from monitor.store.values import FLAG_NUMBER, ChangeKind, Refused
from monitor.units import Quantity

_RUNS = itertools.count()


def gravity(
    time_ms: int, value: float = 1.04, *, sensor: str = "float-a", received_ms: int | None = None
) -> Reading:
    """A gravity reading."""
    arrived_ms = time_ms if received_ms is None else received_ms
    return Reading(sensor, Quantity.GRAVITY, time_ms, value, arrived_ms)


class TestCommit:
    """Keeping arrivals."""

    def test_what_went_in_comes_out(self, store: SqlStore) -> None:
        """Readings come back equal, to the last bit of the value and the last millisecond."""
        sent = [
            gravity(1_767_463_200_001, 1.0431000000000001),
            Reading("probe-1", Quantity.TEMPERATURE, 1_767_463_200_002, 18.4, 1_767_463_200_005),
            Reading("float-a", Quantity.BATTERY, 1_767_463_200_003, 1 / 3, 1_767_463_200_006),
        ]
        assert store.readings.commit(sent).stored == 3
        assert list(store.readings.read(["float-a", "probe-1"]).readings()) == sent

    def test_zero_is_a_reading(self, store: SqlStore) -> None:
        """0 degC at time 0 is kept and comes back as 0."""
        zero = Reading("probe-1", Quantity.TEMPERATURE, 0, 0.0, 0)
        store.readings.commit([zero])
        assert list(store.readings.read(["probe-1"]).readings()) == [zero]

    def test_the_first_of_a_key_stays(self, store: SqlStore) -> None:
        """A redelivered reading, in the same batch or a later one, is counted and changes nothing."""
        first = gravity(5, 1.04)
        one = store.readings.commit([first, gravity(5, 1.05), gravity(6)])
        two = store.readings.commit([gravity(5, 1.06, received_ms=99)])
        assert (one.stored, one.duplicates) == (2, 1)
        assert (two.stored, two.duplicates) == (0, 1)
        assert next(store.readings.read(["float-a"]).readings()) == first

    def test_quantity_and_sensor_are_part_of_the_key(self, store: SqlStore) -> None:
        """The same moment of another sensor or quantity is another reading."""
        other = Reading("float-a", Quantity.ANGLE, 5, 40.0, 5)
        assert store.readings.commit([gravity(5), gravity(5, sensor="float-b"), other]).stored == 3

    def test_flags_are_kept_beside(self, store: SqlStore) -> None:
        """Readings with a doubtful time are kept and carry their flag."""
        store.readings.commit([gravity(1), gravity(2), gravity(3)], flags=list(TimeFlag))
        assert store.readings.read(["float-a"]).flag.tolist() == [FLAG_NUMBER[flag] for flag in TimeFlag]

    @pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
    def test_a_value_that_is_no_number_spoils_the_whole_batch(self, store: SqlStore, value: float) -> None:
        """NaN, which SQLite would turn into NULL, is refused, and nothing of its batch is kept."""
        with pytest.raises(StoreError, match="cannot be kept"):
            store.readings.commit([gravity(1), gravity(2, value)])
        assert len(store.readings.read(["float-a"])) == 0

    @pytest.mark.parametrize("time_ms", [2**63, -(2**63) - 1])
    def test_a_time_beyond_all_ages_is_refused(self, store: SqlStore, time_ms: int) -> None:
        """A time that no database can hold is refused as such."""
        with pytest.raises(StoreError, match="cannot be kept"):
            store.readings.commit([gravity(time_ms)])

    @pytest.mark.parametrize("sensor", ["", "a\0b", "\ud800", "x" * 201])
    def test_a_name_that_cannot_be_kept_is_refused(self, store: SqlStore, sensor: str) -> None:
        """Empty, NUL, half a surrogate pair and endless names raise our error, on every engine."""
        with pytest.raises(StoreError, match="printable"):
            store.readings.commit([gravity(1), gravity(1, sensor=sensor)])
        assert store.readings.heard() == []

    def test_refused_messages_are_kept_in_the_same_transaction(self, store: SqlStore) -> None:
        """Readings that fail take the refused messages beside them back too."""
        refused = Refused(7, "t", b"?", "not-json", "no JSON")
        done = store.readings.commit([gravity(1)], refused=[refused])
        assert (done.stored, done.quarantined) == (1, 1)
        with pytest.raises(StoreError):
            store.readings.commit([gravity(2, math.nan)], refused=[refused])
        assert len(store.quarantine.listed()) == 1

    def test_nothing_is_nothing(self, store: SqlStore) -> None:
        """An empty batch is kept without complaint."""
        assert store.readings.commit([]).stored == 0

    def test_flags_must_match(self, store: SqlStore) -> None:
        """One flag for two readings is a fault of the caller."""
        with pytest.raises(StoreError, match="1 flags for 2 readings"):
            store.readings.commit([gravity(1), gravity(2)], flags=[TimeFlag.OK])

    @settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(
        st.lists(
            st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 9), st.floats(0.9, 1.2)), max_size=6),
            max_size=6,
        ),
    )
    def test_like_a_dict_that_never_overwrites(
        self, store: SqlStore, batches: list[list[tuple[str, int, float]]]
    ) -> None:
        """Whatever is delivered, in whatever batches, the store holds what `setdefault` would."""
        run = next(_RUNS)  # every example meets the same store: give it sensors of its own
        expected: dict[tuple[str, int], float] = {}
        sensors = {name: f"{name}-{run}" for name in "ab"}
        for batch in batches:
            sent = [gravity(time, value, sensor=sensors[name]) for name, time, value in batch]
            before = len(expected)
            for name, time, value in batch:
                expected.setdefault((sensors[name], time), value)
            assert store.readings.commit(sent).stored == len(expected) - before
        found = store.readings.read(sensors.values()).readings()
        assert {(one.sensor, one.time_ms): one.value for one in found} == expected


class TestRead:
    """Finding them again."""

    def test_in_order_of_arrival(self, store: SqlStore) -> None:
        """A late reading stands where it arrived, not where it was measured."""
        store.readings.commit([gravity(30), gravity(10, received_ms=31), gravity(40)])
        found = store.readings.read(["float-a"])
        assert found.time_ms.tolist() == [30, 10, 40]
        assert found.received_ms.tolist() == [30, 31, 40]
        assert np.all(np.diff(found.position) > 0)

    def test_bounds_take_both_ends_in(self, store: SqlStore) -> None:
        """From and to are part of what is asked for, by measuring and by arrival."""
        store.readings.commit([gravity(t, received_ms=100 + t) for t in range(10)])
        assert store.readings.read(["float-a"], from_ms=3, to_ms=5).time_ms.tolist() == [3, 4, 5]
        late = store.readings.read(["float-a"], received_from_ms=108, received_to_ms=109)
        assert late.time_ms.tolist() == [8, 9]

    def test_quantities_and_sensors_choose(self, store: SqlStore) -> None:
        """Only what was asked for comes back; an unknown sensor gives nothing."""
        store.readings.commit([gravity(1), Reading("float-a", Quantity.ANGLE, 1, 40.0, 1)])
        found = store.readings.read(["float-a"], quantities=[Quantity.ANGLE])
        assert found.sources == (("float-a", Quantity.ANGLE),)
        assert len(store.readings.read(["nobody"])) == 0
        assert list(store.readings.read([]).readings()) == []

    def test_after_a_position_of_all_sensors(self, store: SqlStore) -> None:
        """A forwarder reads on where it stopped, in pieces, and misses nothing."""
        sent = [gravity(t, sensor=f"float-{t % 3}") for t in range(10)]
        store.readings.commit(sent)
        found: list[Reading] = []
        position = 0
        while len(piece := store.readings.after(position, 4)):
            assert len(piece) <= 4
            found += piece.readings()
            position = int(piece.position[-1])
        assert found == sent


class TestThinned:
    """Charts."""

    def test_equals_numpy(self, store: SqlStore) -> None:
        """Least, mean, greatest and count of each stretch are those numpy finds in the same readings."""
        rng = np.random.default_rng(7)
        times = np.sort(rng.choice(10_000, 500, replace=False))
        values = rng.normal(1.03, 0.01, 500)
        store.readings.commit([gravity(int(t), float(v)) for t, v in zip(times, values, strict=True)])
        found = store.readings.thinned("float-a", Quantity.GRAVITY, 1_000, 9_000, 16)
        for start, low, mean, high, count in zip(
            found.start_ms, found.minimum, found.mean, found.maximum, found.count, strict=True
        ):
            inside = values[(times >= start) & (times < start + 500)]
            assert low == inside.min()
            assert high == inside.max()
            assert mean == pytest.approx(inside.mean(), rel=1e-12)
            assert count == len(inside)
        assert found.count.sum() == np.sum((times >= 1_000) & (times < 9_000))
        assert len(found.start_ms) <= 16

    def test_readings_dated_by_their_arrival_are_drawn(self, store: SqlStore) -> None:
        """A float whose clock is wrong is drawn like any other."""
        store.readings.commit([gravity(1, 1.0), gravity(2, 1.2)], flags=[TimeFlag.OK, TimeFlag.FUTURE])
        found = store.readings.thinned("float-a", Quantity.GRAVITY, 0, 10, 1)
        assert (found.maximum.tolist(), found.count.tolist()) == ([1.2], [2])

    def test_a_stretch_without_readings_is_absent(self, store: SqlStore) -> None:
        """A gap stays a gap."""
        store.readings.commit([gravity(0), gravity(95)])
        assert store.readings.thinned("float-a", Quantity.GRAVITY, 0, 100, 10).start_ms.tolist() == [0, 90]


class TestHeard:
    """Which sensors there are."""

    def test_what_came_last(self, store: SqlStore) -> None:
        """First and last arrival and the last value are known of each quantity."""
        store.readings.commit([gravity(5, 1.05), gravity(9, 1.03)])
        store.readings.commit([gravity(7, 1.04, received_ms=12)])
        (found,) = store.readings.heard()
        assert (found.first_received_ms, found.last_received_ms) == (5, 12)
        assert (found.last_time_ms, found.last_value) == (7, 1.04)

    def test_sensors_are_named_in_order(self, store: SqlStore) -> None:
        """Each once, however much it measures; a hand that takes samples is none."""
        by_hand = Reading("hand.plum", Quantity.SAMPLE_GRAVITY, 1, 1.01, 1)
        warm = Reading("float-b", Quantity.TEMPERATURE, 1, 19.0, 1)
        store.readings.commit([gravity(1, sensor="float-b"), warm, gravity(1, sensor="a"), by_hand])
        assert store.readings.sensors() == ["a", "float-b"]

    def test_sensors_without_a_batch_are_listed(self, store: SqlStore, orchard: Sheet) -> None:
        """Only sensors that no open batch names are unassigned; a hand is nobody's sensor."""
        store.readings.commit(
            [gravity(1), gravity(1, sensor="float-b"), gravity(1, sensor="hand.orchard-session")]
        )
        assert [one.sensor for one in store.readings.unassigned()] == ["float-b"]
        store.batches.end(orchard.slug, ended_ms=orchard.pitched_ms + 1, at_ms=2)
        assert [one.sensor for one in store.readings.unassigned()] == ["float-a", "float-b"]


class TestDerived:
    """Gravity computed again after a calibration."""

    def test_overwrites_in_place(self, store: SqlStore) -> None:
        """New values stand where the old ones stood, missing ones where their angle arrived."""
        angles = [Reading("float-a", Quantity.ANGLE, t, 40.0 + t, t) for t in range(3)]
        store.readings.commit([*angles, gravity(0, 1.01), gravity(1, 1.02)])
        again = [gravity(t, 1.1 + t / 100) for t in range(3)]
        store.readings.replace_derived([gravity(0, 1.2), *again], at_ms=50)
        found = store.readings.read(["float-a"], quantities=[Quantity.GRAVITY])
        assert found.value.tolist() == [1.1, 1.11, 1.12]
        assert found.time_ms.tolist() == [0, 1, 2]
        assert [(one.kind, one.subject) for one in store.changes.since(0)] == [
            (ChangeKind.REDERIVED, "float-a")
        ]


class TestSample:
    """Hand samples."""

    def test_a_sample_is_news_once(self, store: SqlStore, orchard: Sheet) -> None:
        """Another process hears of a new sample, and nothing of the same sample sent twice."""
        sample = Reading(orchard.hand_sensor, Quantity.SAMPLE_GRAVITY, 5, 1.02, 6)
        before = store.changes.position()
        assert store.readings.record_sample(orchard.slug, sample)
        assert not store.readings.record_sample(orchard.slug, sample)
        assert [one.kind for one in store.changes.since(before)] == [ChangeKind.SAMPLE]
