"""A plan in words: dates, both systems of units, and no caution lost on the way."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import Amount, AmountKind, BatchFacts
from monitor.cellar.plan_text import WIDTH, as_markdown, as_text, shown_amount, shown_days
from monitor.cellar.shown import UnitSystem, in_units
from monitor.units import ms_from_rfc3339

START_MS = ms_from_rfc3339("2026-03-08T20:00:00Z")
FACTS = BatchFacts(
    name="orchard [first] session",
    volume_l=18.0,
    gravity_sg=0.998,
    temperature_c=18.0,
    original_gravity_sg=1.040,
    sweeten_to_sg=1.010,
    acid_rise_g_l=0.4,
    infusion="orange peel",
    infusion_g_l=1.0,
)
PLAN = plan_for(FACTS, START_MS)


def squeezed(text: str) -> str:
    """The words alone, as wrapping cannot change them."""
    for mark in ("> ", "**", "\\", "! "):
        text = text.replace(mark, " " if mark == "! " else "")
    return " ".join(text.split())


def cautions() -> list[str]:
    found = [c.text for c in PLAN.cautions]
    return found + [c.text for step in PLAN.steps for c in step.cautions]


@pytest.mark.parametrize("render", [as_text, as_markdown])
@pytest.mark.parametrize("system", list(UnitSystem))
def test_no_caution_is_lost(render: type, system: UnitSystem) -> None:
    """Every caution of every step is in the text, as often as it is in the plan, in either system."""
    words = squeezed(render(PLAN, system))
    texts = [in_units(text, system) for text in cautions()]
    for text in set(texts):
        assert words.count(squeezed(text)) >= texts.count(text), text


@pytest.mark.parametrize("render", [as_text, as_markdown])
def test_every_step_says_what_when_and_why(render: type) -> None:
    """Title, day, instructions, amounts and reason of each step are all in the text."""
    words = squeezed(render(PLAN, UnitSystem.METRIC))
    for step in PLAN.steps:
        for text in (step.title, step.why, *step.what):
            assert squeezed(text) in words
        for one in step.amounts:
            assert squeezed(shown_amount(one)) in words
        assert squeezed(shown_days(step, START_MS)) in words
    for text in PLAN.assumptions:
        assert squeezed(text) in words


@pytest.mark.parametrize("render", [as_text, as_markdown])
def test_the_foreword_stands_before_all_else(render: type) -> None:
    """It follows the title and comes before any figure; a plan without one has no gap in its place."""
    said = squeezed(render(replace(PLAN, foreword="It has not finished."), UnitSystem.METRIC))
    assert said.index("Plan for") < said.index("It has not finished.") < said.index("18.0 L")
    assert "\n\n\n" not in render(PLAN, UnitSystem.METRIC)


def test_plain_text_stays_in_its_columns() -> None:
    """No line of prose is wider than a terminal."""
    assert max(len(line) for line in as_text(PLAN).splitlines()) <= WIDTH


def test_markdown_is_escaped() -> None:
    """A name with brackets makes no link."""
    assert as_markdown(PLAN).startswith("# Plan for orchard \\[first\\] session\n")


def test_dates_are_those_of_the_zone() -> None:
    """A plan begun late in the evening begins on the next day farther east."""
    first = PLAN.steps[0]
    assert shown_days(first, START_MS) == "Day 0, Sunday 8 March 2026"
    east = timezone(timedelta(hours=9))
    assert shown_days(first, START_MS, east) == "Day 0, Monday 9 March 2026"


def test_a_window_shows_both_ends() -> None:
    """A step with a window names its first and its last day."""
    infuse = next(step for step in PLAN.steps if step.until_day is not None)
    assert shown_days(infuse, START_MS).startswith("Day 4 to 18, Thursday 12 March 2026 to Thursday 26 March")


@pytest.mark.parametrize(
    ("amount", "metric", "us"),
    [
        (Amount("", AmountKind.MASS, 691.3), "691 g (1 lb 8.4 oz)", "1 lb 8.4 oz (691 g)"),
        (Amount("", AmountKind.VOLUME, 18.0), "18.0 L (4.76 US gal)", "4.76 US gal (18.0 L)"),
        (Amount("", AmountKind.PRESSURE, 110.0), "1.10 bar (16.0 psi)", "16.0 psi (1.10 bar)"),
        (Amount("", AmountKind.TEMPERATURE, 0.0), "0.0 °C (32.0 °F)", "32.0 °F (0.0 °C)"),
        (Amount("", AmountKind.GRAVITY, 0.998), "0.998", "0.998"),
        (Amount("", AmountKind.CONCENTRATION, 0.0), "0 mg/L", "0 mg/L"),
        (Amount("", AmountKind.STRENGTH, 5.47), "5.5 % by volume", "5.5 % by volume"),
        (Amount("", AmountKind.MINUTES, 7.6), "8 minutes", "8 minutes"),
        (Amount("", AmountKind.NUMBER, 3.5), "3.5", "3.5"),
    ],
)
def test_amounts_are_shown_with_their_units(amount: Amount, metric: str, us: str) -> None:
    """Each kind of amount has its unit, the chosen system first."""
    assert shown_amount(amount) == metric
    assert shown_amount(amount, UnitSystem.US) == us


@given(st.sampled_from(list(AmountKind)), st.floats(0.0, 1e5))
def test_any_amount_can_be_shown(kind: AmountKind, value: float) -> None:
    """Every kind of amount has words for every value."""
    assert shown_amount(Amount("x", kind, value))


@pytest.mark.parametrize("render", [as_text, as_markdown])
def test_in_us_units_no_sentence_is_left_in_metric_ones(render: type) -> None:
    """Celsius, litres and bar stand in brackets behind the US figure, or not at all."""
    text = squeezed(render(PLAN, UnitSystem.US))
    for bare in (r"(?<![(\d.])[\d.]+ degC", r"(?<![(\d.])[\d.]+ L\b", r"(?<![(\d.])[\d.]+ bar\b"):
        assert re.findall(bare, text) == []
    # 20 degC, to which hydrometers are made, are 68 degF; a fridge of 4 degC has 39 (both by definition)
    assert "read its gravity at 68 degF" in text
    assert "4 degC" not in text
