"""Which notices a channel takes, and when."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.notice import Notice
from monitor.notify.post import CourierPolicy, Post
from monitor.notify.routing import QuietHours, Route, RouteReason, routed
from monitor.settings_sections import NotifySettings
from monitor.store.sql import SqlStore

NIGHT = QuietHours(time(22), time(7), ZoneInfo("Europe/Berlin"))


def ms(text: str) -> int:
    """An instant in milliseconds."""
    return round(datetime.fromisoformat(text).timestamp() * 1000)


class TestQuietHours:
    """Hours by the clock on the wall."""

    @pytest.mark.parametrize(
        ("now", "ends"),
        [
            ("2026-01-10T21:59:59+01:00", None),
            ("2026-01-10T22:00:00+01:00", "2026-01-11T07:00:00+01:00"),
            ("2026-01-11T06:59:59+01:00", "2026-01-11T07:00:00+01:00"),
            ("2026-01-11T07:00:00+01:00", None),
            # the European Union changes its clocks at 01:00 UTC on the last Sundays of March and October
            # (Directive 2000/84/EC)
            ("2026-03-28T23:00:00+01:00", "2026-03-29T07:00:00+02:00"),
            ("2026-10-24T23:00:00+02:00", "2026-10-25T07:00:00+01:00"),
        ],
    )
    def test_they_end_by_the_wall_clock(self, now: str, ends: str | None) -> None:
        """They hold from the first minute up to the last, and follow summer time."""
        assert NIGHT.ends_ms(ms(now)) == (None if ends is None else ms(ends))

    @pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe"])
    @pytest.mark.parametrize(("start", "until"), [(22, 2), (1, 3), (23, 1)])
    def test_the_end_is_always_ahead(self, zone: str, start: int, until: int) -> None:
        """At every quarter of an hour of a year the end of quiet hours lies ahead, within 26 hours."""
        hours = QuietHours(time(start), time(until, 30), ZoneInfo(zone))
        first = round(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000)
        held = 0
        for now in range(first, first + 366 * 86_400_000, 900_000):
            ends = hours.ends_ms(now)
            if ends is not None:
                held += 1
                assert now < ends <= now + 26 * 3_600_000
        assert held > 366 * 4


class TestRouted:
    """The answer for one notice."""

    def test_a_danger_passes_quiet_hours(self) -> None:
        """Quiet hours hold back what can wait, and nothing else."""
        now = ms("2026-01-10T23:00:00+01:00")
        held = routed(Route(quiet=NIGHT), "a", Severity.ACT, now)
        assert (held.reason, held.until_ms) == (RouteReason.QUIET, ms("2026-01-11T07:00:00+01:00"))
        assert routed(Route(quiet=NIGHT), "a", Severity.DANGER, now).reason is RouteReason.OPEN

    def test_limits_hold(self) -> None:
        """A channel takes the severities and batches it names, or all where it names none."""
        route = Route(frozenset({Severity.ACT}), frozenset({"a"}))
        assert routed(route, "a", Severity.ACT, 0).reason is RouteReason.OPEN
        assert routed(route, "a", Severity.DANGER, 0).reason is RouteReason.OTHER_SEVERITY
        assert routed(route, "b", Severity.ACT, 0).reason is RouteReason.OTHER_BATCH
        assert routed(Route(), "b", Severity.NOTE, 0).reason is RouteReason.OPEN


class Letterbox:
    """A channel that collects."""

    name = "mail"

    def __init__(self) -> None:
        self.got: list[Notice] = []

    def send(self, notice: Notice) -> None:
        """Take it."""
        self.got.append(notice)


def test_what_quiet_hours_hold_arrives_when_they_end(store: SqlStore) -> None:
    """A notice of the night waits in the outbox and arrives once in the morning."""
    now = [ms("2026-01-10T23:00:00+01:00")]
    box = Letterbox()
    post = Post(
        store,
        box,
        now_ms=lambda: now[0],
        share=lambda: 1.0,
        policy=CourierPolicy(),
        route=Route(quiet=NIGHT),
    )
    change = AlertChange(now[0], AlertKind.STALLED, AlertState.FIRING, now[0], Severity.ACT, "It stands.")
    store.alerts.record("orchard-session", change, channels=("mail",), now_ms=now[0])
    post.deliver()
    assert box.got == []
    assert post.next_due_ms() == ms("2026-01-11T07:00:00+01:00")
    now[0] = ms("2026-01-11T07:00:00+01:00")
    post.deliver()
    post.deliver()
    assert len(box.got) == 1


def test_settings_become_routes() -> None:
    """The table of a channel becomes its route; quiet hours without a time zone are a fault."""
    channel = {
        "name": "phone",
        "url": "json://localhost",
        "severities": ["danger"],
        "batches": ["a"],
        "quiet": {"from": "22:00", "until": "07:00"},
    }
    made = NotifySettings.model_validate({"channels": [channel], "time_zone": "Europe/Berlin"})
    assert made.routes == {"phone": Route(frozenset({Severity.DANGER}), frozenset({"a"}), NIGHT)}
    with pytest.raises(ValueError, match="need time_zone"):
        NotifySettings.model_validate({"channels": [channel]})
