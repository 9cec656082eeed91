"""Raw readings that are old, on every engine."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.event import Reading
from monitor.ferment.skew import TimeFlag
from monitor.store.retention import RetentionPolicy, Span, stretches
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

DAY = MS_PER_DAY
NOW_MS = 1_000 * DAY
OLD_MS = 500 * DAY
EVER = 2**53
LOOSE = RetentionPolicy(keep_raw_days=100)
ENDED = RetentionPolicy(keep_raw_days_of_ended=100)


def quarters(sensor: str, start_ms: int, count: int, seed: int = 1) -> list[Reading]:
    """Readings at about every quarter of an hour."""
    chance = random.Random(seed)
    times = [start_ms + n * 15 * MS_PER_MINUTE + chance.randrange(60_000) for n in range(count)]
    return [Reading(sensor, Quantity.GRAVITY, at, 1.0 + chance.random() / 10, at + 300) for at in times]


def hourly(arrived: list[Reading]) -> dict[int, tuple[float, float]]:
    """Mean time and mean value of each hour, by numpy: the reference."""
    hours = np.array([one.time_ms // MS_PER_HOUR for one in arrived])
    times, values = np.array([one.time_ms for one in arrived]), np.array([one.value for one in arrived])
    return {
        int(hour): (times[hours == hour].mean(), values[hours == hour].mean()) for hour in np.unique(hours)
    }


def kept(store, sensor: str) -> dict[int, tuple[int, float]]:
    """What the store has of a sensor by hour; fails where an hour has more than one."""
    found = store.readings.read([sensor])
    pairs = list(zip(found.time_ms.tolist(), found.value.tolist(), strict=True))
    by_hour = {at // MS_PER_HOUR: (at, value) for at, value in pairs}
    assert len(by_hour) == len(pairs)
    return by_hour


class TestThinning:
    """What becomes of the rows."""

    def test_an_hour_becomes_its_mean(self, store):
        """Value and time are numpy's means of the hour's readings, over several windows of time."""
        arrived = quarters("float-a", OLD_MS, 4 * 24 * 40)
        store.readings.commit(arrived)
        done = store.retention.thin(LOOSE, now_ms=NOW_MS)
        wanted, found = hourly(arrived), kept(store, "float-a")
        assert found.keys() == wanted.keys()
        assert done.whole
        assert done.removed == len(arrived) - len(wanted)
        for hour, (at_ms, value) in wanted.items():
            assert abs(found[hour][0] - at_ms) <= 0.5
            assert found[hour][1] == pytest.approx(value, rel=1e-12)

    def test_a_second_run_finds_nothing(self, store):
        """Thinned is thinned, also where the whole past is looked at again."""
        store.readings.commit(quarters("float-a", OLD_MS, 100))
        store.retention.thin(LOOSE, now_ms=NOW_MS)
        before = kept(store, "float-a")
        again = store.retention.thin(replace(LOOSE, keep_raw_days=101), now_ms=NOW_MS)
        assert (again.hours, again.removed) == (0, 0)
        assert kept(store, "float-a") == before

    def test_no_position_is_given_out_again(self, store):
        """The newest row stays the newest, so a forwarder's position goes on being right."""
        store.readings.commit(quarters("float-a", OLD_MS, 8))
        newest = int(store.readings.after(0, 100).position[-1])
        store.retention.thin(LOOSE, now_ms=NOW_MS)
        assert int(store.readings.after(0, 100).position[-1]) == newest
        store.readings.commit(quarters("float-a", OLD_MS + DAY, 1))
        assert int(store.readings.after(newest, 100).position[0]) > newest

    def test_what_is_not_forwarded_stays_raw(self, store):
        """Hours with a row after the given position are left alone as a whole."""
        store.readings.commit(quarters("float-a", OLD_MS, 8))
        sixth = int(store.readings.after(0, 100).position[5])
        store.retention.thin(LOOSE, now_ms=NOW_MS, upto=sixth)
        assert len(store.readings.read(["float-a"])) == 1 + 4

    def test_times_that_are_not_believed_are_left_alone(self, store):
        """A flagged reading keeps its hour raw."""
        arrived = quarters("float-a", OLD_MS, 8)
        store.readings.commit(arrived, flags=[TimeFlag.OK] * 7 + [TimeFlag.ANCIENT])
        store.retention.thin(LOOSE, now_ms=NOW_MS)
        assert len(store.readings.read(["float-a"])) == 1 + 4

    def test_a_stopped_run_goes_on_later(self, store):
        """It ends between two transactions, says so, and the next run does the rest."""
        store.readings.commit(quarters("float-a", OLD_MS, 4 * 24 * 35))
        turns = iter([True, False])
        done = store.retention.thin(LOOSE, now_ms=NOW_MS, going=lambda: next(turns))
        assert not done.whole
        assert 0 < done.removed < 3 * 24 * 35
        assert store.retention.due(LOOSE, NOW_MS)
        assert store.retention.thin(LOOSE, now_ms=NOW_MS).whole
        assert len(kept(store, "float-a")) == 24 * 35
        assert not store.retention.due(LOOSE, NOW_MS + DAY - 1)
        assert store.retention.due(LOOSE, NOW_MS + DAY)


