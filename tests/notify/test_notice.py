"""What a notice says and whether it is sent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertKind, AlertState, Severity
from monitor.notify.notice import (
    LONGEST_BODY,
    LONGEST_TITLE,
    Reason,
    RepeatPolicy,
    notice_of,
    reminder_due_ms,
    should_send,
    silenced_until_ms,
)
from monitor.store.values import Delivery, Occasion, Silence, StoredAlert
from monitor.units import MS_PER_HOUR

FIRING = StoredAlert(
    id=7,
    batch="orchard-session",
    kind=AlertKind.STALLED,
    subject="",
    severity=Severity.ACT,
    state=AlertState.FIRING,
    fired_ms=0,
    message="It has fallen 0.3 points in 48 h.",
)
SEEN = replace(FIRING, acknowledged_ms=0)
OVER = replace(
    FIRING, state=AlertState.RESOLVED, resolved_ms=3_600_000, resolved_message="It ferments again."
)
DANGER = replace(FIRING, kind=AlertKind.REFERMENTING, severity=Severity.DANGER)
SHEET = Sheet("orchard-session", "Orchard session", 0)


def delivery(
    alert: StoredAlert, occasion: Occasion = Occasion.FIRING, *, told: bool = False, turn: int = 0
) -> Delivery:
    """A delivery that is due."""
    return Delivery(1, alert, "mail", occasion, turn, 0, 0, "", told)


def hush(batch: str | None = None, kind: AlertKind | None = None, until_ms: int = 100) -> Silence:
    """A silence from 0."""
    return Silence(1, batch, kind, 0, until_ms)


class TestShouldSend:
    """The decision, case by case."""

    @pytest.mark.parametrize(
        ("expected", "due"),
        [
            (Reason.FIRST, delivery(FIRING)),
            (Reason.REPEAT, delivery(FIRING, Occasion.REMINDER, told=True, turn=1)),
            (Reason.ENDED, delivery(OVER, Occasion.RESOLVED, told=True)),
            (Reason.ENDED, delivery(replace(OVER, acknowledged_ms=5), Occasion.RESOLVED, told=True)),
            (Reason.NEVER_TOLD, delivery(OVER, Occasion.RESOLVED)),
            (Reason.OVER, delivery(OVER)),
            (Reason.OVER, delivery(OVER, Occasion.REMINDER, told=True, turn=3)),
            (Reason.ACKNOWLEDGED, delivery(SEEN)),
            (Reason.ACKNOWLEDGED, delivery(SEEN, Occasion.REMINDER, told=True, turn=1)),
        ],
    )
    def test_without_silences(self, expected: Reason, due: Delivery) -> None:
        """The answer is the reason."""
        assert should_send(due, [], 50) is expected

    @pytest.mark.parametrize(
        ("expected", "alert", "silence"),
        [
            (Reason.SILENCED, FIRING, hush()),
            (Reason.SILENCED, FIRING, hush("orchard-session")),
            (Reason.SILENCED, FIRING, hush("orchard-session", AlertKind.STALLED)),
            (Reason.SILENCED, FIRING, hush(kind=AlertKind.STALLED)),
            (Reason.FIRST, FIRING, hush("other")),
            (Reason.FIRST, FIRING, hush(kind=AlertKind.FINISHED)),
            (Reason.FIRST, FIRING, hush(until_ms=50)),
            (Reason.FIRST, FIRING, replace(hush(), from_ms=51)),
            (Reason.FIRST, DANGER, hush()),
            (Reason.FIRST, DANGER, hush("orchard-session")),
            (Reason.SILENCED, DANGER, hush("orchard-session", AlertKind.REFERMENTING)),
        ],
    )
    def test_with_a_silence(self, expected: Reason, alert: StoredAlert, silence: Silence) -> None:
        """A silence covers its batch and kind while it lasts; a danger only where it is named."""
        assert should_send(delivery(alert), [silence], 50) is expected

    def test_what_is_over_is_not_held_back_to_be_told_later(self) -> None:
        """What would be dropped anyway is dropped under a silence too."""
        assert should_send(delivery(OVER), [hush()], 50) is Reason.OVER
        assert should_send(delivery(SEEN), [hush()], 50) is Reason.ACKNOWLEDGED

    def test_the_longest_silence_counts(self) -> None:
        """Held back until the last of the silences ends."""
        silences = [hush(until_ms=100), hush("orchard-session", until_ms=300), hush("other", until_ms=900)]
        assert silenced_until_ms(FIRING, silences, 50) == 300
        assert silenced_until_ms(FIRING, [], 50) is None

    def test_only_four_reasons_send(self) -> None:
        """Every other reason holds back or drops."""
        assert {reason for reason in Reason if reason.sends} == {
            Reason.FIRST,
            Reason.REPEAT,
            Reason.ENDED,
            Reason.MISSED,
        }


class TestReminder:
    """Repeats."""

    def test_by_severity(self) -> None:
        """A danger is repeated sooner than what wants acting on; a note and an end never."""
        policy = RepeatPolicy(act_hours=24.0, danger_hours=4.0)
        assert reminder_due_ms(delivery(FIRING), 10, policy) == 10 + 24 * MS_PER_HOUR
        assert reminder_due_ms(delivery(DANGER), 0, policy) == 4 * MS_PER_HOUR
        assert reminder_due_ms(delivery(replace(FIRING, severity=Severity.NOTE)), 10, policy) is None
        assert reminder_due_ms(delivery(OVER, Occasion.RESOLVED, told=True), 10, policy) is None


class TestWords:
    """The text."""

    def test_which_batch_what_since_when_why_and_how_to_hush_it(self) -> None:
        """A notice answers all of that, the title alone the first two."""
        notice = notice_of(delivery(FIRING), SHEET, Reason.FIRST)
        assert notice.title == "Orchard session has stalled"
        assert "0.3 points in 48 h" in notice.body
        assert "Since Thu 1970-01-01 00:00 UTC" in notice.body
        assert "acknowledge 7" in notice.body

    @pytest.mark.parametrize("kind", AlertKind)
    def test_every_kind_has_words_for_beginning_and_end(self, kind: AlertKind) -> None:
        """No kind is told by its code name, and beginning and end differ."""
        begun = notice_of(delivery(replace(FIRING, kind=kind)), SHEET, Reason.FIRST).title
        ended = notice_of(
            delivery(replace(OVER, kind=kind), Occasion.RESOLVED, told=True), SHEET, Reason.ENDED
        ).title
        assert begun != ended
        assert begun.startswith("Orchard session ")
        assert "_" not in begun + ended

    def test_the_sensor_is_named(self) -> None:
        """An alert about one sensor of several says which."""
        silent = replace(FIRING, kind=AlertKind.SENSOR_SILENT, subject="float-a")
        assert (
            notice_of(delivery(silent), SHEET, Reason.FIRST).title
            == "Orchard session: float-a is not heard any more"
        )

    def test_a_danger_and_a_reminder_say_so(self) -> None:
        """The first word of a danger is DANGER, and a reminder has its number."""
        title = notice_of(delivery(DANGER, Occasion.REMINDER, told=True, turn=2), SHEET, Reason.REPEAT).title
        assert title == "DANGER: Orchard session ferments again (reminder 2)"

    def test_the_end_says_from_when_to_when(self) -> None:
        """An end has its own reason and both times, and no word of acknowledging."""
        body = notice_of(delivery(OVER, Occasion.RESOLVED, told=True), SHEET, Reason.ENDED).body
        assert "It ferments again." in body
        assert "from Thu 1970-01-01 00:00 UTC to Thu 1970-01-01 01:00 UTC" in body
        assert "acknowledge" not in body

    def test_without_a_sheet_the_slug_must_do(self) -> None:
        """A batch whose sheet cannot be found is told by its short name."""
        assert notice_of(delivery(FIRING), None, Reason.FIRST).title == "orchard-session has stalled"

    def test_nothing_in_a_message_changes_its_shape(self) -> None:
        """Line breaks and control characters in words from elsewhere become spaces, and length is bounded."""
        odd = replace(FIRING, message="a\r\nBcc: x\0" + "y" * 9_000, subject="s" * 300)
        notice = notice_of(delivery(odd), SHEET, Reason.FIRST)
        assert len(notice.title) <= LONGEST_TITLE
        assert len(notice.body) <= LONGEST_BODY
        assert "\r" not in notice.body
        assert "a  Bcc: x" in notice.body
