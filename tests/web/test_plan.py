"""The plan of a batch as page and API give it."""

from __future__ import annotations

import re

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.ferment.event import JournalKind
from monitor.planning import ASKED, Told, plan_of

from .rooms import Cellar, Visit, words_of

SLUG = "hedgerow-session"
PAGE = f"/batches/{SLUG}"
API = f"/api/v1{PAGE}/plan"


def plan_shown(visit: Visit, query: str = "") -> str:
    """The part of the page that is the plan, with its markup."""
    page = visit.get(f"{PAGE}{query}").text
    return page[page.index('id="plan-title"') : page.index('id="sensors-title"')]


def test_a_packaged_batch_is_said_to_be_packaged(visit: Visit, busy: Cellar) -> None:
    """Page and API say when, weigh nothing out, and do not lead to the sheet, where nothing is wrong."""
    packaged = entry(JournalKind.PACKAGED, done_ms=busy.now_ms, at_ms=busy.now_ms)
    busy.store.batches.write_down(SLUG, packaged)
    plan = words_of(plan_shown(visit))
    assert "Hedgerow session was packaged on Sunday 1 March 2026: nothing is left to plan" in plan
    assert "metabisulfite" not in plan
    assert "Open the sheet" not in plan
    assert "Work it out again" not in plan
    answer = visit.json("GET", API)
    assert answer.status_code == 422
    assert "was packaged on Sunday 1 March 2026" in answer.json()["detail"]
    assert "by hand" in answer.json()["hint"]


def test_a_mistyped_sample_is_named_where_there_is_no_plan(visit: Visit, busy: Cellar) -> None:
    """Page and API say that the sample is in doubt, and how to take it back."""
    sheet = busy.store.batches.get(SLUG)
    sample = hand_sample(sheet, gravity_sg=1.2, time_ms=busy.now_ms, received_ms=busy.now_ms)
    busy.store.readings.record_sample(SLUG, sample)
    said = words_of(plan_shown(visit))
    assert "The hand sample of 1.2000 reads above the original gravity" in said
    assert f"take-back {SLUG} LINE" in said
    answer = visit.json("GET", API)
    assert answer.status_code == 422
    assert "The hand sample of 1.2000" in answer.json()["detail"]
    assert "take-back" in answer.json()["hint"]


def test_what_is_told_reaches_the_plan(visit: Visit, busy: Cellar) -> None:
    """Page and API take what the command takes, by the same names, and work out the same plan."""
    query = "?alcohol=5.2%25&free=20+mg/L&total=0.06+g/L&sorbate=1g&keg=6C&malolactic=true"
    told = Told(5.2, 20.0, 60.0, 1.0, 6.0, malolactic=True)
    sheet, evidence = busy.store.batches.get(SLUG), busy.snapshots()[SLUG].evidence
    plan = plan_of(busy.store, sheet, evidence, busy.now_ms, told=told)
    bare = plan_of(busy.store, sheet, evidence, busy.now_ms)
    assert plan.facts != bare.facts
    assert plan.cautions != bare.cautions
    answer = visit.json("GET", f"{API}{query}").json()
    assert [(one["what"], one["value"]) for one in answer["facts"]] == [
        (one.what, one.value) for one in plan.facts
    ]
    assert [one["text"] for one in answer["cautions"]] == [one.text for one in plan.cautions]
    shown = plan_shown(visit, query)
    said = words_of(shown)
    assert "free SO2 20 mg/L; total SO2 60 mg/L; potassium sorbate in it 1.00 g" in said
    assert "alcohol 5.2 % by volume" in said
    assert "geranium" in said
    # what was told stays in its fields, and can be left out again
    fields = dict(re.findall(r'<input name="(\w+)" value="([^"]*)"', shown))
    assert fields == {"alcohol": "5.2%", "free": "20 mg/L", "total": "0.06 g/L", "sorbate": "1g", "keg": "6C"}
    assert re.search(r'name="malolactic" value="true" checked', shown)
    assert "Without what was told" in said
    plain = plan_shown(visit)
    assert "Without what was told" not in words_of(plain)
    assert " checked" not in plain


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("free=20", "free SO2: concentration '20': the unit is missing"),
        ("total=2+L", "total SO2: concentration '2 L': L is no unit of concentration"),
        ("sorbate=1,5g", "potassium sorbate: mass '1,5g': write a decimal point, not a comma"),
        ("alcohol=30%25", "alcohol '30%': 30 % vol is out of range"),
        ("malolactic=perhaps", "malolactic = 'perhaps': true or false"),
        ("sorbate=200kg", "sorbate"),
    ],
)
def test_what_cannot_be_is_refused_in_the_same_words(visit: Visit, query: str, says: str) -> None:
    """The page says it beside the fields, which keep what was typed, and shows no plan without it."""
    answer = visit.json("GET", f"{API}?{query}")
    assert answer.status_code == 422
    assert answer.json()["detail"].startswith(says)
    shown = plan_shown(visit, f"?{query}")
    said = words_of(shown)
    assert answer.json()["detail"][1:] in said
    assert "Take a first hand sample" not in said
    assert "Work it out again" in said


def test_the_document_names_what_can_be_told(visit: Visit) -> None:
    """The command's options are the API's query and the page's fields."""
    described = visit.json("GET", "/api/v1/openapi.json").json()
    parameters = described["paths"]["/api/v1/batches/{slug}/plan"]["get"]["parameters"]
    queried = {one["name"] for one in parameters if one["in"] == "query"}
    assert queried == {*(one.name for one in ASKED), "malolactic"}
    assert set(re.findall(r'<input (?:type="checkbox" )?name="(\w+)"', plan_shown(visit))) == queried


def test_page_and_api_say_alike_that_it_has_not_finished(visit: Visit) -> None:
    """The foreword of the plan stands above its steps."""
    foreword = visit.json("GET", API).json()["foreword"]
    assert foreword.startswith("It has not finished. These are the figures")
    shown = words_of(plan_shown(visit))
    assert shown.index(foreword) < shown.index("Take a first hand sample")