class TestWhose:
    """Which readings are old."""

    def test_nothing_is_thinned_unless_asked(self, store):
        """Without a policy raw readings are kept for ever."""
        store.readings.commit(quarters("float-a", 0, 40))
        assert not store.retention.due(RetentionPolicy(), NOW_MS)
        store.retention.thin(RetentionPolicy(), now_ms=NOW_MS)
        assert len(store.readings.read(["float-a"])) == 40

    def test_an_open_batch_stays_raw(self, store):
        """However old it is, and whatever else the policy says; so do readings from before its start."""
        store.batches.start(Sheet("a", "A", OLD_MS + DAY, gravity_sensor="float-a"), at_ms=OLD_MS)
        store.readings.commit(quarters("float-a", OLD_MS, 40))
        store.retention.thin(RetentionPolicy(100, 100), now_ms=NOW_MS)
        assert len(store.readings.read(["float-a"])) == 40

    def test_an_ended_batch_is_thinned_when_its_days_are_over(self, store):
        """Its hold ends so many days after its end; what the sensor told between batches has its own rule."""
        store.batches.start(Sheet("a", "A", OLD_MS, gravity_sensor="float-a"), at_ms=OLD_MS)
        store.readings.commit(quarters("float-a", OLD_MS, 40))
        end_ms = OLD_MS + 3 * DAY
        store.batches.end("a", ended_ms=end_ms, at_ms=end_ms)
        store.readings.commit(quarters("float-a", OLD_MS + 10 * DAY, 40))
        store.retention.thin(ENDED, now_ms=end_ms + 100 * DAY)
        assert len(store.readings.read(["float-a"])) == 80
        store.retention.thin(ENDED, now_ms=end_ms + 101 * DAY)
        assert len(store.readings.read(["float-a"])) == 10 + 40
        store.retention.thin(LOOSE, now_ms=NOW_MS)
        assert len(kept(store, "float-a")) == 20
        assert len(store.batches.readings("a")) == 10

    def test_a_thermometer_of_two_batches_waits_for_both(self, store):
        """Readings shared with a batch that is open stay raw."""
        for slug in ("a", "b"):
            sheet = Sheet(slug, slug, OLD_MS, other_sensors=("room",))
            store.batches.start(sheet, at_ms=OLD_MS)
        store.readings.commit(quarters("room", OLD_MS, 40))
        store.batches.end("a", ended_ms=OLD_MS + DAY, at_ms=OLD_MS)
        store.retention.thin(RetentionPolicy(100, 100), now_ms=NOW_MS)
        assert len(store.readings.read(["room"])) == 40
        store.batches.end("b", ended_ms=OLD_MS + DAY, at_ms=OLD_MS)
        store.retention.thin(RetentionPolicy(100, 101), now_ms=NOW_MS)
        assert len(kept(store, "room")) == 10

    def test_hand_samples_are_never_touched(self, store):
        """Two samples of one hour stay two."""
        sheet = Sheet("a", "A", OLD_MS)
        store.batches.start(sheet, at_ms=OLD_MS)
        for minute in (1, 2):
            at = OLD_MS + minute
            store.readings.record_sample(
                "a", Reading(sheet.hand_sensor, Quantity.SAMPLE_GRAVITY, at, 1.04, at)
            )
        store.batches.end("a", ended_ms=OLD_MS + DAY, at_ms=OLD_MS)
        store.retention.thin(RetentionPolicy(1, 1), now_ms=NOW_MS)
        assert len(store.readings.read([sheet.hand_sensor])) == 2


class TestStretches:
    """Stretches of arrival that became old."""

    @pytest.mark.parametrize(
        ("held", "policy", "wanted"),
        [
            ([], LOOSE, [(0, 900 * DAY)]),
            ([Span(50 * DAY, 60 * DAY, 60 * DAY)], LOOSE, [(0, 50 * DAY), (60 * DAY, 900 * DAY)]),
            ([Span(50 * DAY, 60 * DAY, 60 * DAY)], ENDED, [(50 * DAY, 60 * DAY)]),
            ([Span(50 * DAY, EVER, None)], ENDED, []),
            ([Span(950 * DAY, 960 * DAY, 960 * DAY)], ENDED, []),
            (
                [Span(50 * DAY, 60 * DAY, 60 * DAY), Span(55 * DAY, EVER, None)],
                RetentionPolicy(100, 100),
                [(0, 55 * DAY)],
            ),
        ],
    )
    def test_a_first_run_takes_all_that_is_old(self, held, policy, wanted):
        """Between batches by arrival, in batches by their end, never where an open one holds."""
        assert stretches(held, policy, 100 * DAY if policy.keep_raw_days else 0, NOW_MS) == wanted

    def test_a_later_run_takes_what_became_old_since(self):
        """Not the whole past every day."""
        held = [Span(50 * DAY, 60 * DAY, 60 * DAY), Span(870 * DAY, 895 * DAY, 895 * DAY)]
        policy = RetentionPolicy(100, 100)
        assert stretches(held, policy, NOW_MS - 6 * DAY, NOW_MS) == [
            (870 * DAY, 900 * DAY),
        ]
