"""What a plan knows, takes for granted and warns of: sugar that is left, and doses that went in before."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar.caution import Hazard
from monitor.cellar.ending import fermentable_left_g_l
from monitor.cellar.plan import batch_liquid, plan_for
from monitor.cellar.plan_sheet import HONEY_LEAVES, BatchFacts, Plan, StepKind
from monitor.cellar.plan_text import as_markdown, as_text
from monitor.cellar.pressure import co2_from_drop_g_per_l
from monitor.cellar.shown import UnitSystem
from monitor.errors import QuantityError
from monitor.must.honey import DEFAULT_FERMENTABLE_SHARE
from monitor.must.liquid import unfermented

START_MS = 1_772_956_800_000
STRONG = BatchFacts(
    name="strong",
    volume_l=18.0,
    gravity_sg=1.015,
    temperature_c=18.0,
    original_gravity_sg=1.120,
    ph=3.6,
    carbonation_volumes=0.0,
)
SOUR = replace(STRONG, original_gravity_sg=1.100, gravity_sg=1.012, ph=3.3)
"""At 11.8 % vol and pH 3.3 sorbate is enough."""
DRY = replace(STRONG, original_gravity_sg=1.040, gravity_sg=0.998)


def planned(facts: BatchFacts) -> Plan:
    return plan_for(facts, START_MS)


def words(plan: Plan) -> str:
    told = [text for step in plan.steps for text in (*step.what, step.why)]
    return " ".join((*plan.assumptions, *told, *(one.text for one in plan.cautions)))


def grams(plan: Plan, kind: StepKind, what: str) -> float:
    step = plan.step(kind)
    return 0.0 if step is None else next(one.value for one in step.amounts if what in one.what)


def test_sugar_left_is_the_mass_that_can_still_make_gas() -> None:
    """What the balance leaves to ferment makes just the gas of the fall to the usual end (stoichiometry).

    1.120 holds 314.1 g/L (ICUMSA tables); a tenth of honey's solids is not fermentable (White 1962), and 2.3
    in a hundred become glycerol and acids, which the gravity counts as solids.
    """
    base = batch_liquid(STRONG)
    left = fermentable_left_g_l(base, HONEY_LEAVES)
    assert left == pytest.approx(47.0, abs=1.0)
    ended = batch_liquid(replace(STRONG, gravity_sg=0.9939))
    assert fermentable_left_g_l(ended, HONEY_LEAVES) == pytest.approx(0.0, abs=0.5)
    made = co2_from_drop_g_per_l(1.015, 0.9939, base.abv)
    assert left * 4.0 * 44.009 / 342.297 == pytest.approx(made, rel=0.02)
    assert fermentable_left_g_l(unfermented(1.040), 1.0 - DEFAULT_FERMENTABLE_SHARE) == pytest.approx(
        0.899 * 103.9, abs=0.1
    )


@pytest.mark.parametrize(
    "facts",
    [
        STRONG,
        SOUR,
        replace(STRONG, original_gravity_sg=1.100, gravity_sg=1.010),
        replace(DRY, gravity_sg=1.004),
    ],
)
def test_a_batch_that_holds_sugar_is_not_called_dry(facts: BatchFacts) -> None:
    """It gets the sulfite of a sweet one, sorbate, a watch and a warning, and no bottle as if it were dry."""
    plan = planned(facts)
    kinds = [step.kind for step in plan.steps]
    assert {StepKind.SORBATE, StepKind.WATCH} <= {*kinds}
    assert StepKind.SWEETEN not in kinds
    assert "0.8 mg/L of molecular SO2" in words(plan)
    assert "usually ends" not in words(plan)
    assert any(one.hazard is Hazard.PRESSURE and "It is not dry" in one.text for one in plan.cautions)
    bottle = plan.step(StepKind.BOTTLE)
    assert bottle is not None
    assert bottle.day >= 6.0


CIDER = replace(STRONG, drink="cider", original_gravity_sg=1.050, gravity_sg=1.000, unfermentable_share=0.148)
"""It usually ends some 2 points below 1.000; where all but 5.7 % of its solids ferment, 8 points below."""


def test_the_warning_of_sugar_is_of_the_worst() -> None:
    """16.4 g/L could ferment: at 0.5143 g of CO2 a gram (stoichiometry) and 1.977 g/L a volume 4.26 volumes,
    with the 0.86 of an open ferment 5.1. Told in a warm place, 30 degC, as everywhere in the plan.

    A full bottle of 4.32 volumes holds 5.7 bar there, one of 6.78 volumes 9.8 (Henry's law, worked out
    apart): one of 5.1 some 7.0, so 797 kPa of CO2. Over 4 % of room that is 755 (ideal gas), with 72 of
    air shut in and 4 of vapour, less 101 outside: 7.3 bar.
    """
    plan = planned(CIDER)
    (text,) = [one.text for one in plan.cautions if "It is not dry" in one.text]
    assert "about 4 g/L of what it holds could ferment, at the worst 16" in text
    assert "up to 5.1 volumes" in text
    assert "7.3 bar over the atmosphere in a warm place (30 degC)" in text
    for shown in (as_text(plan), as_markdown(plan)):
        assert "7.3 bar over the atmosphere in a warm place (30 degC)" in " ".join(shown.split())
    told_us = " ".join(as_text(plan, UnitSystem.US).split())
    assert "106 psi (7.3 bar) over the atmosphere in a warm place (86 degF)" in told_us


@given(st.floats(1.045, 1.110), st.floats(0.0, 0.6), st.floats(0.05, 0.2))
def test_the_volumes_told_are_those_of_the_sugar_told(og: float, left: float, share: float) -> None:
    """Whatever the must usually leaves, what could ferment at the worst and its gas belong together."""
    facts = replace(
        CIDER, original_gravity_sg=og, gravity_sg=1.0 + left * (og - 1.0), unfermentable_share=share
    )
    for text in (one.text for one in planned(facts).cautions if "It is not dry" in one.text):
        most_g_l = float(text.split("at the worst ")[1].split(".")[0])
        volumes = float(text.split("up to ")[1].split(" volumes")[0])
        assert volumes == pytest.approx(0.86 + most_g_l * 0.5143 / 1.9768, abs=0.2)


def test_where_sorbate_does_not_hold_it_no_bottle_is_closed() -> None:
    """At pH 3.6 the way out is cold, filter or heat; more honey that does not ferment is none."""
    plan = planned(STRONG)
    hold, bottle = plan.step(StepKind.HOLD), plan.step(StepKind.BOTTLE)
    assert hold is not None
    assert bottle is not None
    assert "only if it was filtered sterile or pasteurised" in bottle.what[0]
    assert not any("cannot ferment" in text for text in hold.what)
    watch = plan.step(StepKind.WATCH)
    assert watch is not None
    assert "nothing more" in watch.why
    assert "stands still with its sugar in" not in watch.why


def test_where_sorbate_holds_it_the_bottle_waits_for_the_watch() -> None:
    """A sweet one that sorbate holds is closed up after the week, not before."""
    plan = planned(SOUR)
    watch, bottle = plan.step(StepKind.WATCH), plan.step(StepKind.BOTTLE)
    assert watch is not None
    assert bottle is not None
    assert bottle.day >= (watch.until_day or 0.0)
    assert plan.step(StepKind.HOLD) is None


def test_a_dry_one_stays_dry_and_nothing_more_is_claimed() -> None:
    """A session mead at 0.998 needs no sorbate; that nothing could ferment is not said."""
    plan = planned(DRY)
    assert plan.step(StepKind.SORBATE) is None
    assert plan.step(StepKind.WATCH) is None
    assert "0.5 mg/L of molecular SO2" in words(plan)
    assert "No gravity proves it dry" in words(plan)
    assert "nothing is left" not in words(plan)


def test_beyond_any_vessel_no_pressure_is_named() -> None:
    """A must that has hardly begun would make more gas than any vessel holds: it is said without a figure."""
    plan = planned(replace(STRONG, gravity_sg=1.090))
    assert "more than any vessel is made for" in words(plan)


@pytest.mark.parametrize("gravity_sg", [1.165, 1.2])
def test_a_must_that_has_not_begun_can_be_planned(gravity_sg: float) -> None:
    """A plan is as if the batch stayed where it is: without alcohol yet, warned of, up to 1.200."""
    plan = planned(replace(STRONG, original_gravity_sg=gravity_sg, gravity_sg=gravity_sg))
    assert plan.end_abv == pytest.approx(0.0, abs=1e-6)
    assert "more than any vessel is made for" in words(plan)


def test_beyond_the_densest_must_it_is_too_early() -> None:
    """The refusal says so; one for a gravity below all meads does not."""
    for gravity_sg, early in ((1.22, True), (0.97, False)):
        with pytest.raises(QuantityError) as refused:
            replace(STRONG, original_gravity_sg=1.24, gravity_sg=gravity_sg)
        assert ("too early for a plan" in refused.value.hint) == early


def test_a_stabilised_batch_is_not_dosed_again() -> None:
    """Where nobody told what went in, nothing is weighed out, and what it should hold is said."""
    plan = planned(replace(SOUR, stabilised=True))
    assert plan.step(StepKind.SULFITE) is None
    assert plan.step(StepKind.SORBATE) is None
    told = words(plan)
    assert "how much sulfite that left is not known" in told
    assert "whether sorbate went in is not known" in told
    assert "No sulfite" not in told
    bottle = plan.step(StepKind.BOTTLE)
    assert bottle is not None
    assert bottle.what[0].startswith("Close it up only where it is sure")


def test_a_stabilised_batch_gets_no_acid_on_top() -> None:
    """Acid drives the gas out of a sulfite whose amount nobody knows."""
    assert planned(replace(SOUR, ph=4.1)).step(StepKind.ACIDIFY) is not None
    assert planned(replace(SOUR, ph=4.1, stabilised=True)).step(StepKind.ACIDIFY) is None


def test_told_amounts_are_taken_off() -> None:
    """Only the rest is added: up to 0.8 (1 + 10^(3.3 - 1.81)) mg/L free, 37.5 % of it bound; sorbate in g."""
    whole = planned(SOUR)
    told = planned(replace(SOUR, stabilised=True, free_so2_mg_l=15.0, sorbate_g=1.0))
    rest_mg_l = (0.8 * (1.0 + 10.0**1.49) - 15.0) / (1.0 - 0.375)
    assert grams(told, StepKind.SULFITE, "SO2 added") == pytest.approx(rest_mg_l, rel=1e-3)
    there_g = grams(whole, StepKind.SORBATE, "potassium sorbate")
    assert grams(told, StepKind.SORBATE, "potassium sorbate") == pytest.approx(there_g - 1.0)
    done = planned(replace(SOUR, stabilised=True, free_so2_mg_l=40.0, total_so2_mg_l=90.0, sorbate_g=there_g))
    assert done.step(StepKind.SULFITE) is None
    assert done.step(StepKind.SORBATE) is None
    assert "The free SO2 that is in it is enough" in words(done)
    assert "as much as it should hold" in words(done)
    assert {"free SO2", "total SO2", "potassium sorbate in it"} <= {one.what for one in done.facts}


def test_no_sulfite_goes_on_top_of_a_total_at_its_limit() -> None:
    """195 mg/L in all and hardly any of it free: the 200 mg/L for mead leave no room (EC 1333/2008)."""
    plan = planned(replace(SOUR, free_so2_mg_l=5.0, total_so2_mg_l=195.0))
    assert plan.step(StepKind.SULFITE) is None
    assert "leaves no room below 200 mg/L" in words(plan)


def test_sweetening_thins_what_is_in_it() -> None:
    """30 mg/L free in 18 L are less in the sweetened volume: so much more is added."""
    facts = replace(SOUR, gravity_sg=1.000, sweeten_to_sg=1.030, free_so2_mg_l=15.0)
    plan = planned(facts)
    thinned = 15.0 * 18.0 / plan.end_volume_l
    rest_mg_l = (0.8 * (1.0 + 10.0**1.49) - thinned) / (1.0 - 0.375)
    assert grams(plan, StepKind.SULFITE, "SO2 added") == pytest.approx(rest_mg_l, rel=1e-3)


def test_too_much_sorbate_and_sorbate_with_bacteria_are_warned_of() -> None:
    """6 g in 18 L are 249 mg/L of sorbic acid (0.7464 g/g): above the 200 of OIV II.3.4.5."""
    plan = planned(replace(SOUR, sorbate_g=6.0))
    assert "249 mg/L of sorbic acid, above the usual limit of 200" in words(plan)
    assert "geranium" in words(planned(replace(SOUR, sorbate_g=1.0, malolactic=True)))
    assert "above the usual limit" not in words(planned(replace(SOUR, sorbate_g=1.0)))


@pytest.mark.parametrize("ph", [2.1, 5.5])
def test_a_ph_that_no_mead_has_is_said_and_not_used(ph: float) -> None:
    """The plan goes on with the pH assumed where none was measured."""
    plan = planned(replace(DRY, ph=ph))
    assert f"A pH of {ph:.2f} is none that a batch has" in words(plan)
    assert plan.steps == planned(replace(DRY, ph=None)).steps
    assert "pH" not in {one.what for one in plan.facts}


def test_a_carbonation_beyond_kegs_leaves_the_rest_of_the_plan() -> None:
    """The keg's step says the reason in the place of a pressure."""
    plan = planned(replace(DRY, carbonation_volumes=5.5))
    keg = plan.step(StepKind.KEG)
    assert keg is not None
    assert "5.5 volumes is outside" in keg.what[0]
    assert not any("regulator" in one.what for one in keg.amounts)
    assert plan.step(StepKind.SULFITE) == planned(DRY).step(StepKind.SULFITE)


