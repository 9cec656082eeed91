"""The plan: its order, its figures against the worked example, and the cautions that go with each step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar.caution import Hazard
from monitor.cellar.plan import ASSUMED_PH, batch_liquid, plan_for
from monitor.cellar.plan_sheet import AmountKind, BatchFacts, Plan, PlanStep, StepKind
from monitor.errors import QuantityError
from monitor.must.honey import LACTOSE, SUGAR, honey

START_MS = 1_772_956_800_000

SESSION = BatchFacts(
    name="orchard session",
    volume_l=18.0,
    gravity_sg=0.998,
    temperature_c=18.0,
    original_gravity_sg=1.040,
    ph=3.5,
    sweeten_to_sg=1.010,
    sweetener=honey(0.172),
    acid_rise_g_l=0.4,
    infusion="cinnamon",
    infusion_g_l=0.5,
)
STRONG = replace(SESSION, original_gravity_sg=1.105, gravity_sg=1.000, sweeten_to_sg=1.020, ph=3.3)
DRY = replace(SESSION, sweeten_to_sg=None, infusion="", acid_rise_g_l=0.0)


def kinds(plan: Plan) -> list[StepKind]:
    return [step.kind for step in plan.steps]


def the(plan: Plan, kind: StepKind) -> PlanStep:
    step = plan.step(kind)
    assert step is not None
    return step


def amount(step: PlanStep, what: str) -> float:
    return next(one.value for one in step.amounts if what in one.what)


def test_a_session_mead_is_sweetened_last_and_cold() -> None:
    """Where sorbate is not enough, flavour comes first, and the sugar goes in last, into the cold."""
    assert kinds(plan_for(SESSION, START_MS)) == [
        StepKind.FIRST_SAMPLE,
        StepKind.SECOND_SAMPLE,
        StepKind.RACK,
        StepKind.SULFITE,
        StepKind.SORBATE,
        StepKind.HOLD,
        StepKind.INFUSE,
        StepKind.SWEETEN,
        StepKind.WATCH,
        StepKind.ACID,
        StepKind.KEG,
    ]


def test_a_strong_mead_is_held_by_sorbate() -> None:
    """At 13 % vol and pH 3.3 sorbate is enough: sweetened early, watched for a week, then kegged."""
    plan = plan_for(STRONG, START_MS)
    assert kinds(plan) == [
        StepKind.FIRST_SAMPLE,
        StepKind.SECOND_SAMPLE,
        StepKind.RACK,
        StepKind.SULFITE,
        StepKind.SORBATE,
        StepKind.SWEETEN,
        StepKind.WATCH,
        StepKind.ACID,
        StepKind.INFUSE,
        StepKind.KEG,
    ]
    assert the(plan, StepKind.KEG).day >= (the(plan, StepKind.WATCH).until_day or 0.0)
    assert the(plan, StepKind.KEG).day >= (the(plan, StepKind.INFUSE).until_day or 0.0)


def test_a_dry_mead_needs_neither_sorbate_nor_watching() -> None:
    """Nothing sweet goes in, so nothing has to be held back; sulfite is for keeping only."""
    plan = plan_for(DRY, START_MS)
    assert kinds(plan) == [
        StepKind.FIRST_SAMPLE,
        StepKind.SECOND_SAMPLE,
        StepKind.RACK,
        StepKind.SULFITE,
        StepKind.KEG,
    ]
    assert plan.end_sg == pytest.approx(0.998, abs=1e-9)


def test_lactose_needs_no_sorbate() -> None:
    """A sweetener that yeast cannot take needs nothing to hold it."""
    plan = plan_for(replace(SESSION, sweetener=LACTOSE), START_MS)
    assert StepKind.SORBATE not in kinds(plan)
    assert StepKind.HOLD not in kinds(plan)
    assert StepKind.SWEETEN in kinds(plan)


def test_malolactic_activity_forbids_sorbate() -> None:
    """With lactic bacteria at work no sorbate is weighed out, and other ways are offered."""
    plan = plan_for(replace(STRONG, malolactic=True), START_MS)
    assert StepKind.SORBATE not in kinds(plan)
    assert any("geranium" in caution.text for caution in the(plan, StepKind.HOLD).cautions)


def test_a_high_ph_is_brought_down_first() -> None:
    """Above pH 3.8 acid comes a day before the sulfite, and the dose is for where that leads."""
    plan = plan_for(replace(SESSION, ph=4.2), START_MS)
    acidify, sulfite = the(plan, StepKind.ACIDIFY), the(plan, StepKind.SULFITE)
    assert acidify.day < sulfite.day
    at_limit = plan_for(replace(SESSION, ph=3.8), START_MS)
    assert amount(sulfite, "potassium") == amount(the(at_limit, StepKind.SULFITE), "potassium")
    assert any("pH 3.8" in text for text in plan.assumptions)


def test_the_figures_are_those_of_the_worked_example() -> None:
    """Honey, volume and strength are the worked example's: 691.3 g, 18.4718 L, 5.335 % (evaluated apart)."""
    plan = plan_for(SESSION, START_MS)
    sweeten = the(plan, StepKind.SWEETEN)
    assert amount(sweeten, "all of it") == pytest.approx(691.3, abs=0.06)
    assert plan.end_volume_l == pytest.approx(18.4718, abs=6e-5)
    assert plan.end_abv == pytest.approx(5.335, abs=6e-4)
    assert plan.end_sg == pytest.approx(1.010, abs=1e-9)


