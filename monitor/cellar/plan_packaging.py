"""The last steps of a plan: the week of watching, and the keg or the bottle."""

from __future__ import annotations

from typing import Final

from monitor.cellar.carbonation import keg_pressure
from monitor.cellar.caution import Caution, Hazard
from monitor.cellar.plan_sheet import COLD_KEG_C, Amount, AmountKind, Course, PlanStep, StepKind
from monitor.errors import QuantityError

WATCH_DAYS: Final = 7.0


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
            Amount("mead", AmountKind.VOLUME, course.ready_l),
        ),
        why=f"{volumes:g} volumes of carbon dioxide settle in a liquid at this temperature under this"
        " pressure (Henry's law in water; sugar raises it a little).",
        cautions=(
            *pressure.cautions,
            *_too_warm(course),
            *(bottles if course.sweet else ()),
            *_marking(course),
        ),
    )


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
        amounts=(Amount("mead", AmountKind.VOLUME, course.ready_l),),
        why="What no keg is made for, no regulator is to be set to.",
        cautions=(
            Caution(Hazard.PRESSURE, "Seal it in nothing before that."),
            *_marking(course),
        ),
    )


def bottle(course: Course) -> PlanStep:
    """Still: under which condition it may be closed up."""
    sure = (
        "Close it up only where it is sure to hold the sulfite and the sorbate that it should, as said at the"
        " beginning: a week's stillness does not tell. Then: "
        if course.sorbate_on_trust or (course.sorbate is not None and course.on_trust)
        else ""
    )
    how = (
        f"{sure}Fill clean bottles, leave a finger's breadth of air, close them and keep them cool and dark."
        if not course.held_cold
        else "Close it up only if it was filtered sterile or pasteurised; otherwise keep it cold, under an"
        " airlock or in a keg with a relief valve."
    )
    return PlanStep(
        kind=StepKind.BOTTLE,
        title="Close it up, still",
        day=course.days.package,
        what=(how,),
        amounts=(Amount("mead", AmountKind.VOLUME, course.ready_l),),
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
    if course.sweet:
        return "It has stood still for a week with its sugar in."
    return (
        f"It stands where such a must usually ends: by its gravity about {max(course.left_g_l, 0.0):.0f} g/L"
        " of what it holds could ferment, some grams more or less. No gravity proves it dry: that is what the"
        " bottle opened early is for."
    )
