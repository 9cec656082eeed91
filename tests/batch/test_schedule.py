"""What is due when. Common practice: nutrient a day in, contact of an infusion 1 to 8 weeks."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from monitor.batch.schedule import DueKind, due
from monitor.batch.sheet import Sheet
from monitor.cellar.infusion import infusion_plan
from monitor.cellar.nutrient import nutrient_plan
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.emission import AlertChange, AlertKind, AlertState
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import Evidence
from monitor.ferment.judge import Judge
from monitor.ferment.premise import Must, MustKind
from monitor.ferment.verdict import Thresholds
from monitor.units import MS_PER_DAY, MS_PER_HOUR

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


def test_nutrient_comes_with_the_calculators_grams() -> None:
    """Where gravity and volume are known, and only there; where nothing is lacking there is none."""
    assert "carboyd nutrient" not in due(replace(SHEET, must=Must(MustKind.HONEY)), [])[0].text
    known = replace(SHEET, must=Must(MustKind.HONEY, original_gravity_sg=1.060, volume_l=10.0))
    plan = nutrient_plan(10.0, 1.060)
    for portion in plan.feeds[0].portions:
        assert f"{portion.grams:.1f} g {portion.nutrient.name}" in due(known, [])[0].text
    assert f"at {plan.sugar_break_sg:.3f}" in due(known, [])[0].text
    water = replace(known, must=replace(known.must, original_gravity_sg=1.0))
    assert "carboyd nutrient" not in due(water, [])[0].text


def test_an_infusion_is_tasted_at_the_calculators_dates_and_ended_after_eight_weeks() -> None:
    """First taste when the alerts say so, at the end of the usual time, then weekly, out after 56 days."""
    journal = [did(JournalKind.NUTRIENT, 1), did(JournalKind.INFUSION_IN, 10, "orange peel")]
    found = due(SHEET, journal)
    days = [(one.at_ms - PITCHED_MS) / MS_PER_DAY - 10 for one in found]
    first = AlertPolicy().infusion_days
    assert days[0] == first
    assert days[1:3] == [14, 21]
    dates = [reminder.day for reminder in infusion_plan(10.0, 1.0).reminders]
    assert [days[0], days[1], days[-1]] == [dates[0], dates[-2], dates[-1]]
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


DUTY_OF = {
    AlertKind.NUTRIENT_DUE: DueKind.NUTRIENT,
    AlertKind.INFUSION_DUE: DueKind.TASTE_INFUSION,
}
ENTERED = (JournalKind.NUTRIENT, JournalKind.STABILISED, JournalKind.PACKAGED)
ENTERED += (JournalKind.INFUSION_IN, JournalKind.INFUSION_OUT)


@given(
    entered=st.lists(
        st.tuples(st.sampled_from(ENTERED), st.integers(0, 6), st.integers(0, 6)), max_size=5
    ).map(lambda found: sorted(found, key=lambda one: one[1] + one[2]))
)
def test_the_list_and_the_alerts_say_the_same(entered: list[tuple[JournalKind, int, int]]) -> None:
    """What was done when, and entered so many days later: an alert stands where its duty's time has come."""
    judge = Judge(SHEET.premise(), Thresholds(), AlertPolicy())
    journal: list[JournalEntry] = []
    standing: set[DueKind] = set()
    for hour in range(0, 13 * 24, 12):
        at_ms = PITCHED_MS + hour * MS_PER_HOUR
        while len(journal) < len(entered):
            kind, day, late = entered[len(journal)]
            if day + late > hour / 24:
                break
            journal.append(JournalEntry(kind, PITCHED_MS + day * MS_PER_DAY, at_ms))
            judge.note(journal[-1])
        # four days in it is too late for nutrient, which the list leaves to whoever sees the gravity
        fallen = 20.0 if hour > 96 else 1.0
        seen = Evidence(
            at_ms, hours_in=float(hour), start_points=40.0, expected_points=0.0, fallen_points=fallen
        )
        for said in judge.look(seen, []):
            if isinstance(said, AlertChange) and said.kind in DUTY_OF:
                change = standing.add if said.state is AlertState.FIRING else standing.discard
                change(DUTY_OF[said.kind])
        listed = {one.kind for one in due(SHEET, journal) if one.at_ms <= at_ms} - {DueKind.END_INFUSION}
        assert standing == (listed - {DueKind.NUTRIENT} if fallen > 13.0 else listed)