def test_the_sulfite_is_for_the_sweetened_volume() -> None:
    """40.0 mg/L free at pH 3.5 (0.8 molecular, pK 1.81), twice that for binding, over 0.5763 SO2 a gram."""
    sulfite = the(plan_for(SESSION, START_MS), StepKind.SULFITE)
    expected_g = 2.0 * 0.0400 * 18.4718 / 0.5763
    assert amount(sulfite, "potassium") == pytest.approx(expected_g, rel=3e-3)
    assert amount(sulfite, "10 %") == pytest.approx(expected_g / 100.0, rel=3e-3)


def test_the_acid_is_75_ml_of_ten_per_cent_in_five_gallons() -> None:
    """About 0.4 g/L in 5 US gal is 75 mL of a 10 % solution (common practice)."""
    facts = replace(DRY, volume_l=18.927, acid_rise_g_l=0.396)
    assert amount(the(plan_for(facts, START_MS), StepKind.ACID), "all of it") == pytest.approx(
        0.075, abs=1e-3
    )


def test_the_keg_pressure_is_henrys() -> None:
    """3 volumes at 4 degC are 1.10 bar (Henry's law with gas non-ideality; charts for beer say 1.19)."""
    keg = the(plan_for(SESSION, START_MS), StepKind.KEG)
    assert amount(keg, "regulator") == pytest.approx(110.0, abs=2.0)
    assert 110.0 < amount(keg, "up to") < 125.0


def test_an_unmeasured_ph_is_assumed_and_said() -> None:
    """Without a pH the plan takes 3.6 and says so."""
    plan = plan_for(replace(SESSION, ph=None), START_MS)
    assert any("not measured" in text and f"{ASSUMED_PH:g}" in text for text in plan.assumptions)
    same = plan_for(replace(SESSION, ph=ASSUMED_PH), START_MS)
    assert plan.steps == same.steps


def test_a_full_vessel_has_some_drawn_off() -> None:
    """Where the honey would overflow, the plan says how much mead comes out first, and leaves 2 % free."""
    plan = plan_for(replace(SESSION, vessel_l=18.2), START_MS)
    assert amount(the(plan, StepKind.RACK), "take out") == pytest.approx(
        (18.4718 - 0.98 * 18.2) / 18.4718 * 18.0, abs=2e-3
    )
    assert amount(the(plan, StepKind.SWEETEN), "volume after") == pytest.approx(0.98 * 18.2, abs=1e-6)
    assert "0.36 L of the vessel stay free." in the(plan, StepKind.SWEETEN).what
    assert any("would overflow" in text for text in the(plan, StepKind.RACK).what)
    # below the brim, and into the room that is to stay
    brim = plan_for(replace(SESSION, vessel_l=18.5), START_MS)
    assert amount(the(brim, StepKind.RACK), "take out") == pytest.approx(
        (18.4718 - 0.98 * 18.5) / 18.4718 * 18.0, abs=2e-3
    )
    assert any("would have too little room" in text for text in the(brim, StepKind.RACK).what)
    assert "0.37 L of the vessel stay free." in the(brim, StepKind.SWEETEN).what
    roomy = plan_for(replace(SESSION, vessel_l=19.0), START_MS)
    assert not any("take out" in one.what for one in the(roomy, StepKind.RACK).amounts)


