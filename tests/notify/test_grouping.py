"""Several alerts of one kind at once are one notice; what is urgent waits for nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import time
from zoneinfo import ZoneInfo

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import DeliveryError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.grouping import MOST_IN_ONE
from monitor.notify.notice import LONGEST_BODY, Notice
from monitor.notify.post import Backoff, CourierPolicy, Post
from monitor.notify.routing import QuietHours, Route
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE

HOLD_MS = 2 * MS_PER_MINUTE
POLICY = CourierPolicy(backoff=Backoff(first_ms=10_000, least_ms=10_000), group_ms=HOLD_MS)
NAMES = ("Porch", "Shed", "Loft")
COLD = AlertKind.TEMPERATURE_LOW
NIGHT = QuietHours(time(22), time(7), ZoneInfo("UTC"))


@dataclass
class Box:
    """A channel that collects, that may refuse whatever has a picture, or everything."""

    name: str = "mail"
    carries_pictures: bool = True
    hates_pictures: bool = False
    down: int = 0
    got: list[Notice] = field(default_factory=list)

    def send(self, notice: Notice) -> None:
        """Take it or refuse it."""
        if self.down or (self.hates_pictures and notice.pictures):
            self.down = max(0, self.down - 1)
            raise DeliveryError("no", retry=True)
        self.got.append(notice)


class Cellar:
    """Three batches and a channel, on a clock that is set by hand."""

    def __init__(self, store: SqlStore, **options: object) -> None:
        self.store = store
        self.now_ms = 30 * MS_PER_HOUR  # six in the morning of the second day
        self.box = Box()
        self.post = Post(
            store,
            self.box,
            now_ms=lambda: self.now_ms,
            share=lambda: 1.0,
            policy=POLICY,
            **options,  # type: ignore[arg-type]
        )

    def fire(
        self, name: str, kind: AlertKind = COLD, severity: Severity = Severity.ACT, subject: str = ""
    ) -> AlertChange:
        """An alert of a batch begins now."""
        change = AlertChange(
            self.now_ms, kind, AlertState.FIRING, self.now_ms, severity, f"{name} says why.", subject
        )
        self.store.alerts.record(name.lower(), change, channels=("mail",), now_ms=self.now_ms)
        return change

    def end(self, name: str, begun: AlertChange) -> None:
        """It is over now."""
        change = AlertChange(
            self.now_ms, begun.kind, AlertState.RESOLVED, begun.fired_ms, begun.severity, "Warm again."
        )
        self.store.alerts.record(name.lower(), change, channels=("mail",), now_ms=self.now_ms)

    def later(self, by_ms: int) -> list[str]:
        """Time passes and the channel works; the titles of all that arrived."""
        self.now_ms += by_ms
        self.post.deliver()
        return [one.title for one in self.box.got]


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with the three batches."""
    with SqlStore(StoreOptions("sqlite://")) as opened:
        for name in NAMES:
            opened.batches.start(Sheet(name.lower(), name, 0), at_ms=0)
        yield opened


