"""What a notice is made of besides its own words: a link, units, the picture of a curve, the digest."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from monitor.batch.journal import entry
from monitor.batch.sheet import Sheet
from monitor.cellar.shown import UnitSystem
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.ferment.event import JournalKind, Reading
from monitor.ferment.pipeline import Pipeline, Snapshot
from monitor.notices import PICTURE_PX, Teller
from monitor.notify.notice import LONGEST_BODY, Notice, Reason
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity

SHEET = Sheet("orchard-session", "Orchard session", 0, gravity_sensor="float-a", temperature_sensor="float-a")


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with one open batch."""
    with SqlStore(StoreOptions("sqlite://")) as opened:
        opened.batches.start(SHEET, at_ms=0)
        yield opened


def teller(store: SqlStore, snapshots: dict[str, Snapshot] | None = None, **options: object) -> Teller:
    """One that knows these snapshots, an hour after pitching."""
    return Teller(store, lambda: snapshots or {}, lambda _slug: (), lambda: MS_PER_HOUR, **options)  # type: ignore[arg-type]


def told(store: SqlStore, one: Teller, message: str = "It stands.") -> Notice:
    """The notice of an alert with this message."""
    change = AlertChange(1_000, AlertKind.STALLED, AlertState.FIRING, 1_000, Severity.ACT, message)
    store.alerts.record(SHEET.slug, change, channels=("mail",), now_ms=1_000)
    (delivery,) = store.outbox.due(1_000, channel="mail", limit=1)
    return one.compose(delivery, SHEET, Reason.FIRST)


def test_a_reminder_tells_what_is_so_by_now(store: SqlStore) -> None:
    """The first notice has the figures it fired with, a reminder those of the last look."""
    change = AlertChange(1_000, AlertKind.STALLED, AlertState.FIRING, 1_000, Severity.ACT, "Fell 1.0 point.")
    now = replace(change, message="Fell 0.2 points.")
    snapshot = replace(Pipeline(SHEET.premise()).snapshot, open_alerts=(now,))
    there = teller(store, {SHEET.slug: snapshot})
    assert "Fell 1.0 point." in told(store, there, change.message).body
    (delivery,) = store.outbox.due(1_000, channel="mail", limit=1)
    assert "Fell 0.2 points." in there.compose(delivery, SHEET, Reason.REPEAT).body
    assert "Fell 1.0 point." in teller(store).compose(delivery, SHEET, Reason.REPEAT).body


def test_a_batch_packaged_meanwhile_is_told_no_doses(store: SqlStore) -> None:
    """A notice that it has finished, sent late, says in place of the plan when it was packaged."""
    snapshot = Pipeline(SHEET.premise()).snapshot
    change = AlertChange(1_000, AlertKind.FINISHED, AlertState.FIRING, 1_000, Severity.ACT, "It has ended.")
    store.alerts.record(SHEET.slug, change, channels=("mail",), now_ms=1_000)
    (delivery,) = store.outbox.due(1_000, channel="mail", limit=1)
    there = teller(store, {SHEET.slug: snapshot})
    assert "No plan could be worked out" in there.compose(delivery, SHEET, Reason.FIRST).body
    store.batches.write_down(SHEET.slug, entry(JournalKind.PACKAGED, done_ms=2_000, at_ms=2_000))
    body = there.compose(delivery, SHEET, Reason.FIRST).body
    assert "Orchard session was packaged on Thursday 1 January 1970: nothing is left to plan" in body
    assert "No plan could be worked out" not in body


@pytest.mark.parametrize("message", ["It stands.", "It stands. " * 600])
@pytest.mark.parametrize("url", ["https://cellar.example", "https://cellar.example/"])
def test_the_link_ends_the_notice(store: SqlStore, url: str, message: str) -> None:
    """The link is whole, however long the words; without an address there is none."""
    body = told(store, teller(store, public_url=url), message).body
    assert body.endswith("\n\nhttps://cellar.example/batches/orchard-session")
    assert len(body) <= LONGEST_BODY
    assert "cellar.example" not in told(store, teller(store), message).body


def test_numbers_and_times_are_those_of_the_cellar(store: SqlStore) -> None:
    """A maker who works in Fahrenheit and in Dublin is told so; 4 degC are 39.2 degF by definition."""
    there = teller(store, units=UnitSystem.US, zone=ZoneInfo("Europe/Dublin"))
    body = told(store, there, "Too cold: 4.0 degC, 2.0 degC colder than at its warmest.").body
    assert "Too cold: 39.2 degF, 3.6 degF colder" in body
    assert "Since Thu 1970-01-01 01:00 IST." in body  # Ireland kept summer time all year then (tz database)


def test_the_curve_comes_as_a_picture_of_its_size(store: SqlStore) -> None:
    """The PNG's own header gives its width and height (RFC 2083, 4.1.1); without readings there is none."""
    one = teller(store)
    assert one.picture(SHEET.slug) is None
    assert one.picture("nobody") is None
    readings = [
        Reading("float-a", Quantity.GRAVITY, n * 600_000, 1.050 - n / 10_000, n * 600_000) for n in range(60)
    ]
    store.readings.commit(readings)
    pipeline = Pipeline(SHEET.premise())
    for reading in readings:
        pipeline.step(reading)
    drawn = teller(store, {SHEET.slug: pipeline.snapshot}).picture(SHEET.slug)
    assert drawn is not None
    assert drawn[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", drawn[16:24]) == PICTURE_PX


def test_the_digest_is_of_open_batches_of_the_channel(store: SqlStore) -> None:
    """A channel of one batch hears of that one; where none is open there is nothing to say."""
    store.batches.start(Sheet("plum", "Plum", 0), at_ms=0)
    one = teller(store, public_url="https://cellar.example")
    both, only = one.digest(frozenset()), one.digest(frozenset({"plum"}))
    assert both is not None
    assert "2 open batches" in both.title
    assert only is not None
    assert "Orchard session" not in only.body
    assert only.body.endswith("https://cellar.example/")
    for slug in ("plum", SHEET.slug):
        store.batches.end(slug, ended_ms=5, at_ms=5)
    assert one.digest(frozenset()) is None
