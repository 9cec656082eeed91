"""A dry batch is closed up only on proof: the lowest end that it could come to, and what that would make."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.cellar.carbonation import G_PER_L_PER_VOLUME
from monitor.cellar.caution import Hazard
from monitor.cellar.ending import fermentable_left_g_l, lowest_end, lowest_final_gravity_sg
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_packaging import PROOF_DAYS
from monitor.cellar.plan_sheet import BatchFacts, Plan, PlanStep, StepKind
from monitor.cellar.pressure import beyond_plain_bottle, co2_from_drop_g_per_l, volumes_of
from monitor.cellar.priming import VOLUMES_PER_POINT
from monitor.must.alcohol import composition, expected_final_gravity_sg
from monitor.must.honey import LACTOSE, MOST_FERMENTABLE_SHARE

DRY = BatchFacts(
    name="session",
    volume_l=18.0,
    gravity_sg=0.998,
    temperature_c=18.0,
    original_gravity_sg=1.040,
    ph=3.5,
    carbonation_volumes=0.0,
)
LOWEST_SG = 0.9938
"""Of a must of 1.040 of which 94.3 % ferments, by Balling's balance, worked out apart."""


def planned(facts: BatchFacts) -> Plan:
    return plan_for(facts, 1_772_956_800_000)


def the(plan: Plan, kind: StepKind) -> PlanStep:
    step = plan.step(kind)
    assert step is not None
    return step


def test_the_lowest_end_is_one_for_all() -> None:
    """From the gravity as it stands or from the must, the balance leads to the same end."""
    for og, now in ((1.040, 0.998), (1.100, 0.996), (1.040, 1.040)):
        by_must = expected_final_gravity_sg(og, MOST_FERMENTABLE_SHARE)
        assert lowest_final_gravity_sg(og) == pytest.approx(by_must, abs=1e-9)
        assert lowest_end(composition(og, now)).sg == pytest.approx(by_must, abs=1e-9)
    assert lowest_final_gravity_sg(1.040) == pytest.approx(LOWEST_SG, abs=1e-4)
    assert lowest_end(composition(1.040, 0.992)).sg == pytest.approx(0.992, abs=1e-9)


def test_what_could_fall_makes_the_gas_of_that_fall() -> None:
    """4.2 points are 2.35 volumes, by the sugar left as by the fall; priming has no less for a point."""
    base = composition(1.040, 0.998)
    made = volumes_of(fermentable_left_g_l(base, 1.0 - MOST_FERMENTABLE_SHARE))
    by_fall = co2_from_drop_g_per_l(0.998, lowest_end(base).sg, base.abv) / G_PER_L_PER_VOLUME
    assert made == pytest.approx(by_fall, rel=1e-6)
    # 4.2 times 0.56: Balling's 0.50 at this strength, and a ninth for the yeast that does not grow
    assert made == pytest.approx(2.35, abs=0.02)
    assert made <= VOLUMES_PER_POINT * 4.2 == pytest.approx(made, rel=0.05)


def test_a_dry_still_mead_is_closed_on_proof() -> None:
    """The proof begins before the sulfite, and nothing is closed before it has had its three weeks."""
    plan = planned(DRY)
    prove, bottle = the(plan, StepKind.PROVE), the(plan, StepKind.BOTTLE)
    order = [step.kind for step in plan.steps]
    assert order.index(StepKind.PROVE) < order.index(StepKind.SULFITE)
    assert bottle.day == prove.day + PROOF_DAYS
    assert "fresh yeast" in prove.what[0]
    assert bottle.what[0].startswith("Close it up only where the sample with fresh yeast ended")


def test_the_worst_case_is_told_with_its_figures() -> None:
    """The lowest end, its volumes and its pressure stand in the proof and beside the bottles."""
    plan = planned(DRY)
    prove = the(plan, StepKind.PROVE)
    told = {one.what: one.value for one in prove.amounts}
    assert told["could end as low as"] == pytest.approx(LOWEST_SG, abs=1e-4)
    # 2.35 volumes of it and the 0.86 that an open ferment leaves
    assert told["volumes in a closed bottle then"] == pytest.approx(3.2)
    # 466 kPa of CO2 over 4 % of room (Henry's law, ideal gas), 72 of air, 4 of vapour, less 101 outside
    assert told["pressure then, at 30 degC"] == pytest.approx(441.0, abs=5.0)
    for why in (prove.why, the(plan, StepKind.BOTTLE).why):
        assert "could still fall 4.2 points, to 0.994" in why
        assert "2.4 volumes" in why
        assert "4.4 bar" in why
    assert any(one.hazard is Hazard.PRESSURE for one in prove.cautions)


def test_what_has_ended_lowest_wants_no_proof() -> None:
    """At the lowest end that a must can come to nothing is left to push a cork."""
    plan = planned(replace(DRY, gravity_sg=0.9935))
    assert plan.step(StepKind.PROVE) is None
    assert the(plan, StepKind.BOTTLE).what[0].startswith("Fill clean bottles")
    assert not beyond_plain_bottle(0.0)
    assert beyond_plain_bottle(1.0)
    assert beyond_plain_bottle(30.0)


def test_a_sulfited_batch_is_not_proved_by_fresh_yeast() -> None:
    """Where sulfite went in already, a sample that stands still may do so for that alone."""
    plan = planned(replace(DRY, stabilised=True))
    assert "Sulfite went in" in the(plan, StepKind.PROVE).what[0]
    assert "fresh yeast" not in the(plan, StepKind.BOTTLE).what[0]
    assert "stood still within a point of 0.998 for three weeks" in the(plan, StepKind.BOTTLE).what[0]


def test_a_sweetener_that_yeast_leaves_alone_hides_no_sugar() -> None:
    """Sweetened with lactose the batch below it is as dry as before, and is proved in the same way."""
    plan = planned(replace(DRY, sweeten_to_sg=1.010, sweetener=LACTOSE))
    assert plan.step(StepKind.SORBATE) is None
    assert the(plan, StepKind.BOTTLE).day >= the(plan, StepKind.PROVE).day + PROOF_DAYS
    assert "4.2 points" in the(plan, StepKind.BOTTLE).why


def test_a_keg_waits_for_no_proof_and_warns_of_bottles() -> None:
    """A keg has a valve: it is filled as before, and says what the same mead would do to a bottle."""
    plan = planned(replace(DRY, carbonation_volumes=3.0))
    assert plan.step(StepKind.PROVE) is None
    keg = the(plan, StepKind.KEG)
    assert keg.day < PROOF_DAYS
    assert any("Do not bottle it instead" in one.text and "2.4 volumes" in one.text for one in keg.cautions)


def test_a_sweetened_session_mead_is_told_one_thing() -> None:
    """No step of a plan that sorbate does not hold lets a gravity that stands still close it up."""
    plan = planned(replace(DRY, sweeten_to_sg=1.010))
    texts = [one.text for step in plan.steps for one in step.cautions]
    assert not any("stands still may be closed up" in text for text in texts)
    assert any("proves nothing" in one.text for one in the(plan, StepKind.SWEETEN).cautions)
