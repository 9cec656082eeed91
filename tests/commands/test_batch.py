"""Batches by command: the sheet, the journal, hand samples, and clear errors."""

from __future__ import annotations

import json
import re
from datetime import datetime

import pytest

from monitor.errors import InputError, NotFoundError
from monitor.ferment.event import JournalKind
from monitor.units import MS_PER_HOUR, ms_from_rfc3339


def test_a_batch_is_started_in_the_units_given(carboyd_command, store):
    """US units go in, kept units come out; the sensors are tied to the batch."""
    done = carboyd_command(
        "batch", "start", "Orchard session", "--kind", "honey", "--original-gravity", "10degP",
        "--volume", "4.8gal", "--capacity", "5gal", "--yeast-from", "57F", "--yeast-to", "70F",
        "--tolerance", "14%", "--ph", "3.5", "--gravity-sensor", "float-a", "--temperature-sensor", "probe-1",
        "--pitched", "2026-01-03T18:00:00Z",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    sheet = store.batches.get("orchard-session")
    assert sheet.must.original_gravity_sg == pytest.approx(1.04, abs=2e-4)  # check: SPS-4, 10 degP
    assert sheet.must.volume_l == pytest.approx(18.17, abs=0.005)  # 4.8 US gal by definition
    assert sheet.yeast.temperature_c == pytest.approx((13.89, 21.11), abs=0.005)
    assert sheet.pitched_ms == ms_from_rfc3339("2026-01-03T18:00:00Z")
    assert store.batches.owners()["float-a"] == ("orchard-session",)


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--original-gravity", "2.0", "out of range"),
        ("--volume", "18", "unit is missing"),
        ("--volume", "18 degC", "no unit of volume"),
        ("--ph", "12", "out of range"),
        ("--sweeten-to", "dry", "not a number"),
    ],
)
def test_a_wrong_value_is_named_with_its_range(carboyd_command, option, value, said):
    """The error names the value and what is possible."""
    done = carboyd_command("batch", "start", "Test", option, value)
    assert isinstance(done.exception, InputError)
    assert value in str(done.exception)
    assert said in str(done.exception)


def test_a_believed_sensor_belongs_to_one_open_batch(carboyd_command):
    """A second open batch with the same float is refused until the first has ended."""
    assert carboyd_command("batch", "start", "First", "--gravity-sensor", "float-a").exit_code == 0
    refused = carboyd_command("batch", "start", "Second", "--gravity-sensor", "float-a")
    assert isinstance(refused.exception, InputError)
    assert carboyd_command("batch", "end", "first").exit_code == 0
    assert carboyd_command("batch", "start", "Second", "--gravity-sensor", "float-a").exit_code == 0


def test_what_was_done_is_written_down(carboyd_command, store):
    """An entry keeps its kind, its note and when it was done; tasting scores become a note."""
    carboyd_command("batch", "start", "Test", "--pitched", "2d ago")
    assert (
        carboyd_command(
            "batch", "event", "test", "sugar-addition", "--note", "200 g", "--at", "6h ago"
        ).exit_code
        == 0
    )
    assert carboyd_command("batch", "event", "test", "note", "--sweetness", "0", "--acid", "7").exit_code == 0
    first, second = store.batches.journal("test")
    assert (first.kind, first.note) == (JournalKind.SUGAR_ADDITION, "200 g")
    assert first.at_ms - first.done_ms == pytest.approx(6 * MS_PER_HOUR, abs=2_000)
    assert second.note.startswith("tasted sweetness 0/10, acid 7/10")


def test_a_hand_sample_is_corrected_for_its_temperature(carboyd_command, store):
    """1.040 read at 25 degC on a 20 degC hydrometer is 1.25 points more (sucrose by SPS-4, glass)."""
    carboyd_command("batch", "start", "Test", "--pitched", "2d ago")
    assert carboyd_command("batch", "sample", "test", "1.040", "--temperature", "25degC").exit_code == 0
    (sample,) = store.readings.read(["hand.test"]).readings()
    assert sample.value == pytest.approx(1.04125, abs=5e-5)


def test_the_list_and_the_sheet_are_shown(carboyd_command):
    """Text for people, JSON for programs, and both know the journal."""
    carboyd_command("batch", "start", "Test mead", "--volume", "18L")
    carboyd_command("batch", "event", "test-mead", "racked", "--note", "clear")
    assert "Test mead" in carboyd_command("batch", "list").output
    shown = json.loads(carboyd_command("batch", "show", "test-mead", "--json").output)
    assert shown["sheet"]["must"]["volume_l"] == 18.0
    assert shown["journal"][0]["kind"] == "racked"
    assert datetime.fromisoformat(shown["journal"][0]["at"]).tzinfo is not None
    assert "racked  clear" in carboyd_command("batch", "show", "test-mead").output


def test_an_unknown_batch_is_said(carboyd_command):
    """NotFoundError with the name."""
    done = carboyd_command("batch", "show", "nowhere")
    assert isinstance(done.exception, NotFoundError)
    assert "nowhere" in str(done.exception)


