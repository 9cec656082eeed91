"""Batches: the contract of every engine."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, NotFoundError, StoreError
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.premise import Must, MustKind, Yeast
from monitor.store.batches import LEAD_MS
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind, Place
from monitor.units import Quantity


def gravity(received_ms: int, sensor: str = "float-a") -> Reading:
    """A gravity reading."""
    return Reading(sensor, Quantity.GRAVITY, received_ms, 1.04, received_ms)


class TestSheets:
    """Sheets come and go."""

    def test_a_sheet_comes_back_equal(self, store: SqlStore) -> None:
        """Everything on the sheet survives."""
        sheet = Sheet(
            "heather",
            "Heather Änderung",
            5,
            must=Must(MustKind.HONEY, 1.043, 18.2, (0.95, 1.08)),
            yeast=Yeast((14.0, 21.0), 14.0),
            other_sensors=("room",),
            recipe="4 kg honey",
            sample_ph=3.4,
        )
        store.batches.start(sheet, at_ms=6)
        assert store.batches.get("heather") == sheet

    def test_open_batches_are_named_the_youngest_first(self, store: SqlStore, orchard: Sheet) -> None:
        """Of one moment in order of their names; one that has ended is left out."""
        for slug, pitched_ms in (("c", 7), ("b", 7), ("d", 9), ("e", 8)):
            store.batches.start(Sheet(slug, slug.upper(), pitched_ms), at_ms=9)
        assert store.batches.open_slugs() == (orchard.slug, "d", "e", "b", "c")
        store.batches.end("e", ended_ms=10, at_ms=10)
        assert store.batches.open_slugs() == (orchard.slug, "d", "b", "c")
        store.batches.update(replace(store.batches.get("b"), pitched_ms=10), at_ms=10)
        assert store.batches.open_slugs() == (orchard.slug, "b", "d", "c")

    def test_batches_come_in_parts_from_the_youngest(self, store: SqlStore) -> None:
        """Each once, those of one moment by name, whatever is started or ended between the parts."""
        for slug, pitched_ms in (("c", 7), ("b", 7), ("d", 9), ("e", 8), ("a", 7)):
            store.batches.start(Sheet(slug, slug.upper(), pitched_ms), at_ms=9)
        first = store.batches.from_youngest(3, only_open=True)
        assert [one.slug for one in first] == ["d", "e", "a"]
        store.batches.start(Sheet("f", "F", 9), at_ms=9)
        store.batches.end("d", ended_ms=10, at_ms=10)
        place = Place(first[-1].pitched_ms, first[-1].slug)
        assert [one.slug for one in store.batches.from_youngest(3, after=place, only_open=True)] == ["b", "c"]
        # where the batch that names the place has ended, the place is still one
        store.batches.end("b", ended_ms=10, at_ms=10)
        behind = store.batches.from_youngest(1, after=Place(7, "b"), only_open=True)
        assert [one.slug for one in behind] == ["c"]
        every = store.batches.from_youngest(9, only_open=False)
        assert [one.slug for one in every] == ["d", "f", "e", "a", "b", "c"]

    def test_those_that_have_ended_come_first_among_the_records(self, store: SqlStore) -> None:
        """Then the open ones, each kind the youngest first; any part of them can be had."""
        for slug, pitched_ms in (("a", 1), ("b", 2), ("c", 3), ("d", 3)):
            store.batches.start(Sheet(slug, slug.upper(), pitched_ms), at_ms=9)
        assert store.batches.ended_count() == 0
        for slug in ("a", "c"):
            store.batches.end(slug, ended_ms=10, at_ms=10)
        assert store.batches.ended_count() == 2
        assert [one.slug for one in store.batches.past_first(9, skipping=0)] == ["c", "a", "d", "b"]
        assert [one.slug for one in store.batches.past_first(2, skipping=1)] == ["a", "d"]

    def test_what_another_process_opened_is_among_the_open_batches(self, url: str, store: SqlStore) -> None:
        """Names that are remembered are those of the store, whoever changed it."""
        assert store.batches.open_slugs() == ()
        with SqlStore(StoreOptions(url)) as other:
            other.batches.start(Sheet("c", "C", 7), at_ms=9)
            assert store.batches.open_slugs() == ("c",)
            other.batches.end("c", ended_ms=10, at_ms=10)
        assert store.batches.open_slugs() == ()

    def test_sheets_and_journals_of_some_batches(self, store: SqlStore, orchard: Sheet) -> None:
        """Sheets in the order asked for without those that are not there; each journal as it is alone."""
        second = Sheet("second", "Second", 9)
        store.batches.start(second, at_ms=9)
        for at_ms, note in ((20, "second"), (10, "first")):
            store.batches.write_down("second", JournalEntry(JournalKind.RACKED, 5, at_ms, note))
        assert store.batches.named(["second", "none", orchard.slug]) == [second, orchard]
        assert store.batches.named([]) == []
        assert store.batches.journals(["second", orchard.slug]) == {
            "second": store.batches.journal("second"),
            orchard.slug: [],
        }

    def test_a_slug_is_taken_for_ever(self, store: SqlStore, orchard: Sheet) -> None:
        """A second batch of the same short name is refused even after the first has ended."""
        store.batches.end(orchard.slug, ended_ms=orchard.pitched_ms + 1, at_ms=2)
        with pytest.raises(InputError, match="'orchard-session' already"):
            store.batches.start(replace(orchard, gravity_sensor="float-b"), at_ms=3)

    def test_a_missing_batch_is_named_with_those_there_are(self, store: SqlStore, orchard: Sheet) -> None:
        """The hint helps against a typing error."""
        with pytest.raises(NotFoundError, match="'orchid'") as caught:
            store.batches.get("orchid")
        assert "orchard-session" in caught.value.hint

    @pytest.mark.parametrize("role", ["gravity_sensor", "temperature_sensor"])
    def test_a_sensor_has_one_open_batch_for_a_role(self, store: SqlStore, orchard: Sheet, role: str) -> None:
        """A sensor believed for the same thing in an open batch is refused, and nothing is kept."""
        taken = {"gravity_sensor": "float-a", "temperature_sensor": "probe-1"}[role]
        with pytest.raises(InputError, match=f"{taken}.*'orchard-session'"):
            store.batches.start(Sheet("second", "Second", 9, **{role: taken}), at_ms=9)
        assert [one.slug for one in store.batches.listed()] == ["orchard-session"]

    def test_another_role_or_an_ended_batch_does_not_stand_in_the_way(
        self, store: SqlStore, orchard: Sheet
    ) -> None:
        """One sensor may serve two batches in different roles, and a new one after the first has ended."""
        second = Sheet("second", "Second", 9, temperature_sensor="float-a", other_sensors=("room", "probe-1"))
        store.batches.start(second, at_ms=9)
        store.batches.end(orchard.slug, ended_ms=orchard.pitched_ms + 1, at_ms=2)
        store.batches.start(replace(orchard, slug="third"), at_ms=3)
        assert [one.slug for one in store.batches.listed(only_open=True)] == ["second", "third"]
        assert store.batches.owners() == {
            "float-a": ("second", "third"),
            "probe-1": ("second", "third"),
            "room": ("second",),
        }

    def test_an_update_moves_the_sensors(self, store: SqlStore, orchard: Sheet) -> None:
        """After a float is exchanged the old one is free and the new one is tied."""
        store.batches.update(replace(orchard, gravity_sensor="float-b"), at_ms=3)
        assert store.batches.owners() == {"float-b": ("orchard-session",), "probe-1": ("orchard-session",)}
        assert store.batches.owners(["probe-1", "none"]) == {"probe-1": ("orchard-session",)}
        assert store.batches.owners([]) == {}
        store.batches.start(Sheet("second", "Second", 9, gravity_sensor="float-a"), at_ms=9)
        with pytest.raises(InputError):
            store.batches.update(orchard, at_ms=4)

    def test_changes_at_once_come_one_after_the_other(
        self, url: str, store: SqlStore, orchard: Sheet
    ) -> None:
        """What another process changes while a sheet is rewritten comes after it, and neither is lost."""
        with SqlStore(StoreOptions(url)) as other, ThreadPoolExecutor(1) as pool:
            ends = []

            def renamed(sheet: Sheet) -> Sheet:
                end = pool.submit(other.batches.end, sheet.slug, ended_ms=1_000_000_001, at_ms=3)
                with pytest.raises(TimeoutError):
                    end.result(0.3)
                ends.append(end)
                return replace(sheet, name="Orchard")

            changed = store.batches.change(orchard.slug, renamed, at_ms=2)
            assert changed == replace(orchard, name="Orchard")
            assert (
                ends[0].result()
                == replace(changed, ended_ms=1_000_000_001)
                == other.batches.get(orchard.slug)
            )

    def test_a_change_that_fails_leaves_the_sheet(self, store: SqlStore, orchard: Sheet) -> None:
        """An error on the way comes out as it was raised, and a taken sensor is refused as ever."""
        store.batches.start(Sheet("second", "Second", 9, gravity_sensor="float-b"), at_ms=9)

        def refused(_: Sheet) -> Sheet:
            raise InputError("no")

        with pytest.raises(InputError, match="no"):
            store.batches.change(orchard.slug, refused, at_ms=2)
        with pytest.raises(InputError, match="'second'"):
            store.batches.change(orchard.slug, lambda one: replace(one, gravity_sensor="float-b"), at_ms=2)
        assert store.batches.get(orchard.slug) == orchard

    def test_an_unknown_batch_cannot_be_changed(self, store: SqlStore) -> None:
        """Update, end, change and journal of no batch are NotFoundError."""
        with pytest.raises(NotFoundError):
            store.batches.update(Sheet("none", "None", 0), at_ms=1)
        with pytest.raises(NotFoundError):
            store.batches.end("none", ended_ms=1, at_ms=1)
        with pytest.raises(NotFoundError):
            store.batches.change("none", lambda sheet: sheet, at_ms=1)
        with pytest.raises(NotFoundError):
            store.batches.write_down("none", JournalEntry(JournalKind.NOTE, 0, 0))
        with pytest.raises(NotFoundError):
            store.batches.journal("none")

    def test_text_that_is_no_unicode_is_our_error(self, store: SqlStore, orchard: Sheet) -> None:
        """Half a surrogate pair in a note raises a StoreError, whatever the driver calls it."""
        with pytest.raises(StoreError):
            store.batches.write_down(orchard.slug, JournalEntry(JournalKind.NOTE, 0, 0, "\ud800"))


class TestEvents:
    """What a pipeline is rebuilt from."""

    def test_readings_and_journal_in_order_of_arrival(self, store: SqlStore, orchard: Sheet) -> None:
        """Late readings, hand samples and entries stand where they became known."""
        start = orchard.pitched_ms
        late = Reading("float-a", Quantity.GRAVITY, start + 1, 1.05, start + 40)
        sample = Reading(orchard.hand_sensor, Quantity.SAMPLE_GRAVITY, start + 35, 1.04, start + 36)
        fed = JournalEntry(JournalKind.NUTRIENT, start + 5, start + 30, "10 g")
        racked = JournalEntry(JournalKind.RACKED, start + 90, start + 90)
        store.batches.write_down(orchard.slug, racked)
        store.batches.write_down(orchard.slug, fed)
        store.readings.commit([gravity(start + 10), gravity(start + 30), gravity(start + 5, "stranger")])
        store.readings.record_sample(orchard.slug, sample)
        store.readings.commit([late, gravity(start + 50)])
        assert list(store.batches.events(orchard.slug)) == [
            gravity(start + 10),
            fed,
            gravity(start + 30),
            sample,
            late,
            gravity(start + 50),
            racked,
        ]

    def test_from_a_day_before_the_pitch_until_the_end(self, store: SqlStore, orchard: Sheet) -> None:
        """What arrived long before the pitch or after the end belongs to another batch."""
        start = orchard.pitched_ms
        times = [start - LEAD_MS - 1, start - LEAD_MS, start, start + 100, start + 101]
        store.readings.commit([gravity(t) for t in times])
        assert [one.at_ms for one in store.batches.events(orchard.slug)] == times[1:]
        store.batches.end(orchard.slug, ended_ms=start + 100, at_ms=start + 102)
        assert [one.at_ms for one in store.batches.events(orchard.slug)] == times[1:4]
        assert store.batches.readings(orchard.slug).received_ms.tolist() == times[1:4]

    def test_a_batch_without_readings_has_its_journal(self, store: SqlStore, orchard: Sheet) -> None:
        """Entries alone are events too, two of one moment in the order of entry."""
        entries = [JournalEntry(JournalKind.NOTE, 5, 5, "one"), JournalEntry(JournalKind.NOTE, 5, 5, "two")]
        for one in entries:
            store.batches.write_down(orchard.slug, one)
        assert list(store.batches.events(orchard.slug)) == entries

    def test_the_caller_may_write_while_going_through_them(self, store: SqlStore, orchard: Sheet) -> None:
        """No cursor is open: each event may be answered with a write."""
        start = orchard.pitched_ms
        store.readings.commit([gravity(start + t) for t in range(3)])
        for one in store.batches.events(orchard.slug):
            store.readings.commit([gravity(one.at_ms, "echo")])
        assert len(store.readings.read(["echo"])) == 3


def test_each_change_is_noticed(store: SqlStore, orchard: Sheet) -> None:
    """Start, update, journal and end each leave a change with the slug."""
    store.batches.update(replace(orchard, recipe="x"), at_ms=2)
    store.batches.write_down(orchard.slug, JournalEntry(JournalKind.NOTE, 0, 3))
    store.batches.end(orchard.slug, ended_ms=orchard.pitched_ms, at_ms=4)
    kinds = [(one.kind, one.subject) for one in store.changes.since(0)]
    assert kinds == [
        (ChangeKind.BATCH, orchard.slug),
        (ChangeKind.BATCH, orchard.slug),
        (ChangeKind.JOURNAL, orchard.slug),
        (ChangeKind.BATCH, orchard.slug),
    ]
