"""The plan: from the last bubble to the keg, dated and ordered, with weights from the batch's own figures.

Order and waiting are common practice: prove the end by two hand samples, rack, sulfite, sorbate a day
later, sweeten a day after that, acid on another day than the sulfite, flavour, a week's watch, keg. Where
sorbate does not hold the sweetness, as in any session mead, flavour comes first and the sugar last, into
the cold. The figures come of the mass balances and doses of this room. Nothing here asks a clock: day 0 is
given.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.cellar import plan_packaging, plan_steps
from monitor.cellar.carbonation import residual_volumes
from monitor.cellar.caution import Caution, Hazard
from monitor.cellar.infusion import USUAL_DAYS
from monitor.cellar.plan_packaging import WATCH_DAYS
from monitor.cellar.plan_sheet import Amount, AmountKind, BatchFacts, Course, Days, Plan, PlanStep, not_enough
from monitor.cellar.plan_steps import SAMPLE_GAP_DAYS
from monitor.cellar.sorbate import Reliance, SorbateDose, sorbate_dose
from monitor.cellar.sulfite import ACIDIFY_FIRST_PH, USUAL_TARGET_MG_L, sulfite_dose
from monitor.cellar.sweetening import Sweetening, sweeten
from monitor.errors import QuantityError
from monitor.must.alcohol import composition, composition_by_strength
from monitor.must.liquid import Liquid
from monitor.units import POINTS_PER_SG

ASSUMED_PH: Final = 3.6
"""Where nobody measured: finished meads mostly lie between 3.2 and 3.8 (common practice); the upper part asks
for the larger, protecting dose."""
DRY_TARGET_MG_L: Final = 0.5
"""Molecular SO2 for a dry mead, common practice; a sweet one gets 0.8."""
TOLERATED_POINTS: Final = 2.0
DRY_REST_DAYS: Final = 3.0


def batch_liquid(facts: BatchFacts) -> Liquid:
    """The whole batch as masses, from its strength where given, else from both gravities.

    Raises QuantityError where neither is known, or they cannot be.
    """
    if facts.abv is not None:
        return composition_by_strength(facts.abv, facts.gravity_sg).of_volume(facts.volume_l)
    if facts.original_gravity_sg is None:
        raise QuantityError(
            f"the alcohol of {facts.name} is not known",
            hint="write its original gravity on the sheet; where sugar went in on the way and no float showed"
            " by how much the gravity rose, that no longer tells it: then ask carboyd sulfite and carboyd"
            " sorbate, with the strength as you know it",
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
        facts=_facts(facts, abv),
        assumptions=tuple(_assumptions(facts, course)),
        steps=tuple(sorted(_steps(course), key=lambda step: step.day)),
        end_sg=course.ready_sg,
        end_abv=course.ready_abv,
        end_volume_l=course.ready_l,
        cautions=tuple(_cautions(facts, course)),
    )


def _course(facts: BatchFacts) -> Course:
    ready = batch_liquid(facts)
    ph = ASSUMED_PH if facts.ph is None else facts.ph
    sweetening = _sweetening(facts, ready)
    if sweetening is not None:
        ready = sweetening.liquid
    # above this pH the plan acidifies first, so the dose is for where that leads
    dosed_ph = min(ph, ACIDIFY_FIRST_PH)
    sulfite = sulfite_dose(
        ready.volume_l,
        dosed_ph,
        alcohol_abv=ready.abv,
        temperature_c=facts.temperature_c,
        molecular_target_mg_l=DRY_TARGET_MG_L if sweetening is None else USUAL_TARGET_MG_L,
        free_mg_l=facts.free_so2_mg_l,
    )
    sorbate: SorbateDose | None = None
    if sweetening is not None and sweetening.fermentable_g > 0.0:
        sorbate = sorbate_dose(
            ready.volume_l,
            alcohol_abv=ready.abv,
            ph=dosed_ph,
            malolactic=facts.malolactic,
            molecular_so2_mg_l=sulfite.molecular_target_mg_l,
        )
    return Course(
        facts=facts,
        ph=ph,
        sweetening=sweetening,
        sulfite=sulfite,
        sorbate=sorbate,
        ready_sg=ready.sg,
        ready_abv=ready.abv,
        ready_l=ready.volume_l,
        days=_days(facts, ph, sweetening is not None, not_enough(sorbate)),
    )


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
    if course.ph > ACIDIFY_FIRST_PH:
        yield plan_steps.acidify(course)
    yield plan_steps.sulfite(course)
    yield from _holding(course)
    if course.sweetening is not None:
        yield plan_steps.sweeten(course, course.sweetening)
    if facts.acid_rise_g_l > 0.0:
        yield plan_steps.acid(course)
    if facts.infusion:
        yield plan_steps.infuse(course)
    if course.sweetening is not None:
        yield plan_packaging.watch(course)
    volumes = facts.carbonation_volumes
    if volumes is not None and volumes > residual_volumes(facts.keg_temperature_c):
        yield plan_packaging.keg(course, volumes)
    else:
        yield plan_packaging.bottle(course)


def _holding(course: Course) -> Iterator[PlanStep]:
    """What keeps the new sugar from fermenting: sorbate, or what else where that is not enough."""
    dose = course.sorbate
    if dose is None:
        return
    if dose.reliance is not Reliance.FORBIDDEN:
        yield plan_steps.sorbate(course, dose)
    if course.held_cold:
        yield plan_steps.hold_sweetness(course, dose)


def _facts(facts: BatchFacts, abv: float) -> tuple[Amount, ...]:
    found = [
        Amount("volume", AmountKind.VOLUME, facts.volume_l),
        Amount("gravity", AmountKind.GRAVITY, facts.gravity_sg),
        Amount("alcohol", AmountKind.STRENGTH, abv),
        Amount("temperature", AmountKind.TEMPERATURE, facts.temperature_c),
    ]
    if facts.original_gravity_sg is not None:
        found.append(Amount("original gravity", AmountKind.GRAVITY, facts.original_gravity_sg))
    if facts.ph is not None:
        found.append(Amount("pH", AmountKind.NUMBER, facts.ph))
    if facts.vessel_l is not None:
        found.append(Amount("vessel", AmountKind.VOLUME, facts.vessel_l))
    return tuple(found)


def _assumptions(facts: BatchFacts, course: Course) -> Iterator[str]:
    if facts.ph is None:
        yield (
            f"The pH was not measured: {ASSUMED_PH:g} is assumed. A tenth more asks for a quarter more"
            " sulfite: measure it and work this out again."
        )
    elif facts.ph > ACIDIFY_FIRST_PH:
        yield (
            f"The sulfite is worked out for pH {ACIDIFY_FIRST_PH:g}, where the acid is to bring it from"
            f" {facts.ph:.2f}."
        )
    if facts.abv is None and facts.added_points:
        yield (
            f"Sugar on the way raised the gravity by {facts.added_points:.0f} points as the float read it:"
            " the alcohol is worked out as if it had been in the must from the start."
        )
    elif facts.abv is None:
        yield (
            "The alcohol follows from both gravities, as if nothing had been added or taken out on the way;"
            " glycerol and acids make it read low by a tenth or two."
        )
    if facts.free_so2_mg_l == 0.0:
        yield "No sulfite was added before."
    if not facts.malolactic:
        yield "No malolactic ferment has happened or is wanted: with one, sorbate must not be used."
    volumes = facts.carbonation_volumes
    if volumes and volumes <= residual_volumes(facts.keg_temperature_c):
        yield (
            f"{volumes:g} volumes of carbon dioxide stay in it at {facts.keg_temperature_c:g} degC without"
            " any pressure: it is taken as still."
        )
    if course.sweetening is not None:
        yield (f"The {facts.sweetener.name} holds {100.0 * facts.sweetener.solids_share:.1f} % solids.")


def _cautions(facts: BatchFacts, course: Course) -> Iterator[Caution]:
    yield Caution(
        Hazard.LAW,
        "The rules of the place decide, for making as for selling; for sale, go by licensed practice and a"
        " laboratory's figures, not by this sheet.",
    )
    end_sg = facts.expected_final_gravity_sg
    if end_sg is not None and 1e3 * (facts.gravity_sg - end_sg) > TOLERATED_POINTS:
        yield Caution(
            Hazard.PRESSURE,
            f"It stands {1e3 * (facts.gravity_sg - end_sg):.0f} points above {end_sg:.3f}, where this must"
            " could end: make sure that it has finished and not stalled. A stalled batch wakes up again.",
        )
    if course.held_cold:
        yield Caution(
            Hazard.PRESSURE,
            "Sorbate does not hold this batch: sweetened, it is safe only cold, filtered or pasteurised, and"
            " never in a sealed bottle otherwise.",
        )
