"""The last steps of a plan: the week of watching, and the keg or the bottle."""

from __future__ import annotations

from typing import Final

from monitor.cellar.carbonation import KPA_PER_BAR, keg_pressure
from monitor.cellar.caution import Caution, Hazard
from monitor.cellar.plan_sheet import COLD_KEG_C, Amount, AmountKind, Course, PlanStep, StepKind
from monitor.cellar.pressure import WARM_ROOM_C, volumes_of
from monitor.errors import QuantityError
from monitor.units import POINTS_PER_SG

WATCH_DAYS: Final = 7.0
PROOF_DAYS: Final = 21.0
"""Three weeks: time for a sample with fresh yeast to end and to stand still for a week (common practice)."""

_UNDER_AIRLOCK: Final = (
    "Leave it under an airlock for a week, and read the gravity at its start and its end.",
    "Seal nothing if it fell by more than a point: it is fermenting again.",
)
_IN_THE_COLD: Final = (
    f"Keep it at {COLD_KEG_C:g} degC or colder, under an airlock or in a keg with a relief valve, and read"
    " the gravity now and in a week.",
    "Where it fell by more than a point, vent the keg, make it colder, and drink it soon or pasteurise it"
    " still.",
)


def watch(course: Course) -> PlanStep:
    """The week after the last sugar went in, or after the sorbate where it was sweet before."""
    return PlanStep(
        kind=StepKind.WATCH,
        title="Keep it cold and watch it" if course.held_cold else "Watch it under the airlock",
        day=course.days.sweeten,
        until_day=course.days.sweeten + WATCH_DAYS,
        what=_IN_THE_COLD if course.held_cold else _UNDER_AIRLOCK,
        amounts=(Amount("gravity to stand at", AmountKind.GRAVITY, course.ready_sg),),
        why="A week in the cold shows that the cold holds it, and nothing more: warm, it may ferment again."
        if course.held_cold
        else "The only proof that it is stable is that it stands still with its sugar in.",
        cautions=(
            Caution(
                Hazard.PRESSURE,
                "Never tighten a lid on a batch that may be working: glass bursts.",
            ),
        ),
    )


_FORCED: Final = (
    "Before any sulfite goes in, put half a litre of it aside with a spoonful of fresh yeast, under an"
    " airlock at 25 degC, and read its gravity every few days until it has stood still for a week.",
    "Where that sample ends more than a point lower, the batch can too: close up nothing, and leave it under"
    " the airlock or in a keg with a relief valve. Throw the sample away.",
    "Without such a sample the batch itself has to stand still, within a point, for three weeks at 20 to 25"
    " degC; that proves less, above all with sulfite in it.",
)
_BY_WAITING: Final = (
    "Sulfite went in, so that a sample with fresh yeast may stand still for that alone and proves nothing."
    " Leave the batch under an airlock at 20 to 25 degC for three weeks, and read its gravity every week.",
    "Where it falls by more than a point, close up nothing. Standing still so long proves little while the"
    " sulfite holds: where in doubt leave it in a keg with a relief valve, or pasteurise it still.",
)


def _at_worst(course: Course) -> str:
    """What a bottle would come to if it fell as far as it could."""
    fall_points = max((course.facts.gravity_sg - course.lowest_sg) * POINTS_PER_SG, 0.0)
    held_kpa = course.worst_kpa
    held = (
        "more than any bottle is made for"
        if held_kpa is None
        else f"{held_kpa / KPA_PER_BAR:.1f} bar over the atmosphere in a warm place ({WARM_ROOM_C:g} degC)"
    )
    return (
        f"At the worst, of a must rich in what ferments, it could still fall {fall_points:.1f}"
        f" points, to {course.lowest_sg:.3f}: that alone would make {volumes_of(course.most_left_g_l):.1f}"
        f" volumes in a closed bottle, with what is dissolved {held}."
    )


def prove(course: Course) -> PlanStep:
    """That nothing is left to ferment, where no more than its gravity says so."""
    held_kpa = course.worst_kpa
    pressure = (
        (Amount(f"pressure then, at {WARM_ROOM_C:g} degC", AmountKind.PRESSURE, held_kpa),)
        if held_kpa is not None
        else ()
    )
    return PlanStep(
        kind=StepKind.PROVE,
        title="Prove that nothing is left to ferment",
        day=course.days.second_sample,
        until_day=course.days.second_sample + PROOF_DAYS,
        what=_BY_WAITING if course.facts.stabilised else _FORCED,
        amounts=(
            Amount("gravity to stand at", AmountKind.GRAVITY, course.facts.gravity_sg),
            Amount("could end as low as", AmountKind.GRAVITY, course.lowest_sg),
            Amount("volumes in a closed bottle then", AmountKind.NUMBER, round(course.worst_volumes, 1)),
            *pressure,
        ),
        why=f"{_at_worst(course)} A still bottle is made for no pressure at all.",
        cautions=(
            Caution(
                Hazard.PRESSURE,
                "A gravity that stands still for some days shows that the yeast rests, not that it has"
                " nothing left: seal it in no bottle before this proof.",
            ),
        ),
    )


def _marking(course: Course) -> tuple[Caution, ...]:
    return (
        Caution(
            Hazard.ALCOHOL,
            f"Mark it with its strength, about {course.ready_abv:.1f} % by volume, and with 'contains"
            " sulfites'; keep it from children, and from those who drive, are pregnant or take medicines.",
        ),
    )


def _too_warm(course: Course) -> tuple[Caution, ...]:
    if not course.held_cold or course.facts.keg_temperature_c <= COLD_KEG_C:
        return ()
    text = (
        f"A keg at {course.facts.keg_temperature_c:g} degC is not cold enough to hold this batch: keep it at"
        f" {COLD_KEG_C:g} degC or colder, or filter or pasteurise it before."
    )
    return (Caution(Hazard.PRESSURE, text),)