def test_a_batch_learns_from_those_before_it(carboyd_command, store):
    """Two of the recipe that ended, by two equal hand samples each, give the next one its range, in words."""
    recipe = ("--recipe", "1.2 kg of heather honey to 10 L", "--kind", "honey", "--original-gravity", "1.046")
    for name in "First", "Second":
        carboyd_command("batch", "start", name, *recipe, "--pitched", "20d ago")
        for day in "6d ago", "2d ago":
            assert carboyd_command("batch", "sample", name.lower(), "0.998", "--at", day).exit_code == 0
        assert carboyd_command("batch", "end", name.lower()).exit_code == 0
    done = carboyd_command("batch", "start", "Third", *recipe)
    low, high = store.batches.get("third").must.expected_apparent_attenuation
    assert low < 48.0 / 46.0 < high  # check: from 46 points to -2
    said = (
        f"Expected attenuation {100 * low:.4g} to {100 * high:.4g} %, from 2 earlier batches of this recipe"
    )
    assert f"{said}.\n" in done.output
    assert said in carboyd_command("batch", "show", "third").output
    done = carboyd_command("batch", "start", "Fourth", *recipe, "--no-attenuation")
    assert "attenuation" not in done.output
    assert store.batches.get("fourth").must.expected_apparent_attenuation is None


@pytest.mark.parametrize(
    "words",
    [
        ("sample", "1.012", "--temperature", "90degC"),
        ("sample", "1.012", "--at", "2090-01-01"),
        ("end", "--at", "2090-01-01"),
        ("change", "--pitched", "2090-01-01"),
    ],
)
def test_what_cannot_have_been_is_refused(carboyd_command, store, words):
    """A boiling sample and dates in the future are slips: nothing is written, the reason is said."""
    carboyd_command("batch", "start", "Porch")
    before = store.batches.get("porch")
    done = carboyd_command("batch", words[0], "porch", *words[1:])
    assert isinstance(done.exception, InputError)
    assert done.exception.hint
    assert store.batches.get("porch") == before
    assert len(store.readings.read(["hand.porch"])) == 0


def test_a_name_cannot_be_taken_away(carboyd_command, store):
    """An empty one is not passed over in silence."""
    carboyd_command("batch", "start", "Porch")
    done = carboyd_command("batch", "change", "porch", "--name", "")
    assert "1 to 120 printable characters" in str(done.exception)
    assert store.batches.get("porch").name == "Porch"


def test_a_batch_needs_a_name(carboyd_command, store):
    """An empty one is refused in those words."""
    done = carboyd_command("batch", "start", " ")
    assert str(done.exception) == "a batch needs a name"
    assert store.batches.listed() == []


@pytest.mark.parametrize(
    "at", ["0001-01-01", "9999-12-31T23:59:59-14:00", "99999999w", "2300-01-01", "1969-07-01"]
)
def test_a_time_far_out_is_said_to_be_none(carboyd_command, store, at):
    """Beyond what a calendar, a database or a reading can have: one sentence, nothing is written."""
    carboyd_command("batch", "start", "Porch")
    done = carboyd_command("batch", "sample", "porch", "1.040", "--at", at)
    assert isinstance(done.exception, InputError)
    assert repr(at) in str(done.exception)
    assert len(store.readings.read(["hand.porch"])) == 0


def test_a_mistake_is_taken_back_by_its_name(carboyd_command, store):
    """`show` names every line; taken back, one is still shown, with when, and counts no more."""
    carboyd_command("batch", "start", "Test", "--pitched", "2026-01-01 18:00")
    carboyd_command("batch", "sample", "test", "1.100", "--at", "2026-01-03 18:00")
    carboyd_command("batch", "event", "test", "sweetened", "--note", "800 g")
    shown = json.loads(carboyd_command("batch", "show", "test", "--json").output)
    (sample,), (entry,) = shown["samples"], shown["journal"]
    assert f"  {entry['name']} " in carboyd_command("batch", "show", "test").output
    for line, said in ((sample["name"], "hand sample  1.1000"), (entry["name"], "sweetened  800 g")):
        done = carboyd_command("batch", "take-back", "test", line)
        assert done.exit_code == 0, done.output
        assert done.output.startswith("Taken back: ")
        assert said in done.output
    assert store.batches.journal("test") == []
    assert len(store.batches.readings("test")) == 0
    shown = json.loads(carboyd_command("batch", "show", "test", "--json").output)
    assert (shown["samples"], shown["journal"]) == ([], [])
    assert [one["name"] for one in shown["taken_back"]] == [sample["name"], entry["name"]]
    assert all(datetime.fromisoformat(one["taken_back"]).tzinfo is not None for one in shown["taken_back"])
    listed = carboyd_command("batch", "show", "test").output
    assert re.search(r"hand sample  1\.1000  \(taken back 20", listed)
    assert re.search(r"sweetened  800 g  \(taken back 20", listed)
    again = carboyd_command("batch", "take-back", "test", entry["name"])
    assert isinstance(again.exception, NotFoundError)
    assert "taken back already" in str(again.exception)
    # the moment is free for the right value
    assert carboyd_command("batch", "sample", "test", "1.010", "--at", "2026-01-03 18:00").exit_code == 0
    assert store.batches.readings("test").value.tolist() == [1.010]
