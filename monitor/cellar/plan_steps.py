"""The steps of a plan, one function each: a course worked out before becomes words, amounts and cautions."""

from __future__ import annotations

import math
from typing import Final

from monitor.cellar.acid import HANDLING as ACID_HANDLING
from monitor.cellar.acid import acid_dose
from monitor.cellar.carbonation import residual_volumes
from monitor.cellar.caution import Caution, Hazard
from monitor.cellar.infusion import infusion_plan
from monitor.cellar.pasteurising import USUAL_TARGET_PU, Hold, hold
from monitor.cellar.plan_sheet import Amount, AmountKind, Course, PlanStep, StepKind
from monitor.cellar.sorbate import Reliance, Route, SorbateDose
from monitor.cellar.sulfite import ACIDIFY_FIRST_PH
from monitor.cellar.sweetening import Sweetening

SAMPLE_GAP_DAYS: Final = 3.0
"""Two equal hand samples so far apart show the end, common practice; necessary, not sufficient."""
PASTEURISE_C: Final = 65.0
_FRIDGE_C: Final = 4.0

_CLEAN: Final = Caution(
    Hazard.QUALITY, "Everything that touches it must be clean and sanitised; never pour a sample back."
)
_GLASS: Final = Caution(
    Hazard.QUALITY,
    "A full glass vessel is heavy, slippery and breaks into blades: two people, dry hands, never by the"
    " neck.",
)


def _mass(what: str, grams: float) -> Amount:
    return Amount(what, AmountKind.MASS, grams)


def _volume(what: str, litres: float) -> Amount:
    return Amount(what, AmountKind.VOLUME, litres)


def first_sample(course: Course) -> PlanStep:
    """The first of two hand samples."""
    facts = course.facts
    return PlanStep(
        kind=StepKind.FIRST_SAMPLE,
        title="Take a first hand sample",
        day=0.0,
        what=(
            "Draw a sample, stir the gas out of it, and read its gravity at 20 degC or correct for its"
            " temperature.",
            "Measure its pH too, and write both down: the gravity as a hand sample, the pH on the sheet"
            " (carboyd batch change BATCH --ph).",
            f"Where it reads another gravity than {facts.gravity_sg:.3f}, the sample is right: work this plan"
            " out again with it.",
        ),
        amounts=(Amount("gravity expected", AmountKind.GRAVITY, facts.gravity_sg),),
        why="A float can stick or wander; everything below hangs on a gravity that a hydrometer has read.",
        cautions=(_CLEAN,),
    )


def second_sample(course: Course) -> PlanStep:
    """The second sample, which says go or wait."""
    return PlanStep(
        kind=StepKind.SECOND_SAMPLE,
        title="Take a second hand sample",
        day=course.days.second_sample,
        what=(
            "Read the gravity again in the same way.",
            "Go on only if it is the first one within a point (0.001) and not above what it was a week"
            " before; where it fell further, wait and sample again.",
        ),
        amounts=(Amount("gravity expected", AmountKind.GRAVITY, course.facts.gravity_sg),),
        why="Two equal samples some days apart show that it stands still. Sulfite and sorbate do not stop a"
        " ferment that is still at work.",
        cautions=(_CLEAN,),
    )


def rack(course: Course) -> PlanStep:
    """Off the lees, and out what would not fit later: before any dose, or it would take its share along."""
    sweetening = course.sweetening
    spare_l = 0.0 if sweetening is None else sweetening.draw_off_l
    spare: tuple[str, ...] = ()
    taken: tuple[Amount, ...] = (_volume(course.facts.drink, course.facts.volume_l),)
    if sweetening is not None and spare_l > 0.0:
        too_full = "have too little room" if sweetening.fits else "overflow"
        spare = (
            f"Take {spare_l:.2f} L of it out before anything is added: with it the vessel would {too_full}"
            " when it is sweetened, and a little is to stay free, to stir in. Keep that cold, in a full"
            " bottle under an airlock, for topping up.",
        )
        taken = (*taken, _volume("take out", spare_l), _volume("stays", course.facts.volume_l - spare_l))
    return PlanStep(
        kind=StepKind.RACK,
        title="Rack it off the lees",
        day=course.days.second_sample,
        what=(
            f"Siphon the clear {course.facts.drink} quietly into a clean vessel and leave the sediment"
            " behind.",
            "Measure the volume that came over: where it is more than a twentieth off, work this plan out"
            " again with it.",
            *spare,
        ),
        amounts=taken,
        why="Yeast left behind is yeast that need not be held back; every dose below goes by this volume.",
        cautions=(
            _GLASS,
            Caution(
                Hazard.CARBON_DIOXIDE,
                "Carbon dioxide lies in vessel and cellar: never put the head in, start the siphon without"
                " the mouth, and let air into the room.",
            ),
            Caution(Hazard.QUALITY, "Do not splash: air turns it brown and flat before it is sulfited."),
        ),
    )


