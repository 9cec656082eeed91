"""What a plan is worked out from: a fresh hand sample, else the level."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.batch.sheet import Sheet
from monitor.cellar.plan_sheet import StepKind
from monitor.errors import InputError, PackagedError, QuantityError
from monitor.ferment.emission import Phase
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.evidence import Evidence
from monitor.ferment.premise import Must
from monitor.planning import SAMPLE_AGE_MS, Told, facts_by, level_sg, measured_sg, plan_of, told_by
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, Quantity, ms_from_rfc3339

PITCHED_MS = 1_767_463_200_000
SAMPLED_MS = PITCHED_MS + 1_000


@pytest.fixture
def sheet() -> Sheet:
    """A batch of 18 litres."""
    return Sheet(slug="porch", name="Porch", pitched_ms=PITCHED_MS, must=Must(None, 1.040, 18.0))


@pytest.fixture
def store(sheet: Sheet) -> Iterator[SqlStore]:
    """A store in memory with one hand sample of the batch."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        opened.batches.start(sheet, at_ms=PITCHED_MS)
        sample = hand_sample(sheet, gravity_sg=0.998, time_ms=SAMPLED_MS, received_ms=SAMPLED_MS)
        opened.readings.record_sample("porch", sample)
        yield opened


def test_a_fresh_hand_sample_goes_before_the_float(store: SqlStore, sheet: Sheet) -> None:
    """Up to three days it is the gravity, after that the level is."""
    evidence = Evidence(SAMPLED_MS, level_points=1.0)
    assert measured_sg(store, sheet, evidence, SAMPLED_MS + SAMPLE_AGE_MS) == 0.998
    assert measured_sg(store, sheet, evidence, SAMPLED_MS + SAMPLE_AGE_MS + 1) == 1.001


def test_without_either_the_gravity_is_unknown(store: SqlStore, sheet: Sheet) -> None:
    """None, not a guess."""
    for evidence in (None, Evidence(PITCHED_MS)):
        assert measured_sg(store, sheet, evidence, SAMPLED_MS + SAMPLE_AGE_MS + 1) is None
    with pytest.raises(InputError, match="gravity"):
        plan_of(store, sheet, None, SAMPLED_MS + SAMPLE_AGE_MS + 1)


def test_a_silent_floats_last_word_stands(store: SqlStore, sheet: Sheet) -> None:
    """Where no level is known any more, what the believed float said last counts, corrected."""
    store.readings.commit(
        [
            Reading(sensor, Quantity.GRAVITY, SAMPLED_MS + place, value, SAMPLED_MS + place)
            for place, (sensor, value) in enumerate([("float", 1.003), ("float", 1.002), ("spare", 1.009)])
        ]
    )
    evidence = Evidence(PITCHED_MS, offset_points=-1.5)
    late_ms = SAMPLED_MS + SAMPLE_AGE_MS + 1
    assert measured_sg(store, sheet, evidence, late_ms) is None
    for changes in ({"gravity_sensor": "float"}, {"other_sensors": ("room", "float", "spare")}):
        assert measured_sg(store, replace(sheet, **changes), evidence, late_ms) == pytest.approx(1.0005)
    # of a must that was pitched since it said nothing
    younger = replace(sheet, gravity_sensor="float", pitched_ms=SAMPLED_MS + 3)
    assert measured_sg(store, younger, evidence, late_ms) is None


def test_a_level_of_zero_points_is_a_level() -> None:
    """Zero is a reading: 1.000."""
    assert level_sg(Evidence(PITCHED_MS, level_points=0.0), 1.01) == 1.0


def test_temperature_and_expected_end_come_from_the_evidence(sheet: Sheet) -> None:
    """0 degC is kept; an end two points below water is 0.998."""
    evidence = Evidence(PITCHED_MS, temperature_c=0.0, expected_points=-2.0)
    facts = facts_by(sheet, evidence, 1.001, [])
    assert facts.temperature_c == 0.0
    assert facts.expected_final_gravity_sg == pytest.approx(0.998)


