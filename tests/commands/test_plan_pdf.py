"""A plan on paper holds what the plan holds."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO

import pytest
from pypdf import PdfReader

from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import BatchFacts, Plan
from monitor.cellar.plan_text import shown_amount, shown_days
from monitor.cellar.shown import UnitSystem, in_units
from monitor.commands.plan_pdf import as_pdf
from monitor.units import ms_from_rfc3339

FACTS = BatchFacts(
    name="Zażółć <session> & co",
    volume_l=18.0,
    gravity_sg=0.998,
    temperature_c=18.0,
    original_gravity_sg=1.040,
    sweeten_to_sg=1.010,
    acid_rise_g_l=0.4,
    infusion="orange peel",
    infusion_g_l=1.0,
)


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A session mead's whole plan."""
    return plan_for(FACTS, ms_from_rfc3339("2026-03-08T20:00:00Z"))


def words(pdf: bytes) -> str:
    """All words of the document, in order; white space is the layout's affair."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages).split())


@pytest.mark.parametrize("system", list(UnitSystem))
def test_no_caution_and_no_amount_is_lost(plan: Plan, system: UnitSystem) -> None:
    """Every caution, instruction, amount, day and reason is on the pages, in either system."""
    text = words(as_pdf(plan, system))
    for step in plan.steps:
        for sentence in (step.title, step.why, *step.what, *(one.text for one in step.cautions)):
            assert " ".join(in_units(sentence, system).split()) in text
        for amount in step.amounts:
            assert shown_amount(amount, system) in text
        assert shown_days(step, plan.start_ms) in text
    for sentence in (*plan.assumptions, *(one.text for one in plan.cautions)):
        assert in_units(sentence, system) in text


def test_the_foreword_stands_below_the_title(plan: Plan) -> None:
    """A batch that has not finished is said to before any figure."""
    text = words(as_pdf(replace(plan, foreword="It has not finished.")))
    assert "& co It has not finished. volume" in text


def test_a_name_is_printed_as_written(plan: Plan) -> None:
    """Letters beyond the Western ones and signs that markup uses are printed, and stand in the title."""
    pdf = as_pdf(plan)
    assert "Plan for Zażółć <session> & co" in words(pdf)
    metadata = PdfReader(BytesIO(pdf)).metadata
    assert metadata is not None
    assert metadata.title == "Plan for Zażółć <session> & co"


def test_paper_follows_the_units(plan: Plan) -> None:
    """Metric is printed on A4 (210 x 297 mm, ISO 216), US units on letter (8.5 x 11 in)."""
    for system, size in ((UnitSystem.METRIC, (595.28, 841.89)), (UnitSystem.US, (612.0, 792.0))):
        box = PdfReader(BytesIO(as_pdf(plan, system))).pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.01)


def test_the_same_plan_gives_the_same_file(plan: Plan) -> None:
    """No clock and no chance is in it."""
    assert as_pdf(plan) == as_pdf(plan)


def test_a_plan_without_assumptions_prints() -> None:
    """Where nothing was taken for granted there is no list of it."""
    plan = plan_for(FACTS, 0)
    assert "Taken for granted" in words(as_pdf(plan))
    assert "Taken for granted" not in words(as_pdf(replace(plan, assumptions=())))