def acidify(course: Course) -> PlanStep:
    """Acid before sulfite, where the pH is too high for it."""
    return PlanStep(
        kind=StepKind.ACIDIFY,
        title="Bring the pH down first",
        day=course.days.second_sample,
        what=(
            f"Stir in {course.facts.acid_solution.acid.value} acid, half a gram a litre at a time, and"
            f" measure the pH after each until it reads {ACIDIFY_FIRST_PH:g} or less.",
            "Taste each time: stop where it turns sharp, and then rely on cold instead of sulfite.",
            "Wait a day before the sulfite.",
        ),
        amounts=(
            _mass("acid in each step", 0.5 * course.facts.volume_l),
            Amount("pH to reach", AmountKind.NUMBER, ACIDIFY_FIRST_PH),
        ),
        why=f"At pH {course.ph:.2f} so little of the sulfite is in the form that protects that the dose would"
        " pass taste and limits.",
        cautions=ACID_HANDLING,
    )


def sulfite(course: Course) -> PlanStep:
    """The metabisulfite."""
    dose = course.sulfite
    return PlanStep(
        kind=StepKind.SULFITE,
        title=f"Add {dose.salt.value}",
        day=course.days.sulfite,
        what=(
            f"Dissolve the {dose.salt.value} in a little cool water and stir it in gently.",
            "Measure free sulfite and pH a day later, where you can.",
        ),
        amounts=(
            _mass(dose.salt.value, dose.salt_g),
            _volume("or as 10 % solution", dose.stock_10_percent_ml / 1e3),
            Amount("SO2 added", AmountKind.CONCENTRATION, dose.so2_to_add_mg_l),
            Amount("total SO2 after", AmountKind.CONCENTRATION, dose.total_after_mg_l),
        ),
        why=f"{dose.molecular_target_mg_l:g} mg/L of molecular SO2 keeps bacteria and air at bay; at pH"
        f" {min(course.ph, ACIDIFY_FIRST_PH):.2f} that takes {dose.free_needed_mg_l:.0f} mg/L free, of which"
        f" {100.0 * dose.bound_share:.0f} % of an addition is lost to binding." + _for_after(course),
        cautions=dose.cautions,
    )


def _for_after(course: Course) -> str:
    return " Worked out for the volume and strength after sweetening." if course.sweetening else ""


def sorbate(course: Course, dose: SorbateDose) -> PlanStep:
    """The sorbate, with how far it can be trusted."""
    enough = dose.reliance is Reliance.ENOUGH
    return PlanStep(
        kind=StepKind.SORBATE,
        title="Add potassium sorbate" if enough else "Add potassium sorbate, as a help only",
        day=course.days.sorbate,
        what=(
            "Dissolve it in lukewarm water and stir it in slowly; never together with acid.",
            *(("Wait a day before sweetening.",) if course.sweetening else ()),
        ),
        amounts=(
            _mass("potassium sorbate", course.sorbate_due_g),
            Amount("sorbic acid after", AmountKind.CONCENTRATION, dose.sorbic_acid_mg_l),
        ),
        why=f"{dose.reason} It keeps what yeast is left from multiplying on the sugar." + _for_after(course),
        cautions=dose.cautions,
    )


def hold_sweetness(course: Course, dose: SorbateDose) -> PlanStep:
    """What really holds it where sorbate does not: cold, filtration, heat."""
    heat = hold(
        sum(USUAL_TARGET_PU) / 2.0,
        PASTEURISE_C,
        sealed=False,
        dissolved_volumes=residual_volumes(max(course.temperature_c, 0.0)),
    )
    minutes = (
        (Amount("or hold it still at 65 degC for", AmountKind.MINUTES, heat.minutes),)
        if isinstance(heat, Hold)
        else ()
    )
    # the step before has said the others
    repeated = course.sorbate_due_g > 0.0
    # no sweetener helps against sugar that is there already
    routes = [one for one in dose.routes if one is not Route.NON_FERMENTABLE or not course.still_sweet]
    said = tuple(c for c in dose.cautions if not repeated or c.hazard is Hazard.PRESSURE)
    return PlanStep(
        kind=StepKind.HOLD,
        title="Decide what holds the sweetness",
        day=course.days.sorbate,
        what=(
            "Choose one of these; the days below are for the first."
            if course.sweetening is None
            else "Choose one of these before any sugar goes in; the days below are for the first.",
            *(f"{route.value[0].upper()}{route.value[1:]}." for route in routes),
        ),
        amounts=(
            Amount("keep it no warmer than", AmountKind.TEMPERATURE, _FRIDGE_C),
            *minutes,
        ),
        why=dose.reason,
        cautions=(*said, *heat.cautions),
    )


