"""Alerts and silences: the contract of every engine."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, NotFoundError, StoreError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind, Occasion
from monitor.units import MS_PER_DAY

FIRED = AlertChange(50, AlertKind.STALLED, AlertState.FIRING, 50, Severity.ACT, "it stands still")
RESOLVED = replace(FIRED, at_ms=90, state=AlertState.RESOLVED, message="it goes on")


class TestRecord:
    """What the pipeline says."""

    def test_firing_is_news_once(self, store: SqlStore, orchard: Sheet) -> None:
        """Saying the same again, as a rebuilt pipeline does, is no news and makes no second delivery."""
        found = store.alerts.record(orchard.slug, FIRED, channels=["mail", "phone"], now_ms=60)
        assert found is not None
        assert (found.state, found.fired_ms, found.message) == (AlertState.FIRING, 50, "it stands still")
        assert store.alerts.record(orchard.slug, FIRED, channels=["mail", "phone"], now_ms=61) is None
        assert [(one.channel, one.occasion) for one in store.outbox.waiting()] == [
            ("mail", Occasion.FIRING),
            ("phone", Occasion.FIRING),
        ]

    def test_resolving_is_news_once(self, store: SqlStore, orchard: Sheet) -> None:
        """The end is kept with its own words, and told once."""
        store.alerts.record(orchard.slug, FIRED, channels=["mail"], now_ms=60)
        found = store.alerts.record(orchard.slug, RESOLVED, channels=["mail"], now_ms=91)
        assert found is not None
        assert (found.state, found.resolved_ms, found.resolved_message) == (
            AlertState.RESOLVED,
            90,
            "it goes on",
        )
        assert found.message == "it stands still"
        assert store.alerts.record(orchard.slug, RESOLVED, channels=["mail"], now_ms=92) is None
        assert store.alerts.record(orchard.slug, FIRED, channels=["mail"], now_ms=93) is None
        assert [one.occasion for one in store.outbox.waiting()] == [Occasion.FIRING, Occasion.RESOLVED]

    def test_what_was_over_by_mistake_fires_again(self, store: SqlStore, orchard: Sheet) -> None:
        """Who was told that it is over is reminded, seen or not; its end, when it comes, is news again."""
        found = store.alerts.record(orchard.slug, FIRED, channels=["mail", "phone"], now_ms=60)
        assert found is not None
        for one in store.outbox.waiting():
            store.outbox.mark_sent(one, at_ms=61)
        store.alerts.acknowledge(found.id, at_ms=62)
        store.alerts.record(orchard.slug, RESOLVED, channels=["mail", "phone"], now_ms=91)
        (mail, _) = store.outbox.waiting()
        store.outbox.mark_sent(mail, at_ms=92)
        again = store.alerts.record(orchard.slug, FIRED, channels=["mail", "phone"], now_ms=95, again=True)
        assert again == replace(found, acknowledged_ms=None)
        due = [(one.channel, one.occasion, one.turn, one.due_ms) for one in store.outbox.waiting()]
        assert due == [(name, Occasion.REMINDER, 1, 95) for name in ("mail", "phone")]
        assert store.alerts.record(orchard.slug, FIRED, channels=["mail"], now_ms=96, again=True) is None
        over = store.alerts.record(orchard.slug, RESOLVED, channels=["mail", "phone"], now_ms=97)
        assert over is not None
        assert [one.occasion for one in store.outbox.waiting()][2:] == [Occasion.RESOLVED] * 2

    def test_an_end_that_nobody_was_told_of_is_taken_back_in_silence(
        self, store: SqlStore, orchard: Sheet
    ) -> None:
        """It was seen, and stays seen; a notice that still waits goes on waiting, and is the only one."""
        found = store.alerts.record(orchard.slug, FIRED, channels=["mail"], now_ms=60)
        assert found is not None
        store.alerts.record(orchard.slug, RESOLVED, channels=["mail"], now_ms=91)
        assert store.alerts.record(orchard.slug, FIRED, channels=["mail"], now_ms=92, again=True) == found
        assert [one.occasion for one in store.outbox.waiting()] == [Occasion.FIRING]
        seen = store.alerts.acknowledge(found.id, at_ms=93)
        store.outbox.drop(store.outbox.waiting()[0].id, why="seen", at_ms=94)
        store.alerts.withdraw(found.id, at_ms=95, why="judged anew")
        assert store.alerts.record(orchard.slug, FIRED, channels=["mail"], now_ms=96, again=True) == seen
        assert store.outbox.waiting() == []

    def test_what_is_heard_of_only_when_over_is_told_nobody(self, store: SqlStore, orchard: Sheet) -> None:
        """An alert whose beginning was never kept is kept as resolved, without a notice."""
        found = store.alerts.record(orchard.slug, RESOLVED, channels=["mail"], now_ms=91)
        assert found is not None
        assert found.state is AlertState.RESOLVED
        assert store.outbox.waiting() == []

    def test_what_fires_in_some_batches_and_about_what(self, store: SqlStore, orchard: Sheet) -> None:
        """The newest first, nothing that is over, nothing of a batch that was not asked for."""
        store.batches.start(Sheet("second", "Second", 9), at_ms=9)
        silent = replace(FIRED, kind=AlertKind.SENSOR_SILENT, subject="float-a", at_ms=70, fired_ms=70)
        for change in (FIRED, silent, replace(FIRED, at_ms=40, fired_ms=40, state=AlertState.RESOLVED)):
            store.alerts.record(orchard.slug, change, now_ms=60)
        store.alerts.record("second", replace(silent, subject="float-b"), now_ms=60)
        assert [one.fired_ms for one in store.alerts.firing_in([orchard.slug])] == [70, 50]
        assert {one.batch for one in store.alerts.firing_in([orchard.slug, "second"])} == {
            orchard.slug,
            "second",
        }
        assert store.alerts.firing_in([]) == []
        assert store.alerts.subjects(AlertKind.SENSOR_SILENT) == {"float-a", "float-b"}
        store.alerts.record(
            "second", replace(silent, subject="float-b", state=AlertState.RESOLVED), now_ms=80
        )
        assert store.alerts.subjects(AlertKind.SENSOR_SILENT) == {"float-a"}

    def test_pending_is_not_kept(self, store: SqlStore, orchard: Sheet) -> None:
        """A pending alert is the pipeline's own business."""
        pending = replace(FIRED, state=AlertState.PENDING)
        assert store.alerts.record(orchard.slug, pending, channels=["mail"], now_ms=60) is None
        assert store.alerts.listed() == []

    def test_batch_kind_subject_and_beginning_make_the_name(self, store: SqlStore, orchard: Sheet) -> None:
        """Two silent sensors are two alerts, and so are two stalls."""
        silent = replace(FIRED, kind=AlertKind.SENSOR_SILENT)
        for change in (
            replace(silent, subject="float-a"),
            replace(silent, subject="probe-1"),
            FIRED,
            replace(FIRED, at_ms=200, fired_ms=200),
        ):
            assert store.alerts.record(orchard.slug, change, now_ms=60) is not None
        assert len(store.alerts.listed(only_firing=True)) == 4

    def test_zero_is_a_moment(self, store: SqlStore, orchard: Sheet) -> None:
        """An alert of time 0 fires, resolves and is acknowledged at 0."""
        at_zero = replace(FIRED, at_ms=0, fired_ms=0)
        found = store.alerts.record(orchard.slug, at_zero, now_ms=0)
        assert found is not None
        assert store.alerts.acknowledge(found.id, at_ms=0).acknowledged_ms == 0
        ended = store.alerts.record(orchard.slug, replace(at_zero, state=AlertState.RESOLVED), now_ms=0)
        assert ended is not None
        assert ended.resolved_ms == 0