def keg(course: Course, volumes: float) -> PlanStep:
    """Into the keg, and the pressure that carbonates it."""
    facts = course.facts
    cold = ("Keep it this cold until the last glass.",) if course.held_cold else ()
    try:
        pressure = keg_pressure(volumes, facts.keg_temperature_c)
    except QuantityError as error:
        return _unkegged(course, f"{error}: {error.hint}.")
    rest = pressure.days_at_rest
    bottles = (
        Caution(
            Hazard.PRESSURE,
            "Do not bottle it instead: sweet and unpasteurised in a sealed bottle is how bottles burst.",
        ),
    )
    return PlanStep(
        kind=StepKind.KEG,
        title="Keg and carbonate it",
        day=course.days.package,
        until_day=course.days.package + rest[1],
        what=(
            "Fill a clean, rated keg without splashing, close it, blow the air out with carbon dioxide and"
            " chill it.",
            f"Set the regulator and leave it {rest[0]} to {rest[1]} days; rocked now and then it takes"
            f" {pressure.days_rocked[0]} to {pressure.days_rocked[1]}.",
            *cold,
        ),
        amounts=(
            Amount("carbonation in volumes", AmountKind.NUMBER, volumes),
            Amount("at", AmountKind.TEMPERATURE, facts.keg_temperature_c),
            Amount("regulator", AmountKind.PRESSURE, pressure.gauge_kpa),
            Amount("up to, where it is sweet", AmountKind.PRESSURE, pressure.highest_gauge_kpa),
            Amount(facts.drink, AmountKind.VOLUME, course.ready_l),
        ),
        why=f"{volumes:g} volumes of carbon dioxide settle in a liquid at this temperature under this"
        " pressure (Henry's law in water; sugar raises it a little).",
        cautions=(
            *pressure.cautions,
            *_too_warm(course),
            *(bottles if course.sweet else _unproved(course)),
            *_marking(course),
        ),
    )


def _unproved(course: Course) -> tuple[Caution, ...]:
    """What is said of bottles where a dry batch goes into a keg."""
    if not course.could_push:
        return ()
    text = (
        f"Do not bottle it instead. {_at_worst(course)} Bottles want the proof of a sample with fresh yeast"
        " first."
    )
    return (Caution(Hazard.PRESSURE, text),)


def _unkegged(course: Course, reason: str) -> PlanStep:
    """What stands in the place of a keg whose carbonation cannot be; the steps before hold all the same."""
    return PlanStep(
        kind=StepKind.KEG,
        title="Decide how much it is to sparkle",
        day=course.days.package,
        what=(
            f"No pressure can be given: {reason}",
            "Write another carbonation on the sheet, and work this plan out again before it is kegged.",
        ),
        amounts=(Amount(course.facts.drink, AmountKind.VOLUME, course.ready_l),),
        why="What no keg is made for, no regulator is to be set to.",
        cautions=(
            Caution(Hazard.PRESSURE, "Seal it in nothing before that."),
            *_marking(course),
        ),
    )


def _only_proved(course: Course) -> str:
    """The condition of closing up; fresh yeast proves nothing in what is sulfited already."""
    stood = f"within a point of {course.facts.gravity_sg:.3f}"
    still = f"the batch stood still {stood} for three weeks at 20 to 25 degC"
    proof = still if course.facts.stabilised else f"the sample with fresh yeast ended {stood}, or {still}"
    return (
        f"Close it up only where {proof}; otherwise leave it under the airlock, or in a keg with a relief"
        " valve. Then: "
    )


def bottle(course: Course) -> PlanStep:
    """Still: under which condition it may be closed up."""
    sure = (
        "Close it up only where it is sure to hold the sulfite and the sorbate that it should, as said at the"
        " beginning: a week's stillness does not tell. Then: "
        if course.sorbate_on_trust or (course.sorbate is not None and course.on_trust)
        else ""
    )
    proved = _only_proved(course) if course.proof_due else ""
    how = (
        f"{sure}{proved}Fill clean bottles, leave a finger's breadth of air, close them and keep them"
        " cool and dark."
        if not course.held_cold
        else "Close it up only if it was filtered sterile or pasteurised; otherwise keep it cold, under an"
        " airlock or in a keg with a relief valve."
    )
    return PlanStep(
        kind=StepKind.BOTTLE,
        title="Close it up, still",
        day=course.days.package,
        what=(how,),
        amounts=(Amount(course.facts.drink, AmountKind.VOLUME, course.ready_l),),
        why=_why_closed(course),
        cautions=(
            Caution(
                Hazard.PRESSURE,
                "Open one bottle after two weeks: where it hisses, chill all of them, wear eye protection and"
                " gloves, and vent them.",
            ),
            *_marking(course),
        ),
    )


def _why_closed(course: Course) -> str:
    if course.held_cold:
        return (
            "It is sweet, and sorbate does not hold it: only what takes the yeast out or kills it makes a"
            " closed bottle of it safe."
        )
    at_worst = f" {_at_worst(course)}" if course.proof_due else ""
    if course.sweet:
        return "It has stood still for a week with its sugar in." + at_worst
    told_by = "the proof and the bottle opened early are" if at_worst else "the bottle opened early is"
    return (
        f"It stands where such a must usually ends: by its gravity about {max(course.left_g_l, 0.0):.0f} g/L"
        f" of what it holds could ferment, some grams more or less.{at_worst} No gravity proves it dry:"
        f" that is what {told_by} for."
    )
