"""What is due when. Common practice: nutrient a day in, contact of an infusion 1 to 8 weeks."""

from __future__ import annotations

from dataclasses import replace

from monitor.batch.schedule import DueKind, due
from monitor.batch.sheet import Sheet
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.premise import Must, MustKind
from monitor.units import MS_PER_DAY

PITCHED_MS = 100 * MS_PER_DAY
SHEET = Sheet("orchard-session", "Orchard session", PITCHED_MS, must=Must(MustKind.HONEY))


def did(kind: JournalKind, day: float, note: str = "") -> JournalEntry:
    """An entry of something done so many days after pitching."""
    at_ms = PITCHED_MS + round(day * MS_PER_DAY)
    return JournalEntry(kind, at_ms, at_ms, note)


def test_nutrient_is_due_a_day_in() -> None:
    """A honey must without nutrient in the journal is due 24 hours after pitching."""
    assert [(one.kind, one.at_ms) for one in due(SHEET, [])] == [(DueKind.NUTRIENT, PITCHED_MS + MS_PER_DAY)]


def test_nutrient_given_is_due_no_more() -> None:
    """Nutrient in the journal, a malt wort, and a stabilised batch need none."""
    assert due(SHEET, [did(JournalKind.NUTRIENT, 0.5)]) == []
    assert due(SHEET, [did(JournalKind.STABILISED, 20)]) == []
    assert due(replace(SHEET, must=Must(MustKind.MALT)), []) == []


def test_an_infusion_is_tasted_weekly_and_ended_after_eight_weeks() -> None:
    """First taste when the alerts say so, then weekly, and out after 56 days at the latest."""
    journal = [did(JournalKind.NUTRIENT, 1), did(JournalKind.INFUSION_IN, 10, "orange peel")]
    found = due(SHEET, journal)
    days = [(one.at_ms - PITCHED_MS) / MS_PER_DAY - 10 for one in found]
    first = AlertPolicy().infusion_days
    assert days[0] == first
    assert days[1] == first + 7
    assert days[-1] == 56
    assert found[-1].kind is DueKind.END_INFUSION
    assert all(one.kind is DueKind.TASTE_INFUSION for one in found[:-1])
    assert "orange peel" in found[0].text


def test_an_infusion_taken_out_is_due_no_more() -> None:
    """Taking it out ends it; putting in another starts again from that one."""
    fed = did(JournalKind.NUTRIENT, 1)
    journal = [fed, did(JournalKind.INFUSION_IN, 10), did(JournalKind.INFUSION_OUT, 17)]
    assert due(SHEET, journal) == []
    again = due(SHEET, [*journal, did(JournalKind.INFUSION_IN, 20)])
    assert again[-1].at_ms == PITCHED_MS + 76 * MS_PER_DAY


def test_packaging_ends_an_infusion() -> None:
    """What is bottled has nothing to take out."""
    journal = [did(JournalKind.NUTRIENT, 1), did(JournalKind.INFUSION_IN, 10), did(JournalKind.PACKAGED, 20)]
    assert due(SHEET, journal) == []


def test_nothing_is_due_after_the_end() -> None:
    """An ended batch has no duties."""
    assert due(replace(SHEET, ended_ms=PITCHED_MS), [did(JournalKind.INFUSION_IN, 10)]) == []


def test_the_alerts_rule_decides() -> None:
    """Another policy moves what is due here as it moves the alerts."""
    found = due(SHEET, [], AlertPolicy(nutrient_hours=48.0))
    assert found[0].at_ms == PITCHED_MS + 2 * MS_PER_DAY