class TestPeople:
    """What people do about alerts."""

    def test_acknowledged_once(self, store: SqlStore, orchard: Sheet) -> None:
        """The first acknowledgement stays, and other processes hear of it once."""
        found = store.alerts.record(orchard.slug, FIRED, now_ms=60)
        assert found is not None
        before = store.changes.position()
        assert store.alerts.acknowledge(found.id, at_ms=70).acknowledged_ms == 70
        assert store.alerts.acknowledge(found.id, at_ms=80).acknowledged_ms == 70
        assert [(one.kind, one.subject) for one in store.changes.since(before)] == [
            (ChangeKind.ACKNOWLEDGED, str(found.id))
        ]

    def test_an_unknown_alert_is_not_found(self, store: SqlStore) -> None:
        """Acknowledging, reading and withdrawing no alert is NotFoundError with a hint."""
        with pytest.raises(NotFoundError, match="no alert 7") as caught:
            store.alerts.acknowledge(7, at_ms=1)
        assert caught.value.hint
        with pytest.raises(NotFoundError):
            store.alerts.get(7)
        with pytest.raises(NotFoundError):
            store.alerts.withdraw(7, at_ms=1, why="x")

    def test_withdrawn_without_a_word(self, store: SqlStore, orchard: Sheet) -> None:
        """An alert that new thresholds do not know is resolved and nobody is told of it."""
        found = store.alerts.record(orchard.slug, FIRED, now_ms=60)
        assert found is not None
        store.alerts.withdraw(found.id, at_ms=99, why="other thresholds")
        assert store.alerts.get(found.id).resolved_message == "other thresholds"
        assert store.alerts.listed(only_firing=True) == []
        assert store.outbox.waiting() == []

    def test_listed_newest_first_and_by_batch(self, store: SqlStore, orchard: Sheet) -> None:
        """A batch's alerts are listed apart, the newest first, up to a limit."""
        store.batches.start(Sheet("second", "Second", 9), at_ms=9)
        for fired_ms in (10, 30, 20):
            store.alerts.record(orchard.slug, replace(FIRED, at_ms=fired_ms, fired_ms=fired_ms), now_ms=60)
        store.alerts.record("second", FIRED, now_ms=60)
        assert [one.fired_ms for one in store.alerts.listed(batch=orchard.slug)] == [30, 20, 10]
        assert [one.batch for one in store.alerts.listed(limit=1)] == ["second"]


