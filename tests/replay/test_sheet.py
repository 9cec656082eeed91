"""`batch.toml` says what the maker knew; complaints name the key and what is allowed."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import RecordingError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.ferment.score import Spell, Truth
from monitor.replay.sheet import Sheet, sheet_from, sheet_text
from monitor.units import ms_from_rfc3339

SAMPLE = """
name = "Orchard session"
pitched_at = 2026-01-03T18:00:00Z

[must]
kind = "honey"
original_gravity = 1.043
volume_l = 18.2
expected_apparent_attenuation = [0.95, 1.08]

[yeast]
temperature_c = [14.0, 21.0]
alcohol_tolerance_abv = 14.0

[sensors]
gravity = "float-a"
temperature = "probe-1"

[[events]]
at = 2026-01-04T18:00:00Z
kind = "nutrient"
note = "10 g organic nutrient"

[truth]
finished_at = 2026-01-14T06:00:00Z
final_gravity = 0.9985
stalls = [{ from = 2026-01-09T00:00:00Z, until = 2026-01-12T00:00:00Z }]
"""


def test_the_sample_of_the_format() -> None:
    """Every key that the format's description shows arrives where it belongs."""
    sheet = sheet_from(tomllib.loads(SAMPLE), "batch.toml")
    at = ms_from_rfc3339
    assert sheet == Sheet(
        "Orchard session",
        Premise(
            pitched_ms=at("2026-01-03T18:00:00Z"),
            must=Must(MustKind.HONEY, 1.043, 18.2, (0.95, 1.08)),
            yeast=Yeast((14.0, 21.0), 14.0),
            gravity_sensor="float-a",
            temperature_sensor="probe-1",
        ),
        (
            JournalEntry(
                JournalKind.NUTRIENT,
                at("2026-01-04T18:00:00Z"),
                at("2026-01-04T18:00:00Z"),
                "10 g organic nutrient",
            ),
        ),
        Truth(
            finished_ms=at("2026-01-14T06:00:00Z"),
            final_gravity_sg=0.9985,
            stalls=(Spell(at("2026-01-09T00:00:00Z"), at("2026-01-12T00:00:00Z")),),
        ),
    )


def test_name_and_pitching_are_enough() -> None:
    """Everything else may be left out."""
    sheet = sheet_from({"name": "x", "pitched_at": "2026-01-03T18:00:00+01:00"}, "f")
    assert sheet.premise == Premise(ms_from_rfc3339("2026-01-03T17:00:00Z"))
    assert sheet.truth == Truth()


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ('name = "Orchard session"', "name is missing"),
        ("pitched_at = 2026-01-03T18:00:00Z", "pitched_at is missing"),
        ("original_gravity = 1.043 -> original_gravity = 43", "must.original_gravity is 43"),
        ("original_gravity = 1.043 -> original_gravity = nan", "must.original_gravity is nan"),
        ("original_gravity = 1.043 -> original_gravity = true", "must.original_gravity is True"),
        ('kind = "honey" -> kind = "milk"', "must.kind is 'milk'"),
        ("[14.0, 21.0] -> [21.0, 14.0]", "yeast.temperature_c is"),
        ("[14.0, 21.0] -> [14.0]", "yeast.temperature_c is"),
        ('gravity = "float-a" -> gravity = 7', "sensors.gravity is 7"),
        ('kind = "nutrient" -> kind = "sang"', r"events\[0\].kind is 'sang'"),
        ("at = 2026-01-04T18:00:00Z -> at = 2026-01-04T18:00:00", r"events\[0\].at is"),
        ("pitched_at = 2026-01-03T18:00:00Z -> pitched_at = 2026-01-03T18:00:00", "pitched_at is"),
        ("pitched_at = 2026-01-03T18:00:00Z -> pitched_at = 2026-01-03", "pitched_at is"),
    ],
)
def test_what_is_wrong_is_named(change: str, named: str) -> None:
    """Key and value are in the message, what is allowed in the hint."""
    before, _, after = change.partition(" -> ")
    with pytest.raises(RecordingError, match=named) as caught:
        sheet_from(tomllib.loads(SAMPLE.replace(before, after)), "batch.toml")
    assert "must be" in caught.value.hint


def test_events_are_sorted_by_when_they_were_entered() -> None:
    """A maker may write them in any order; an entry made later counts from then."""
    rows = [
        {"at": "2026-01-06T00:00:00Z", "kind": "racked"},
        {"at": "2026-01-04T00:00:00Z", "kind": "nutrient", "entered_at": "2026-01-07T00:00:00Z"},
    ]
    sheet = sheet_from({"name": "x", "pitched_at": "2026-01-03T18:00:00Z", "events": rows}, "f")
    assert [entry.kind for entry in sheet.journal] == [JournalKind.RACKED, JournalKind.NUTRIENT]
    assert sheet.journal[1].done_ms < sheet.journal[1].at_ms


times = st.integers(0, 4_000_000_000_000)
spells = st.builds(
    lambda start, length, by: Spell(start, start + length, by),
    times, st.integers(0, 10**9), st.none() | st.floats(-50, 50),
)  # fmt: skip
truths = st.builds(
    Truth,
    finished_ms=st.none() | times,
    near_finish_ms=st.none() | times,
    final_gravity_sg=st.none() | st.floats(0.95, 1.2),
    half_ms=st.none() | times,
    stalls=st.lists(spells, max_size=3).map(tuple),
    silences=st.none() | st.lists(spells, max_size=3).map(tuple),
    too_cold=st.none() | st.lists(spells, max_size=3).map(tuple),
    lost_marks=st.lists(st.tuples(times, st.floats(0, 50)), max_size=3).map(tuple),
    refermenting_ms=st.none() | times,
)
premises = st.builds(
    Premise,
    pitched_ms=times,
    must=st.builds(
        Must,
        kind=st.none() | st.sampled_from(MustKind),
        original_gravity_sg=st.none() | st.floats(0.99, 1.2),
        expected_apparent_attenuation=st.none() | st.just((0.9, 1.05)),
    ),
    yeast=st.builds(Yeast, temperature_c=st.none() | st.just((0.0, 21.5)), alcohol_tolerance_abv=st.none()),
    gravity_sensor=st.none() | st.text(max_size=12),
)
journals = st.lists(
    st.builds(
        lambda kind, at, later, note: JournalEntry(kind, at, at + later, note),
        st.sampled_from(JournalKind), times, st.integers(0, 10**8), st.text(max_size=30),
    ),
    max_size=4,
).map(lambda entries: tuple(sorted(entries, key=lambda entry: entry.at_ms)))  # fmt: skip


@given(st.text(max_size=40), premises, journals, truths)
def test_what_is_written_is_read(
    title: str, premise: Premise, journal: tuple[JournalEntry, ...], truth: Truth
) -> None:
    """Writing undoes reading for every sheet, whatever characters its texts have."""
    text = sheet_text(title, premise, journal, truth)
    assert sheet_from(tomllib.loads(text), "f") == Sheet(title, premise, journal, truth)
