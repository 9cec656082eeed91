"""The sheet's form: the expected attenuation in per cent, given, learnt or refused."""

from __future__ import annotations

import re

import pytest

from monitor.batch.expectation import in_percent
from monitor.ferment.emission import AlertKind
from monitor.units import MS_PER_DAY

from .rooms import PITCHED_MS, Cellar, Visit, a_sheet, readings_of, words_of

SLUG = "hedgerow-session"
RECIPE = a_sheet().recipe


@pytest.fixture
def made(busy: Cellar) -> Cellar:
    """A cellar in which two batches of the recipe were watched until they were told finished, and ended."""
    busy.now_ms = PITCHED_MS + 20 * MS_PER_DAY
    for number in (1, 2):
        sheet = a_sheet(f"made-{number}")
        busy.add(sheet, readings_of(sheet, 20.0, every_min=60.0, seed=number))
        told = busy.store.alerts.listed(batch=sheet.slug)
        assert AlertKind.FINISHED in {one.kind for one in told}
        busy.store.batches.end(sheet.slug, ended_ms=busy.now_ms, at_ms=busy.now_ms)
    return busy


def fields(**more: object) -> dict[str, object]:
    """A new batch of the recipe."""
    return {
        "name": "Elder and lemon", "must_kind": "honey", "original_gravity": "1.050", "recipe": RECIPE, **more
    }  # fmt: skip


def test_a_new_batch_learns_from_those_that_were_watched(made: Cellar, visit: Visit) -> None:
    """Readings, verdicts and ends of two batches become a range, said where the batch is begun."""
    made.now_ms += MS_PER_DAY
    answer = visit.post("/setup/batches", fields())
    assert answer.status_code == 303
    pair = made.store.batches.get("elder-and-lemon").must.expected_apparent_attenuation
    assert pair is not None
    assert pair[0] < 52.0 / 50.0 < pair[1]  # check: both fell from 1.050 to 0.998
    said = f"Expected attenuation {in_percent(pair)}, from 2 earlier batches of this recipe"
    text = words_of(visit.get(answer.headers["location"]).text)
    assert f"Elder and lemon is being watched. {said}." in text
    assert [entry.note for entry in made.store.batches.journal("elder-and-lemon")] == [said]


def test_a_maker_may_say_another_range_or_none(made: Cellar, visit: Visit) -> None:
    """Per cent in the form, fractions on the sheet; a tick says that none is wanted."""
    visit.post("/setup/batches", fields(attenuation_low="95,5", attenuation_high="103"))
    must = made.store.batches.get("elder-and-lemon").must
    assert must.expected_apparent_attenuation == (0.955, 1.03)
    visit.post("/setup/batches", fields(name="Sloe", no_attenuation="yes"))
    assert made.store.batches.get("sloe").must.expected_apparent_attenuation is None


def test_a_program_leaves_it_out_or_says_null(made: Cellar, visit: Visit) -> None:
    """Left out it is learnt, with null it is none."""
    must: dict[str, object] = {"kind": "honey", "original_gravity_sg": 1.050}
    sheet = {"name": "Plum", "recipe": RECIPE, "must": must}
    learnt = visit.json("POST", "/api/v1/batches", sheet).json()["must"]["expected_apparent_attenuation"]
    assert learnt[0] < 1.04 < learnt[1]
    must["expected_apparent_attenuation"] = None
    none = visit.json("POST", "/api/v1/batches", {**sheet, "name": "Sloe"})
    assert none.json()["must"]["expected_apparent_attenuation"] is None
    must["expected_apparent_attenuation"] = [0.9, 1.0]
    given = visit.json("POST", "/api/v1/batches", {**sheet, "name": "Haw"})
    assert given.json()["must"]["expected_apparent_attenuation"] == [0.9, 1.0]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"attenuation_low": "96"}, "wants both its lowest and its highest"),
        (
            {"attenuation_low": "103", "attenuation_high": "96"},
            "103 to 96 %: low before high, within 20 to 150 %",
        ),
        ({"attenuation_low": "0.96", "attenuation_high": "1.03"}, "0.96 to 1.03 %"),
        ({"attenuation_low": "much", "attenuation_high": "103"}, "lowest expected attenuation = 'much'"),
        ({"attenuation_low": "96", "attenuation_high": "103", "no_attenuation": "yes"}, "also refused"),
    ],
)
def test_a_faulty_range_is_named(busy: Cellar, visit: Visit, more: dict[str, object], said: str) -> None:
    """Half a range, one upside down, fractions for per cent, words, a contradiction: nothing is begun."""
    answer = visit.post("/setup/batches", fields(**more))
    assert answer.status_code == 422
    assert said.lower() in words_of(answer.text).lower()
    assert "elder-and-lemon" not in busy.store.batches.open_slugs()


def test_a_range_comes_back_from_the_sheets_form_as_it_was(busy: Cellar, visit: Visit) -> None:
    """It is shown in per cent, stays when the form is sent as it is, and goes when the fields are emptied."""
    must = {"kind": "honey", "original_gravity_sg": 1.05, "expected_apparent_attenuation": [0.9575, 1.031]}
    visit.json("PATCH", f"/api/v1/batches/{SLUG}/sheet", {"must": must})
    text = visit.get(f"/batches/{SLUG}/sheet").text
    shown = dict(re.findall(r'<input name="(attenuation_\w+)" value="([^"]*)"', text))
    assert shown == {"attenuation_low": "95.75", "attenuation_high": "103.1"}
    assert "no_attenuation" not in text
    kept = {"name": "Hedgerow session", "must_kind": "honey", "original_gravity": "1.050"}
    visit.post(f"/batches/{SLUG}/sheet", {**kept, **shown})
    assert busy.store.batches.get(SLUG).must.expected_apparent_attenuation == (0.9575, 1.031)
    visit.post(f"/batches/{SLUG}/sheet", kept)
    assert busy.store.batches.get(SLUG).must.expected_apparent_attenuation is None