class TestSilences:
    """Hushes."""

    def test_a_silence_ends_by_itself(self, store: SqlStore, orchard: Sheet) -> None:
        """It is in force from its beginning until just before its end."""
        made = store.alerts.silence(
            from_ms=0, until_ms=20, batch=orchard.slug, kind=AlertKind.STALLED, note="away"
        )
        assert store.alerts.silences(0) == [made]
        assert store.alerts.silences(19) == [made]
        assert store.alerts.silences(20) == []

    def test_it_may_cover_everything(self, store: SqlStore) -> None:
        """Without batch and kind it stands for all of them."""
        made = store.alerts.silence(from_ms=10, until_ms=20)
        assert (made.batch, made.kind) == (None, None)
        assert store.alerts.silences(9) == []

    def test_it_is_not_for_ever(self, store: SqlStore) -> None:
        """A slip of the finger must not hide everything for years."""
        with pytest.raises(InputError, match="a silence of 900 days: 30 days at most"):
            store.alerts.silence(from_ms=0, until_ms=900 * MS_PER_DAY)
        assert store.alerts.silences(1) == []

    def test_a_number_beyond_every_column_is_said(self, store: SqlStore) -> None:
        """No engine has it; it is a fault like others, not a crash."""
        with pytest.raises(StoreError):
            store.alerts.lift(10**23, at_ms=15)
        with pytest.raises(StoreError):
            store.alerts.acknowledge(10**23, at_ms=15)

    def test_lifted(self, store: SqlStore) -> None:
        """A silence that is lifted ends at once; lifting it again finds none."""
        made = store.alerts.silence(from_ms=10, until_ms=20)
        store.alerts.lift(made.id, at_ms=15)
        assert store.alerts.silences(15) == []
        with pytest.raises(NotFoundError):
            store.alerts.lift(made.id, at_ms=16)

    def test_wrong_silences_are_refused(self, store: SqlStore) -> None:
        """One that ends before it begins, and one for no batch, are refused."""
        with pytest.raises(InputError, match="ends before it begins"):
            store.alerts.silence(from_ms=10, until_ms=10)
        with pytest.raises(NotFoundError, match="'none'"):
            store.alerts.silence(from_ms=10, until_ms=20, batch="none")

    def test_old_ones_are_forgotten(self, store: SqlStore) -> None:
        """Only silences that ended before the time are forgotten."""
        store.alerts.silence(from_ms=0, until_ms=10)
        kept = store.alerts.silence(from_ms=0, until_ms=20)
        assert store.alerts.prune_silences(15) == 1
        assert store.alerts.silences(5) == [kept]