def test_what_the_journal_tells_reaches_the_plan(store: SqlStore, sheet: Sheet) -> None:
    """A batch that was stabilised is not dosed again; once the entry is taken back it is."""
    evidence = Evidence(PITCHED_MS)
    assert plan_of(store, sheet, evidence, SAMPLED_MS).step(StepKind.SULFITE) is not None
    store.batches.write_down("porch", entry(JournalKind.STABILISED, done_ms=SAMPLED_MS, at_ms=SAMPLED_MS))
    assert plan_of(store, sheet, evidence, SAMPLED_MS).step(StepKind.SULFITE) is None
    (written,) = (one for one in store.notebook.listed("porch") if isinstance(one.what, JournalEntry))
    store.notebook.take_back("porch", written.name, at_ms=SAMPLED_MS)
    assert plan_of(store, sheet, evidence, SAMPLED_MS).step(StepKind.SULFITE) is not None


def test_what_ferments_again_by_hand_samples_leads_the_plan(store: SqlStore, sheet: Sheet) -> None:
    """Before it is told as an alert too: four points lost at rest, and nothing sweet goes in."""
    fell = Evidence(
        SAMPLED_MS,
        by_hand_points=6.0,
        by_hand_hours=0.0,
        by_hand_rest_hours=72.0,
        by_hand_lost_points=4.0,
        by_hand_lost_hours=70.0,
        by_hand_lost_error_points=2.0,
        by_hand_still_hours=0.0,
    )
    sweeter = replace(sheet, sweeten_to_sg=1.010)
    for phase in (Phase.UNKNOWN, Phase.REFERMENTING):
        plan = plan_of(store, sweeter, fell, SAMPLED_MS, phase=phase, gravity_sg=1.006)
        assert plan.foreword.startswith("It is fermenting again.")
        assert "fell 4.0 points in 70 h, from 1.0100 to 1.0060" in plan.before_all
        assert "Add nothing sweet and close no vessel" in plan.before_all
    told = plan_of(store, sweeter, Evidence(SAMPLED_MS), SAMPLED_MS, phase=Phase.REFERMENTING)
    assert told.foreword.startswith("It is fermenting again.")


def test_where_it_should_end_is_known_without_a_float(store: SqlStore, sheet: Sheet) -> None:
    """Hand samples alone: the plan's figures have the end that the sheet lets expect."""
    evidence = Evidence(SAMPLED_MS, by_hand_points=8.0, by_hand_expected_points=-2.0)
    assert facts_by(sheet, evidence, 1.008, []).expected_final_gravity_sg == pytest.approx(0.998)
    both = replace(evidence, expected_points=0.0)
    assert facts_by(sheet, both, 1.008, []).expected_final_gravity_sg == 1.0


def test_a_packaged_batch_has_no_plan(store: SqlStore, sheet: Sheet) -> None:
    """It is said when it was packaged, in the reader's zone; without that entry there is a plan again."""
    done_ms = ms_from_rfc3339("2026-01-10T23:30:00Z")
    journal = [
        entry(kind, done_ms=at_ms, at_ms=done_ms)
        for kind, at_ms in ((JournalKind.PACKAGED, done_ms), (JournalKind.PACKAGED, done_ms - MS_PER_DAY))
    ]
    for one in journal:
        store.batches.write_down("porch", one)
    evidence = Evidence(PITCHED_MS)
    # the calendar's; Dublin keeps UTC in winter, Helsinki is two hours ahead (tz database)
    for zone, day in (("Europe/Dublin", "Saturday 10"), ("Europe/Helsinki", "Sunday 11")):
        with pytest.raises(PackagedError, match=rf"Porch was packaged on {day} January 2026") as refused:
            plan_of(store, sheet, evidence, done_ms, gravity_sg=0.998, zone=ZoneInfo(zone))
        assert "by hand" in refused.value.hint
    for written in store.notebook.listed("porch"):
        if isinstance(written.what, JournalEntry):
            store.notebook.take_back("porch", written.name, at_ms=done_ms)
    assert plan_of(store, sheet, evidence, done_ms, gravity_sg=0.998).step(StepKind.SULFITE) is not None


def test_what_the_maker_tells_is_read_in_one_place() -> None:
    """Each quantity has its unit; an empty text tells nothing, and a fault names the one it is in."""
    assert told_by({}) == told_by({"free": " ", "total": None, "malolactic": ""}) == Told()
    texts = {"alcohol": "5.5%", "free": "20 ppm", "total": "0.06 g/L", "sorbate": "0g", "malolactic": "True"}
    assert told_by(texts) == Told(5.5, 20.0, 60.0, 0.0, malolactic=True)
    for name, text, said in (
        ("free", "20", "free SO2: concentration '20': the unit is missing"),
        ("sorbate", "2 L", "potassium sorbate: mass '2 L': L is no unit of mass"),
        ("alcohol", "40%", "alcohol '40%': 40 % vol is out of range"),
        ("malolactic", "perhaps", "malolactic = 'perhaps': true or false"),
    ):
        with pytest.raises(InputError) as refused:
            told_by({name: text})
        assert str(refused.value).startswith(said)