def _room(sweetening: Sweetening) -> tuple[str, ...]:
    """What is left free in the vessel, where one is known."""
    if sweetening.free_l is None:
        return ()
    return (f"{sweetening.free_l:.2f} L of the vessel stay free.",)


def sweeten(course: Course, sweetening: Sweetening) -> PlanStep:
    """The sweetener in tasted steps."""
    names = ("first half", "then a quarter", "last quarter")
    reached = ", ".join(f"{step.gravity_sg:.3f}" for step in sweetening.steps)
    chill = ("Chill it first, and keep it cold from here on.",) if course.held_cold else ()
    return PlanStep(
        kind=StepKind.SWEETEN,
        title=f"Sweeten with {sweetening.sweetener.name}, in tasted steps",
        day=course.days.sweeten,
        what=(
            *chill,
            f"Stir in half of the {sweetening.sweetener.name}, loosened in some of the"
            f" {course.facts.drink}, and taste after an hour; then a quarter, and taste; then the last"
            " quarter.",
            f"The gravity should read {reached} in turn. Stop where it tastes right: the target is only where"
            " you meant to go.",
            *_room(sweetening),
        ),
        amounts=(
            _mass(f"{sweetening.sweetener.name}, all of it", sweetening.mass_g),
            *(_mass(name, step.adds_g) for name, step in zip(names, sweetening.steps, strict=True)),
            Amount("gravity after", AmountKind.GRAVITY, sweetening.target_sg),
            _volume("volume after", sweetening.volume_l),
            Amount("alcohol after", AmountKind.STRENGTH, sweetening.abv),
        ),
        why=f"From {sweetening.from_sg:.3f} to {sweetening.target_sg:.3f} by mass balance: the sweetener's"
        f" own volume raises {sweetening.from_volume_l:.2f} L to {sweetening.volume_l:.2f} L.",
        cautions=sweetening.cautions,
    )


def acid(course: Course) -> PlanStep:
    """Acid by taste, in tasted steps."""
    facts = course.facts
    dose = acid_dose(course.ready_l, facts.acid_rise_g_l, facts.acid_solution)
    names = ("first half", "then a quarter", "last quarter")
    return PlanStep(
        kind=StepKind.ACID,
        title=f"Balance it with {dose.acid.value} acid, in tasted steps",
        day=course.days.acid,
        what=(
            "Stir in half of the solution, wait an hour, taste; then a quarter, and taste; then the last.",
            "Stop a little early where it will sparkle: carbonation adds sharpness of its own.",
        ),
        amounts=(
            _volume(
                f"{facts.acid_solution.strength_percent:g} % solution, all of it", dose.solution_ml / 1e3
            ),
            *(_volume(name, step.solution_ml / 1e3) for name, step in zip(names, dose.steps, strict=True)),
            _mass("acid in it", dose.acid_g),
        ),
        why="Sweetness without acid tastes flat. Another day than the sulfite, because acid drives its gas"
        " out.",
        cautions=dose.cautions,
    )


def infuse(course: Course) -> PlanStep:
    """Flavour in, and the window in which it comes out."""
    facts, day = course.facts, course.days.infuse
    plan = infusion_plan(course.ready_l, facts.infusion_g_l)
    first, last = plan.usual_days
    return PlanStep(
        kind=StepKind.INFUSE,
        title=f"Put in the {facts.infusion}",
        day=day,
        until_day=day + last,
        what=(
            f"Hang the {facts.infusion} in, in a weighted bag that comes out again.",
            f"Taste from day {math.floor(day + plan.reminders[0].day)} on, every second day.",
            f"Take it out as soon as it is right, mostly between day {day + first:g} and day"
            f" {day + last:g}; at the latest on day {day + plan.latest_day:g}.",
        ),
        amounts=(_mass(facts.infusion, plan.amount_g),),
        why="Flavour follows strength and time, and no rule knows either: tasting decides (common practice).",
        cautions=plan.cautions,
    )