class TestGroups:
    """The night turned cold."""

    def test_a_cold_night_is_one_notice(self, store: SqlStore) -> None:
        """Three alerts within a minute: one notice that lists each with its reason and its number."""
        cellar = Cellar(store)
        for name in NAMES:
            cellar.fire(name)
            assert cellar.later(20_000) == []
        assert cellar.later(HOLD_MS) == ["3 batches are too cold"]
        (notice,) = cellar.box.got
        for number, name in enumerate(NAMES, 1):
            assert f"* {name} is too cold\n{name} says why." in notice.body
            assert f"carboyd acknowledge {number}" in notice.body
        assert notice.severity is Severity.ACT
        assert [one.turn for one in store.outbox.waiting()] == [1, 1, 1]  # each has its own reminder

    def test_a_single_one_waits_and_is_told_as_ever(self, store: SqlStore) -> None:
        """Not before the wait is over; and it looks again no later than then."""
        cellar = Cellar(store)
        cellar.fire("Porch")
        assert cellar.later(0) == []
        due_ms = cellar.post.next_due_ms()
        assert due_ms is not None
        assert cellar.now_ms < due_ms <= cellar.now_ms + HOLD_MS
        assert cellar.later(HOLD_MS - 1) == []
        assert cellar.later(1) == ["Porch is too cold"]

    def test_a_danger_and_a_finish_wait_for_nothing(self, store: SqlStore) -> None:
        """A danger goes out first, by itself, while others are being gathered."""
        cellar = Cellar(store)
        cellar.fire("Porch")
        cellar.fire("Shed", AlertKind.FINISHED)
        cellar.fire("Loft", AlertKind.REFERMENTING, Severity.DANGER)
        assert cellar.later(0) == ["DANGER: Loft ferments again", "Shed has finished"]
        assert cellar.later(HOLD_MS)[2:] == ["Porch is too cold"]

    def test_kinds_are_not_mixed(self, store: SqlStore) -> None:
        """Cold batches in one notice, silent sensors in another."""
        cellar = Cellar(store)
        for name in NAMES[:2]:
            cellar.fire(name)
            cellar.fire(name, AlertKind.SENSOR_SILENT, subject=f"float-{name.lower()}")
        assert sorted(cellar.later(HOLD_MS)) == [
            "2 batches are too cold",
            "2 sensors are not heard any more",
        ]

    def test_the_end_is_told_together_too(self, store: SqlStore) -> None:
        """Warm again at once: one notice, to who was told."""
        cellar = Cellar(store)
        begun = {name: cellar.fire(name) for name in NAMES[:2]}
        cellar.later(HOLD_MS)
        for name, change in begun.items():
            cellar.end(name, change)
        assert cellar.later(HOLD_MS)[1:] == ["2 batches do not count as too cold any more"]

    def test_what_is_over_before_it_was_told_is_left_out(self, store: SqlStore) -> None:
        """One of two warmed up within the wait: the notice is of the other."""
        cellar = Cellar(store)
        short = cellar.fire("Porch")
        cellar.fire("Shed")
        cellar.now_ms += 1
        cellar.end("Porch", short)
        assert cellar.later(HOLD_MS) == ["Shed is too cold"]

    def test_a_group_that_was_refused_comes_again_as_a_group(self, store: SqlStore) -> None:
        """After a failure nothing waits to be gathered again, and nobody is told twice."""
        cellar = Cellar(store)
        cellar.box.down = 1
        for name in NAMES:
            cellar.fire(name)
        assert cellar.later(HOLD_MS) == []
        assert cellar.later(10_000) == ["3 batches are too cold"]
        assert cellar.later(HOLD_MS) == ["3 batches are too cold"]

    def test_a_great_many_fit(self, store: SqlStore) -> None:
        """A crowd is told in notices of a bounded length, each one named once."""
        cellar = Cellar(store)
        names = [f"Jar{number}" for number in range(MOST_IN_ONE + 3)]
        for name in names:
            store.batches.start(Sheet(name.lower(), name, 0), at_ms=0)
            cellar.fire(name)
        assert cellar.later(HOLD_MS) == [f"{MOST_IN_ONE} batches are too cold", "3 batches are too cold"]
        words = "\n".join(one.body for one in cellar.box.got)
        assert all(words.count(f"* {name} is") == 1 for name in names)
        assert all(len(one.body) <= LONGEST_BODY for one in cellar.box.got)