def test_without_a_float_the_last_sample_stands_and_its_age_is_said(store: SqlStore, sheet: Sheet) -> None:
    """Nothing newer contradicts it: six days later the plan goes by 0.998, and says how old that is."""
    late_ms = SAMPLED_MS + 6 * MS_PER_DAY
    evidence = Evidence(late_ms, by_hand_points=-2.0, by_hand_hours=144.0)
    assert measured_sg(store, sheet, evidence, late_ms) == pytest.approx(0.998)
    plan = plan_of(store, sheet, evidence, late_ms)
    assert any("last hand sample, 6 days old" in line for line in plan.assumptions)
    fresh = facts_by(sheet, evidence, 1.002, [])
    assert fresh.sampled_days is None


def test_the_refusal_says_what_is_missing(store: SqlStore, sheet: Sheet) -> None:
    """Sugar that nobody measured is named, not the original gravity that is on the sheet."""
    evidence = Evidence(SAMPLED_MS, added_points=math.nan)
    with pytest.raises(QuantityError) as refused:
        plan_of(store, sheet, evidence, SAMPLED_MS)
    assert "just before and just after" in (refused.value.hint or "")
    assert "on the sheet" not in (refused.value.hint or "")
    with pytest.raises(QuantityError) as unwritten:
        plan_of(store, replace(sheet, must=Must(None, None, 18.0)), Evidence(SAMPLED_MS), SAMPLED_MS)
    assert "original gravity on the sheet" in (unwritten.value.hint or "")


def test_a_sample_in_doubt_is_named_where_no_plan_comes_of_it(store: SqlStore, sheet: Sheet) -> None:
    """1.2 for 1.02: the refusal says why the sample is doubted and how to take it back, by judge or sheet."""
    store.readings.record_sample(
        "porch", hand_sample(sheet, gravity_sg=1.2, time_ms=SAMPLED_MS + 1, received_ms=SAMPLED_MS + 1)
    )
    by_judge = Evidence(SAMPLED_MS + 1, doubt_points=190.0, doubt_hours=0.0)
    for evidence, said in (
        (by_judge, "The hand sample taken just now reads 190 points above the float"),
        (
            Evidence(SAMPLED_MS + 1),
            r"The hand sample of 1\.2000 reads above the original gravity .*, 1\.0400",
        ),
    ):
        with pytest.raises(QuantityError, match=said) as refused:
            plan_of(store, sheet, evidence, SAMPLED_MS + 1)
        assert "carboyd batch take-back porch LINE" in refused.value.hint
    for evidence, gravity_sg in ((by_judge, 1.19), (Evidence(SAMPLED_MS + 1, added_points=12.0), None)):
        with pytest.raises(QuantityError) as other:
            plan_of(store, sheet, evidence, SAMPLED_MS + 1, gravity_sg=gravity_sg)
        assert "hand sample" not in str(other.value)


def test_a_fault_of_another_kind_names_no_sample(store: SqlStore, sheet: Sheet) -> None:
    """With nothing against the sample, the refusal is of what is missing alone."""
    bare = replace(sheet, must=Must(None, None, 18.0))
    with pytest.raises(QuantityError) as refused:
        plan_of(store, bare, Evidence(SAMPLED_MS), SAMPLED_MS)
    assert "take-back" not in refused.value.hint


@pytest.mark.parametrize(
    ("phase", "begins"),
    [
        (Phase.ACTIVE, "It has not finished. These are the figures as if"),
        (Phase.STALLED, "It has not finished."),
        (Phase.UNKNOWN, "Whether it has finished is not known. These are"),
        (Phase.FINISHED, ""),
    ],
)
def test_the_plan_says_first_that_the_batch_has_not_finished(
    store: SqlStore, sheet: Sheet, phase: Phase, begins: str
) -> None:
    """The foreword follows the phase, and is empty where the batch has finished."""
    plan = plan_of(store, sheet, Evidence(SAMPLED_MS), SAMPLED_MS, phase=phase)
    assert plan.foreword.startswith(begins)
    assert bool(plan.foreword) is bool(begins)