def test_an_unknown_temperature_is_assumed_and_said() -> None:
    """It is no fact, and it is told."""
    plan = planned(replace(DRY, temperature_c=None))
    assert "temperature" not in {one.what for one in plan.facts}
    assert "temperature is not known: 18 degC is assumed" in words(plan)


def test_a_target_that_is_passed_is_said() -> None:
    """Nothing sweet is added, and the plan tells the target and where the batch stands."""
    above = planned(replace(SOUR, passed_sg=1.010))
    assert above.step(StepKind.SWEETEN) is None
    assert "The sheet asks for 1.010 in the end, and it stands above that, at 1.012: nothing" in words(above)
    assert "asks for 1.012 in the end, and it stands there: nothing" in words(
        planned(replace(SOUR, passed_sg=1.0118))
    )
    assert "The sheet asks for" not in words(planned(SOUR))


def test_a_carbonation_that_nobody_chose_is_said() -> None:
    """Volumes and temperature of the keg are named as assumed, each with how to change it."""
    facts = replace(DRY, carbonation_volumes=3.0, volumes_assumed=True, keg_assumed=True)
    told = words(planned(facts))
    assert "3 volumes of carbon dioxide are assumed" in told
    assert "batch change BATCH --carbonation" in told
    assert "4 degC is assumed" in told
    assert "carboyd plan --keg" in told
    chosen = words(planned(replace(facts, volumes_assumed=False, keg_assumed=False)))
    assert "how much it is to sparkle" not in chosen
    assert "how cold the keg stands" not in chosen
    assert "the keg stands" not in words(planned(replace(facts, carbonation_volumes=0.0)))


def test_a_stable_batch_can_pass_the_second_sample() -> None:
    """Still for two weeks is not below what it was a week before: it must only not be above."""
    step = planned(DRY).step(StepKind.SECOND_SAMPLE)
    assert step is not None
    assert "not above what it was a week before" in step.what[1]


def test_without_a_strength_the_error_says_how_to_give_it() -> None:
    """The option that takes it is named."""
    with pytest.raises(QuantityError) as caught:
        planned(replace(DRY, original_gravity_sg=None))
    assert "--alcohol" in caught.value.hint