class TestAfterQuietHours:
    """What came and went in the night."""

    @pytest.fixture
    def night(self, store: SqlStore) -> Cellar:
        """A channel with quiet hours until seven, at six in the morning."""
        return Cellar(store, route=Route(quiet=NIGHT))

    def test_what_is_over_by_morning_is_told_as_over(self, night: Cellar) -> None:
        """From when to when, what it was, that it is over; no reminder, and no second notice of its end."""
        begun = night.fire("Porch")
        night.later(10 * MS_PER_MINUTE)
        night.end("Porch", begun)
        assert night.later(10 * MS_PER_MINUTE) == []
        assert night.later(40 * MS_PER_MINUTE + HOLD_MS) == ["Porch was too cold for a while"]
        body = night.box.got[0].body
        assert "It is over now. It was so from Fri 1970-01-02 06:00 UTC to Fri 1970-01-02 06:10 UTC" in body
        assert "Then: Porch says why." in body
        assert "Now: Warm again." in body
        assert "acknowledge" not in body
        assert night.later(48 * MS_PER_HOUR) == ["Porch was too cold for a while"]

    def test_what_still_holds_is_told_as_ever(self, night: Cellar) -> None:
        """It begins to be told in the morning, and its end is told later."""
        begun = night.fire("Porch")
        assert night.later(MS_PER_HOUR + HOLD_MS) == ["Porch is too cold"]
        night.end("Porch", begun)
        assert night.later(HOLD_MS)[1:] == ["Porch does not count as too cold any more"]

    def test_a_note_that_is_over_is_dropped(self, night: Cellar, store: SqlStore) -> None:
        """Nobody wants to hear in the morning that nutrient was due and is not."""
        begun = night.fire("Porch", AlertKind.NUTRIENT_DUE, Severity.NOTE)
        night.now_ms += 1
        night.end("Porch", begun)
        assert night.later(2 * MS_PER_HOUR) == []
        assert store.outbox.waiting() == []

    def test_what_was_seen_is_dropped(self, night: Cellar, store: SqlStore) -> None:
        """Somebody looked in the night: it need not be told, over or not."""
        begun = night.fire("Porch")
        night.fire("Shed")
        for alert in store.alerts.listed():
            store.alerts.acknowledge(alert.id, at_ms=night.now_ms)
        night.end("Porch", begun)
        assert night.later(2 * MS_PER_HOUR) == []
        assert store.outbox.waiting() == []

    def test_a_silence_stays_silent(self, night: Cellar, store: SqlStore) -> None:
        """Who hushed it does not hear that it is over either."""
        store.alerts.silence(
            from_ms=night.now_ms, until_ms=night.now_ms + 3 * MS_PER_HOUR, batch="porch", kind=COLD
        )
        begun = night.fire("Porch")
        night.end("Porch", begun)
        assert night.later(2 * MS_PER_HOUR) == []

    def test_an_outage_by_day_is_not_quiet_hours(self, night: Cellar, store: SqlStore) -> None:
        """What came and went while the channel was down by day is told neither way, as ever."""
        night.now_ms += 6 * MS_PER_HOUR
        night.box.down = 1
        begun = night.fire("Porch")
        assert night.later(HOLD_MS) == []
        night.end("Porch", begun)
        assert night.later(MS_PER_HOUR) == []
        assert store.outbox.waiting() == []


class TestPictures:
    """The curve of the batch."""

    def test_it_goes_with_the_notice(self, store: SqlStore) -> None:
        """One picture a batch, named after it; none for a batch that has none."""
        cellar = Cellar(store, picture=lambda slug: None if slug == "shed" else b"png of " + slug.encode())
        for name in NAMES:
            cellar.fire(name)
        cellar.later(HOLD_MS)
        assert [(one.name, one.png) for one in cellar.box.got[0].pictures] == [
            ("porch.png", b"png of porch"),
            ("loft.png", b"png of loft"),
        ]

    def test_a_channel_without_pictures_has_none_drawn(self, store: SqlStore) -> None:
        """Nothing is drawn for nobody."""
        drawn: list[str] = []
        cellar = Cellar(store, picture=lambda slug: drawn.append(slug))
        cellar.box.carries_pictures = False
        cellar.fire("Porch")
        assert cellar.later(HOLD_MS) == ["Porch is too cold"]
        assert drawn == []

    def test_a_drawing_that_fails_loses_no_notice(
        self, store: SqlStore, caplog: pytest.LogCaptureFixture
    ) -> None:
        """Whatever goes wrong in it is logged, and the words go out at once."""

        def draw(_slug: str) -> bytes:
            raise ZeroDivisionError("a fault of ours")

        cellar = Cellar(store, picture=draw)
        cellar.fire("Porch")
        assert cellar.later(HOLD_MS) == ["Porch is too cold"]
        assert "could not be drawn" in caplog.text

    def test_a_service_that_refuses_pictures_gets_the_words(self, store: SqlStore) -> None:
        """Refused with its picture, the next try goes without."""
        cellar = Cellar(store, picture=lambda _slug: b"png")
        cellar.box.hates_pictures = True
        cellar.fire("Porch")
        assert cellar.later(HOLD_MS) == []
        assert cellar.later(10_000) == ["Porch is too cold"]
        assert cellar.box.got[0].pictures == ()