def test_what_is_drawn_off_takes_no_dose_along() -> None:
    """Doses for the last volume go into what stays, so the concentrations said are those in the glass.

    The masses are carried through by hand: grams weighed, into the litres that stay, over the litres in the
    end; 0.7464 g of sorbic acid and 0.5763 g of SO2 a gram (IUPAC masses).
    """
    facts = replace(
        STRONG, original_gravity_sg=1.100, volume_l=18.9, vessel_l=19.0, sweeten_to_sg=1.045, ph=3.4
    )
    plan = plan_for(facts, START_MS)
    rack, sorbate, sulfite = (the(plan, k) for k in (StepKind.RACK, StepKind.SORBATE, StepKind.SULFITE))
    assert rack.day <= sulfite.day < sorbate.day < the(plan, StepKind.SWEETEN).day
    assert plan.steps.index(rack) < plan.steps.index(sulfite)
    assert amount(rack, "stays") == pytest.approx(18.9 - amount(rack, "take out"))
    assert plan.end_volume_l == pytest.approx(0.98 * 19.0)
    in_the_glass = 1e3 * amount(sorbate, "potassium sorbate") * 0.7464 / (0.98 * 19.0)
    assert in_the_glass == pytest.approx(amount(sorbate, "sorbic acid after"), rel=1e-3)
    so2 = 1e3 * amount(sulfite, "potassium") * 0.5763 / (0.98 * 19.0)
    assert so2 == pytest.approx(amount(sulfite, "SO2 added"), rel=1e-3)
    assert not any("take out" in one.what for one in the(plan, StepKind.SWEETEN).amounts)


@pytest.mark.parametrize("volumes", [None, 3.0, 5.5])
@pytest.mark.parametrize("drink", ["cider", "batch"])
def test_no_other_drink_is_called_mead(drink: str, volumes: float | None) -> None:
    """Sentences and amounts call a batch what its facts call it, with or without a keg."""
    plan = plan_for(replace(SESSION, drink=drink, ph=2.3, carbonation_volumes=volumes), START_MS)
    said = repr((plan.steps, plan.assumptions))
    assert "mead" not in said
    assert f"Siphon the clear {drink} quietly" in said
    assert f"in some of the {drink}" in said
    assert amount(the(plan, StepKind.RACK), drink) == SESSION.volume_l
    assert amount(plan.steps[-1], drink) == plan.end_volume_l


def test_a_measured_strength_goes_before_the_gravities() -> None:
    """With its strength given, a batch that was fed needs no original gravity."""
    fed = replace(SESSION, original_gravity_sg=None, abv=7.0)
    assert batch_liquid(fed).abv == pytest.approx(7.0, abs=1e-9)
    assert batch_liquid(fed).volume_l == pytest.approx(18.0, abs=1e-9)


def test_standing_high_is_warned_of() -> None:
    """A batch above its expected end is warned of as possibly stalled."""
    plan = plan_for(replace(SESSION, expected_final_gravity_sg=0.993), START_MS)
    assert any("5 points above 0.993" in caution.text for caution in plan.cautions)
    assert not any("points above" in caution.text for caution in plan_for(SESSION, START_MS).cautions)


def test_a_warm_keg_does_not_hold_a_session_mead() -> None:
    """A keg above 4 degC is warned of where only cold holds the sweetness."""
    keg = the(plan_for(replace(SESSION, keg_temperature_c=12.0), START_MS), StepKind.KEG)
    assert any("not cold enough" in caution.text for caution in keg.cautions)


@pytest.mark.parametrize("volumes", [None, 0.0, 1.0])
def test_a_still_mead_is_closed_up_and_not_kegged(volumes: float | None) -> None:
    """Without carbonation, or with no more than stays in anyway, the last step closes it up."""
    plan = plan_for(replace(SESSION, carbonation_volumes=volumes), START_MS)
    assert kinds(plan)[-1] is StepKind.BOTTLE
    assert "only if it was filtered sterile or pasteurised" in the(plan, StepKind.BOTTLE).what[0]
    strong = plan_for(replace(STRONG, carbonation_volumes=volumes), START_MS)
    assert "only if" not in the(strong, StepKind.BOTTLE).what[0]


