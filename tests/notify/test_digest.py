"""The daily digest: when, what it says, and that each channel gets each one once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar.shown import UnitSystem
from monitor.errors import DeliveryError
from monitor.ferment.emission import Severity
from monitor.notify.digest import DailyAt, Turn, digest_notice, turn_of
from monitor.notify.notice import Notice
from monitor.notify.post import CourierPolicy, Digest, Post
from monitor.notify.routing import QuietHours, Route
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE

BERLIN = ZoneInfo("Europe/Berlin")
EIGHT = DailyAt(time(8), BERLIN)


def ms(text: str) -> int:
    """An instant in milliseconds."""
    return round(datetime.fromisoformat(text).timestamp() * 1000)


class TestDailyAt:
    """A moment of every day."""

    # the European Union changes its clocks at 01:00 UTC on the last Sundays of March and October
    # (Directive 2000/84/EC)
    @pytest.mark.parametrize(
        ("now", "last", "following"),
        [
            ("2026-01-10T07:59:59+01:00", "2026-01-09T08:00:00+01:00", "2026-01-10T08:00:00+01:00"),
            ("2026-01-10T08:00:00+01:00", "2026-01-10T08:00:00+01:00", "2026-01-11T08:00:00+01:00"),
            ("2026-03-28T20:00:00+01:00", "2026-03-28T08:00:00+01:00", "2026-03-29T08:00:00+02:00"),
            ("2026-10-24T20:00:00+02:00", "2026-10-24T08:00:00+02:00", "2026-10-25T08:00:00+01:00"),
        ],
    )
    def test_it_follows_the_clock_on_the_wall(self, now: str, last: str, following: str) -> None:
        """Eight o'clock is eight o'clock, in winter and in summer."""
        assert (EIGHT.last_ms(ms(now)), EIGHT.next_ms(ms(now))) == (ms(last), ms(following))

    @pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe"])
    @given(hour=st.integers(0, 23), minute=st.integers(0, 59), day=st.integers(0, 364))
    def test_each_local_day_has_exactly_one(self, zone: str, hour: int, minute: int, day: int) -> None:
        """Also an hour that the clock leaves out or shows twice: one a date, 23 to 25 hours apart."""
        daily = DailyAt(time(hour, minute), ZoneInfo(zone))
        now_ms = round(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000) + day * MS_PER_DAY
        one = daily.next_ms(now_ms)
        two = daily.next_ms(one)
        assert daily.last_ms(one) == one
        assert daily.last_ms(two - 1) == one
        assert 23 * MS_PER_HOUR <= two - one <= 25 * MS_PER_HOUR
        dates = [datetime.fromtimestamp(at / 1000, ZoneInfo(zone)).date() for at in (one, two)]
        assert dates[1] - dates[0] == timedelta(days=1)


def test_the_first_one_and_a_very_late_one_are_left_out() -> None:
    """A channel that is new begins with the next; after six hours of absence it is no news any more."""
    eight = ms("2026-01-10T08:00:00+01:00")
    assert turn_of(EIGHT, 0, eight) is Turn.SKIP
    assert turn_of(EIGHT, eight - MS_PER_DAY, eight) is Turn.NOW
    assert turn_of(EIGHT, eight - MS_PER_DAY, eight + 6 * MS_PER_HOUR) is Turn.NOW
    assert turn_of(EIGHT, eight - MS_PER_DAY, eight + 6 * MS_PER_HOUR + 1) is Turn.SKIP
    assert turn_of(EIGHT, eight, eight + MS_PER_HOUR) is Turn.SAID


def standing(**changes: object) -> dict[str, object]:
    """Where a batch stands, as the store keeps it."""
    usual = {
        "phase": "active",
        "gravity_sg": 1.0312,
        "fall_points_per_day": 4.26,
        "alcohol_abv": 1.62,
        "temperature_c": 0.0,
        "finish_at": {"p05": "2026-01-14T23:30:00Z", "p50": None, "p95": "2026-01-17T10:00:00Z"},
        "alerts": [],
    }
    return {**usual, **changes}


class TestWords:
    """What it says."""

    def test_all_batches_those_first_that_need_the_maker(self) -> None:
        """Phase, numbers, expected end in local dates, open alerts; zero degrees is a temperature."""
        cold = standing(phase="stalled", alerts=[{"alert": "temperature_low"}], alcohol_abv=None)
        notice = digest_notice(
            {"a": "Plum", "b": "Quince", "c": "New one"},
            {"a": standing(), "b": cold},
            zone=BERLIN,
            now_ms=ms("2026-01-10T08:00:00+01:00"),
        )
        assert notice.title == "Saturday 10 January: 3 open batches, 1 needs you"
        assert notice.body.split("\n\n") == [
            "Quince: has stalled, at 1.031, falling 4.3 points a day, 0.0 °C. Open: temperature low.",
            # 23:30 UTC on the 14th is the 15th in Berlin
            "Plum: is fermenting, at 1.031, falling 4.3 points a day, 1.6 % alcohol, 0.0 °C,"
            " should end 15 Jan to 17 Jan.",
            "New one: nothing was heard of it yet.",
        ]
        assert notice.severity is Severity.NOTE

    def test_in_us_units(self) -> None:
        """0 degC are 32 degF."""
        notice = digest_notice({"a": "Plum"}, {"a": standing()}, zone=UTC, now_ms=0, units=UnitSystem.US)
        assert "32.0 °F" in notice.body
        assert notice.title.endswith("1 open batch, nothing needs you")


class Letterbox:
    """A channel that collects, or refuses."""

    name = "mail"

    def __init__(self) -> None:
        self.got: list[Notice] = []
        self.up = True

    def send(self, notice: Notice) -> None:
        """Take it or refuse it."""
        if not self.up:
            raise DeliveryError("down", retry=True)
        self.got.append(notice)


class Morning:
    """A channel with a digest, on a clock that is set by hand; may be started again on the same store."""

    def __init__(self, store: SqlStore, route: Route | None = None) -> None:
        self.box = Letterbox()
        self.now_ms = ms("2026-03-27T12:00:00+01:00")
        self._store = store
        self._route = route
        self.restart()

    def restart(self) -> None:
        """Another process: it knows what the store knows."""
        self.post = Post(
            self._store,
            self.box,  # type: ignore[arg-type]
            now_ms=lambda: self.now_ms,
            share=lambda: 1.0,
            policy=CourierPolicy(),
            route=self._route,
            digest=Digest(EIGHT, lambda batches: Notice(",".join(sorted(batches)), "b", Severity.NOTE)),
        )

    def at(self, text: str) -> int:
        """Let the channel do its work at a time; how many digests there were by then."""
        self.now_ms = ms(text)
        self.post.deliver()
        return len(self.box.got)


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """An empty store in memory."""
    with SqlStore(StoreOptions("sqlite://")) as opened:
        yield opened


class TestPost:
    """One channel over days."""

    def test_once_a_day_over_restarts_and_the_change_to_summer_time(self, store: SqlStore) -> None:
        """One a local morning; a restart a minute later sends no second one."""
        channel = Morning(store)
        assert channel.at("2026-03-27T12:00:00+01:00") == 0
        assert channel.post.next_due_ms() == ms("2026-03-28T08:00:00+01:00")
        assert channel.at("2026-03-28T08:00:00+01:00") == 1
        channel.restart()
        assert channel.at("2026-03-28T08:01:00+01:00") == 1
        assert channel.at("2026-03-29T07:59:00+02:00") == 1  # which would be 06:59 in winter time
        assert channel.at("2026-03-29T08:00:00+02:00") == 2
        channel.restart()
        assert channel.at("2026-03-29T20:00:00+02:00") == 2

    def test_a_restart_over_the_hour_sends_it_late(self, store: SqlStore) -> None:
        """The machine was off at eight: it comes at nine; off until the evening, it does not come."""
        channel = Morning(store)
        channel.at("2026-03-27T12:00:00+01:00")
        channel.restart()
        assert channel.at("2026-03-28T09:00:00+01:00") == 1
        channel.restart()
        assert channel.at("2026-03-29T19:00:00+02:00") == 1

    def test_it_is_tried_again_until_it_is_accepted(self, store: SqlStore) -> None:
        """While the channel is down it is in trouble and the digest waits."""
        channel = Morning(store)
        channel.at("2026-03-27T12:00:00+01:00")
        channel.box.up = False
        assert channel.at("2026-03-28T08:00:00+01:00") == 0
        assert channel.post.trouble is not None
        due_ms = channel.post.next_due_ms()
        assert due_ms is not None
        assert channel.now_ms < due_ms <= channel.now_ms + MS_PER_MINUTE
        channel.box.up = True
        assert channel.at("2026-03-28T08:00:01+01:00") == 0
        assert channel.at("2026-03-28T08:05:00+01:00") == 1
        assert channel.post.trouble is None

    def test_by_the_channels_route(self, store: SqlStore) -> None:
        """Quiet hours hold it, and batches limit it."""
        late = QuietHours(time(22), time(9, 30), BERLIN)
        channel = Morning(store, Route(batches=frozenset({"plum"}), quiet=late))
        channel.at("2026-03-27T12:00:00+01:00")
        assert channel.at("2026-03-28T08:00:00+01:00") == 0
        assert channel.post.next_due_ms() == ms("2026-03-28T09:30:00+01:00")
        assert channel.at("2026-03-28T09:30:00+01:00") == 1
        assert channel.box.got[0].title == "plum"

    def test_one_that_falls_into_a_long_night_comes_after_it(self, store: SqlStore) -> None:
        """Quiet from seven to seven: that of eight in the morning waits eleven hours, and comes every day."""
        night = QuietHours(time(7), time(19), BERLIN)
        channel = Morning(store, Route(quiet=night))
        channel.at("2026-03-27T06:00:00+01:00")
        for day, count in ((27, 1), (28, 2)):
            channel.at(f"2026-03-{day}T08:00:00+01:00")
            channel.restart()
            assert channel.at(f"2026-03-{day}T18:59:00+01:00") == count - 1
            assert channel.at(f"2026-03-{day}T19:00:00+01:00") == count
        channel.at("2026-03-29T08:00:00+02:00")
        channel.restart()
        assert channel.at("2026-03-30T01:01:00+02:00") == 2  # the machine was off until long after

    def test_a_channel_that_takes_no_notes_gets_none(self, store: SqlStore) -> None:
        """The digest is a note."""
        pager = Morning(store, Route(severities=frozenset({Severity.DANGER})))
        pager.at("2026-03-27T12:00:00+01:00")
        assert pager.at("2026-03-30T08:00:00+02:00") == 0
