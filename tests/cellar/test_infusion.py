"""Infusions: scaling, windows and reminders."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import infusion as i
from monitor.cellar.caution import Hazard
from monitor.cellar.infusion import Form, ReminderKind
from monitor.errors import QuantityError
from monitor.units import US_GAL_L

from .checks import Check

PRACTICE = "common practice: spice infusion 7 to 14 days, up to 1 to 2 months, tasted often"
CHECKS = [
    Check(lambda: i.infusion_plan(18.0, 1.0).usual_days[0], 7.0, 0.0, PRACTICE),
    Check(lambda: i.infusion_plan(18.0, 1.0).usual_days[1], 14.0, 0.0, PRACTICE),
    Check(lambda: i.infusion_plan(18.0, 1.0).latest_day, 60.0, 5.0, PRACTICE),
    Check(
        partial(i.same_strength_g, 30.0, Form.FRESH, Form.DRIED),
        10.0,
        1e-9,
        "common practice, kitchens: one part dried herb for three fresh (exact)",
    ),
    Check(partial(i.scaled_g, 10.0, US_GAL_L, 5 * US_GAL_L), 50.0, 1e-9, "proportion (exact)"),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Windows and ratios are those of common practice."""
    check.hold()


amounts = st.floats(0.1, 500.0)
volumes = st.floats(1.0, 200.0)


@given(amounts, volumes, volumes)
def test_scaling_keeps_strength(amount: float, small: float, large: float) -> None:
    """Scaled to another volume the strength is the same, and back again the amount."""
    scaled = i.scaled_g(amount, small, large)
    assert i.strength_ratio(scaled, large, amount, small) == pytest.approx(1.0)
    assert i.scaled_g(scaled, large, small) == pytest.approx(amount)


@given(amounts)
def test_forms_undo_each_other(amount: float) -> None:
    """Fresh to dried and back is the same weight."""
    dried = i.same_strength_g(amount, Form.FRESH, Form.DRIED)
    assert i.same_strength_g(dried, Form.DRIED, Form.FRESH) == pytest.approx(amount)


@given(st.floats(1.0, 20.0), st.floats(0.0, 20.0), st.floats(0.0, 16.0), st.floats(0.5, 10.0))
def test_reminders_are_in_order_and_end_with_taking_out(
    first: float, longer: float, slack: float, every: float
) -> None:
    """Whatever the window, tastings come first, then the decision, then the day it must come out."""
    last = first + longer
    latest = last + slack
    plan = i.infusion_plan(18.0, 1.0, usual_days=(first, last), latest_day=latest, taste_every_days=every)
    days = [reminder.day for reminder in plan.reminders]
    assert days == sorted(days)
    assert plan.reminders[-1].kind is ReminderKind.TAKE_OUT
    assert plan.reminders[-1].day == latest
    tastings = [reminder.day for reminder in plan.reminders if reminder.kind is ReminderKind.TASTE]
    assert tastings[0] <= first
    assert max(tastings) < last
    decisions = [reminder for reminder in plan.reminders if reminder.kind is ReminderKind.DECIDE]
    assert len(decisions) == (latest != last)


def test_the_usual_window_is_tasted_every_other_day() -> None:
    """By default: tasted from day 3.5 every other day, decided on day 14, out on day 56."""
    plan = i.infusion_plan(18.0, 2.5)
    tastings = [r.day for r in plan.reminders if r.kind is ReminderKind.TASTE]
    assert tastings == [3.5, 5.5, 7.5, 9.5, 11.5, 13.5]
    assert [r.day for r in plan.reminders[-2:]] == [14.0, 56.0]
    assert plan.amount_g == pytest.approx(45.0)


def test_fruit_warns_of_a_second_ferment() -> None:
    """What brings sugar brings a warning of pressure; what does not, does not."""
    dry = i.infusion_plan(18.0, 1.0)
    sweet = i.infusion_plan(18.0, 100.0, brings_sugar=True)
    assert Hazard.PRESSURE in {caution.hazard for caution in sweet.cautions}
    assert Hazard.PRESSURE not in {caution.hazard for caution in dry.cautions}
    assert any("poisonous" in caution.text for caution in dry.cautions)


def test_fruit_in_a_weak_batch_is_not_sealed_for_standing_still() -> None:
    """Below 10 % vol, where the sorbate table begins, standing still is no proof; what holds it is named."""
    sweet = i.infusion_plan(18.0, 100.0, brings_sugar=True)
    text = next(one.text for one in sweet.cautions if one.hazard is Hazard.PRESSURE)
    for words in (
        "Below 10 % vol",
        "proves nothing",
        "filtered sterile",
        "pasteurised",
        "cold",
        "leaves alone",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("usual_days", "latest_day"),
    [((7.0, 14.0), 10.0), ((14.0, 7.0), 56.0), ((7.0, 14.0), 100.0), ((-1.0, 7.0), 56.0)],
)
def test_windows_out_of_order_are_refused(usual_days: tuple[float, float], latest_day: float) -> None:
    """A window that ends before it begins, or runs past eight weeks, raises QuantityError."""
    with pytest.raises(QuantityError, match=r"day|window"):
        i.infusion_plan(18.0, 1.0, usual_days=usual_days, latest_day=latest_day)


def test_impossible_amounts_are_refused() -> None:
    """No volume, a negative strength and a reference of nothing raise QuantityError."""
    with pytest.raises(QuantityError, match="volume"):
        i.infusion_plan(0.0, 1.0)
    with pytest.raises(QuantityError, match="strength"):
        i.infusion_plan(18.0, -1.0)
    with pytest.raises(QuantityError, match="reference amount"):
        i.strength_ratio(1.0, 1.0, 0.0, 1.0)