facts_of = st.builds(
    lambda og, fall, rise, ph, infusion, acid, volumes: BatchFacts(
        name="any",
        volume_l=20.0,
        gravity_sg=og - fall,
        temperature_c=18.0,
        original_gravity_sg=og,
        ph=ph,
        sweeten_to_sg=None if rise is None else og - fall + rise,
        sweetener=SUGAR,
        acid_rise_g_l=acid,
        infusion=infusion,
        infusion_g_l=1.0,
        carbonation_volumes=volumes,
    ),
    st.floats(1.040, 1.110),
    st.floats(0.035, 0.040),
    st.none() | st.floats(0.002, 0.03),
    st.none() | st.floats(2.9, 4.6),
    st.sampled_from(["", "oak"]),
    st.sampled_from([0.0, 0.5]),
    st.none() | st.floats(1.0, 4.0),
)


@given(facts_of)
def test_every_plan_is_in_order_and_cautioned(facts: BatchFacts) -> None:
    """Days never run backwards; acid never meets sulfite on one day; each step has cautions and a reason."""
    plan = plan_for(facts, START_MS)
    days = [step.day for step in plan.steps]
    assert days == sorted(days)
    sulfite_day = the(plan, StepKind.SULFITE).day
    for kind in (StepKind.ACID, StepKind.ACIDIFY):
        step = plan.step(kind)
        assert step is None or step.day != sulfite_day
    sweeten = plan.step(StepKind.SWEETEN)
    assert sweeten is None or sweeten.day >= sulfite_day + 2.0
    for step in plan.steps:
        assert step.cautions
        assert step.what
        assert step.why.endswith(".")
    assert any(c.hazard is Hazard.SULFITE for c in the(plan, StepKind.SULFITE).cautions)
    assert plan.cautions


@given(facts_of)
def test_nothing_sweet_is_sealed_without_a_warning(facts: BatchFacts) -> None:
    """Wherever fermentable sugar goes in or is left, sweetening and packing both warn of pressure."""
    plan = plan_for(facts, START_MS)
    packing = plan.step(StepKind.KEG) or plan.step(StepKind.BOTTLE)
    assert packing is not None
    for step in (plan.step(StepKind.SWEETEN), packing):
        if step is None:
            continue
        assert any(caution.hazard is Hazard.PRESSURE for caution in step.cautions)


def test_amounts_are_of_every_kind_in_kept_units() -> None:
    """The facts are kept as amounts, temperature and strength among them."""
    found = {one.kind for one in plan_for(SESSION, START_MS).facts}
    assert {AmountKind.VOLUME, AmountKind.GRAVITY, AmountKind.STRENGTH, AmountKind.TEMPERATURE} <= found


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: plan_for(replace(SESSION, sweeten_to_sg=0.990), START_MS), "target gravity 0.99"),
        (lambda: plan_for(replace(SESSION, original_gravity_sg=None), START_MS), "alcohol .* is not known"),
        (lambda: replace(SESSION, ph=12.0), "pH 12 is outside 2 to 6"),
        (lambda: replace(SESSION, sorbate_g=-1.0), "sorbate -1 g"),
        (lambda: replace(SESSION, gravity_sg=2.0), "gravity 2 is outside"),
        (lambda: replace(SESSION, volume_l=0.0), "volume 0 L"),
        (lambda: replace(SESSION, vessel_l=10.0), "vessel 10 L"),
        (lambda: replace(SESSION, temperature_c=90.0), "temperature 90 degC"),
        (lambda: replace(SESSION, keg_temperature_c=-5.0), "keg temperature -5 degC"),
    ],
)
def test_impossible_facts_are_refused(call: Callable[[], object], says: str) -> None:
    """A fact that cannot be is refused by name, with the range."""
    with pytest.raises(QuantityError, match=says):
        call()


def test_sugar_on_the_way_is_counted_and_said() -> None:
    """A must fed by 12 points is planned as strong as one of 12 points more, and the plan says so."""
    whole = plan_for(replace(SESSION, original_gravity_sg=SESSION.original_gravity_sg + 0.012), START_MS)
    fed = plan_for(replace(SESSION, added_points=12.0), START_MS)
    assert fed.end_abv == pytest.approx(whole.end_abv)
    assert any("Sugar on the way raised the gravity by 12 points" in line for line in fed.assumptions)
    assert not any("Sugar on the way" in line for line in whole.assumptions)
