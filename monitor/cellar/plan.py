"""The plan: from the last bubble to the keg, dated and ordered, with weights from the batch's own figures.

Order and waiting are common practice: prove the end by two hand samples, rack, sulfite, sorbate a day
later, sweeten a day after that, acid on another day than the sulfite, flavour, a week's watch, keg. Where
sorbate does not hold the sweetness, as in any session mead, flavour comes first and the sugar last, into
the cold. The figures come of the mass balances and doses of this room. Nothing here asks a clock: day 0 is
given.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from monitor.cellar import plan_known, plan_packaging, plan_steps
from monitor.cellar.ending import LEAST_LEFT_SHARE, fermentable_left_g_l, lowest_end
from monitor.cellar.infusion import USUAL_DAYS
from monitor.cellar.plan_known import ASSUMED_C, ASSUMED_PH, possible_ph
from monitor.cellar.plan_packaging import PROOF_DAYS, WATCH_DAYS
from monitor.cellar.plan_sheet import (
    DRY_MOST_G_L,
    BatchFacts,
    Course,
    Days,
    Plan,
    PlanStep,
    not_enough,
)
from monitor.cellar.plan_steps import SAMPLE_GAP_DAYS
from monitor.cellar.sorbate import (
    SorbateDose,
    sorbate_dose,
)
from monitor.cellar.sulfite import ACIDIFY_FIRST_PH, DRY_TARGET_MG_L, USUAL_TARGET_MG_L, sulfite_dose
from monitor.cellar.sweetening import Sweetening, sweeten
from monitor.errors import QuantityError
from monitor.must.alcohol import composition, composition_by_strength
from monitor.must.liquid import Liquid
from monitor.units import POINTS_PER_SG

DRY_REST_DAYS: Final = 3.0
NEARLY_SHARE: Final = 0.05
"""What lacks of a dose by less than this is not worth another weighing."""


BY_STRENGTH: Final = "or tell the plan its alcohol, as you know it (on the page, or carboyd plan --alcohol)"
SUGAR_UNTOLD: Final = (
    "sugar went in, and by how much the gravity rose is not known yet: a float tells it within half a day, or"
    f" write down the hand samples from just before and just after it; {BY_STRENGTH}"
)


def batch_liquid(facts: BatchFacts) -> Liquid:
    """The whole batch as masses, from its strength where given, else from both gravities.

    Raises QuantityError where neither is known, or they cannot be.
    """
    if facts.abv is not None:
        return composition_by_strength(facts.abv, facts.gravity_sg).of_volume(facts.volume_l)
    if facts.original_gravity_sg is None:
        raise QuantityError(
            f"the alcohol of {facts.name} is not known",
            hint=SUGAR_UNTOLD
            if facts.sugar_untold
            else f"write its original gravity on the sheet; {BY_STRENGTH}",
        )
    counted_sg = facts.original_gravity_sg + facts.added_points / POINTS_PER_SG
    return composition(counted_sg, facts.gravity_sg).of_volume(facts.volume_l)


def plan_for(facts: BatchFacts, start_ms: int) -> Plan:
    """The plan of a batch that seems to have finished; its day 0 begins at `start_ms`.

    Raises QuantityError where the alcohol cannot be known, or the sweetness aimed at lies below the gravity.
    """
    course = _course(facts)
    abv = batch_liquid(facts).abv
    return Plan(
        name=facts.name,
        start_ms=start_ms,
        facts=plan_known.known(facts, abv),
        assumptions=tuple(plan_known.assumptions(facts, course)),
        steps=tuple(sorted(_steps(course), key=lambda step: step.day)),
        end_sg=course.ready_sg,
        end_abv=course.ready_abv,
        end_volume_l=course.ready_l,
        cautions=tuple(plan_known.cautions(facts, course)),
    )


def _course(facts: BatchFacts) -> Course:
    ready = base = batch_liquid(facts)
    ph = facts.ph if facts.ph is not None and possible_ph(facts.ph) else ASSUMED_PH
    temperature_c = ASSUMED_C if facts.temperature_c is None else facts.temperature_c
    left_g_l = fermentable_left_g_l(base, facts.unfermentable_share)
    least_share = min(facts.unfermentable_share, LEAST_LEFT_SHARE)
    still_sweet = left_g_l > DRY_MOST_G_L
    sweetening = _sweetening(facts, ready)
    sweet = still_sweet or sweetening is not None
    stays_l = facts.volume_l
    if sweetening is not None:
        stays_l, ready = sweetening.from_volume_l, sweetening.liquid
    # above this pH the plan acidifies first, so the dose is for where that leads
    dosed_ph = min(ph, ACIDIFY_FIRST_PH)
    # what is in it already is thinned by what is added
    thinned = stays_l / ready.volume_l
    total_mg_l = facts.total_so2_mg_l
    sulfite = sulfite_dose(
        ready.volume_l,
        dosed_ph,
        alcohol_abv=ready.abv,
        temperature_c=temperature_c,
        molecular_target_mg_l=USUAL_TARGET_MG_L if sweet else DRY_TARGET_MG_L,
        free_mg_l=thinned * (facts.free_so2_mg_l or 0.0),
        total_mg_l=None if total_mg_l is None else thinned * total_mg_l,
    )
    sorbate: SorbateDose | None = None
    if still_sweet or (sweetening is not None and sweetening.fermentable_g > 0.0):
        sorbate = sorbate_dose(
            ready.volume_l,
            alcohol_abv=ready.abv,
            ph=dosed_ph,
            malolactic=facts.malolactic,
            molecular_so2_mg_l=sulfite.molecular_target_mg_l,
        )
    course = Course(
        facts=facts,
        ph=ph,
        temperature_c=temperature_c,
        left_g_l=left_g_l,
        most_left_g_l=max(fermentable_left_g_l(base, least_share), 0.0),
        lowest_sg=lowest_end(base, least_share).sg,
        sweetening=sweetening,
        sulfite=sulfite,
        sorbate=sorbate,
        sorbate_due_g=_sorbate_due_g(facts, sorbate, stays_l),
        ready_sg=ready.sg,
        ready_abv=ready.abv,
        ready_l=ready.volume_l,
        days=_days(facts, ph, sweet, not_enough(sorbate)),
    )
    if not course.proof_due:
        return course
    proved = course.days.second_sample + PROOF_DAYS
    return replace(course, days=replace(course.days, package=max(course.days.package, proved)))


def _sorbate_due_g(facts: BatchFacts, dose: SorbateDose | None, stays_l: float) -> float:
    if dose is None or (facts.stabilised and facts.sorbate_g is None):
        return 0.0
    # what is drawn off takes its share of it along
    due_g = dose.sorbate_g - (facts.sorbate_g or 0.0) * stays_l / facts.volume_l
    return due_g if due_g > NEARLY_SHARE * dose.sorbate_g else 0.0


def _sweetening(facts: BatchFacts, base: Liquid) -> Sweetening | None:
    """The sweetening aimed at; None where there is none, or the batch is there already."""
    if facts.sweeten_to_sg is None:
        return None
    found = sweeten(base, facts.sweeten_to_sg, facts.sweetener, facts.vessel_l)
    return found if found.mass_g > 0.0 else None


def _days(facts: BatchFacts, ph: float, sweet: bool, held_cold: bool) -> Days:
    sulfite = SAMPLE_GAP_DAYS + (1.0 if ph > ACIDIFY_FIRST_PH else 0.0)
    infusion_days = USUAL_DAYS[1] if facts.infusion else 0.0
    if held_cold:
        # the sugar goes in last, once it can stay cold: flavour and all waiting come before it
        sweeten_day = max(sulfite + 2.0, sulfite + 1.0 + infusion_days)
        acid, infuse, package = sweeten_day + 1.0, sulfite + 1.0, sweeten_day + 1.0
    else:
        sweeten_day = sulfite + 2.0
        acid = infuse = sulfite + (3.0 if sweet else 1.0)
        rested = sweeten_day + WATCH_DAYS if sweet else sulfite + DRY_REST_DAYS
        package = max(rested, acid + infusion_days)
    return Days(
        second_sample=SAMPLE_GAP_DAYS,
        sulfite=sulfite,
        sorbate=sulfite + 1.0,
        sweeten=sweeten_day,
        acid=acid,
        infuse=infuse,
        package=package,
    )


def _steps(course: Course) -> Iterator[PlanStep]:
    facts = course.facts
    yield plan_steps.first_sample(course)
    yield plan_steps.second_sample(course)
    yield plan_steps.rack(course)
    if course.proof_due:
        yield plan_packaging.prove(course)
    if course.acid_first:
        yield plan_steps.acidify(course)
    if course.sulfite_due:
        yield plan_steps.sulfite(course)
    yield from _holding(course)
    if course.sweetening is not None:
        yield plan_steps.sweeten(course, course.sweetening)
    if facts.acid_rise_g_l > 0.0:
        yield plan_steps.acid(course)
    if facts.infusion:
        yield plan_steps.infuse(course)
    if course.sweet:
        yield plan_packaging.watch(course)
    if course.kegged_volumes is not None:
        yield plan_packaging.keg(course, course.kegged_volumes)
    else:
        yield plan_packaging.bottle(course)


def _holding(course: Course) -> Iterator[PlanStep]:
    """What keeps the sugar from fermenting: sorbate, or what else where that is not enough."""
    dose = course.sorbate
    if dose is None:
        return
    if course.sorbate_due_g > 0.0:
        yield plan_steps.sorbate(course, dose)
    if course.held_cold:
        yield plan_steps.hold_sweetness(course, dose)
