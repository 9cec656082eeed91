"""What a plan rests on: what is known of the batch, what is taken for granted, what the whole warns of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.cellar.carbonation import KPA_PER_BAR
from monitor.cellar.caution import Caution, Hazard
from monitor.cellar.plan_sheet import MEAD_PH, Amount, AmountKind, BatchFacts, Course
from monitor.cellar.pressure import WARM_ROOM_C
from monitor.cellar.sorbate import EU_LIMIT_MG_L, Reliance, sorbic_acid_from_sorbate
from monitor.cellar.sulfite import ACIDIFY_FIRST_PH

ASSUMED_PH: Final = 3.6
"""Where nobody measured: finished meads mostly lie between 3.2 and 3.8 (common practice); the upper part asks
for the larger, protecting dose."""
ASSUMED_C: Final = 18.0
"""A room's, where nobody measured."""
FREE_TOLD: Final = "its free SO2 (on the page, or carboyd plan --free)"
TOLERATED_POINTS: Final = 2.0
LEVEL_SG: Final = 0.0005
"""Gravities that lie closer are written alike."""


def possible_ph(ph: float) -> bool:
    """Whether a mead can have it."""
    return MEAD_PH[0] <= ph <= MEAD_PH[1]


def known(facts: BatchFacts, abv: float) -> tuple[Amount, ...]:
    """The figures that it was worked out from."""
    found = [
        Amount("volume", AmountKind.VOLUME, facts.volume_l),
        Amount("gravity", AmountKind.GRAVITY, facts.gravity_sg),
        Amount("alcohol", AmountKind.STRENGTH, abv),
    ]
    if facts.temperature_c is not None:
        found.append(Amount("temperature", AmountKind.TEMPERATURE, facts.temperature_c))
    if facts.original_gravity_sg is not None:
        found.append(Amount("original gravity", AmountKind.GRAVITY, facts.original_gravity_sg))
    if facts.ph is not None and possible_ph(facts.ph):
        found.append(Amount("pH", AmountKind.NUMBER, facts.ph))
    if facts.free_so2_mg_l is not None:
        found.append(Amount("free SO2", AmountKind.CONCENTRATION, facts.free_so2_mg_l))
    if facts.total_so2_mg_l is not None:
        found.append(Amount("total SO2", AmountKind.CONCENTRATION, facts.total_so2_mg_l))
    if facts.sorbate_g is not None:
        found.append(Amount("potassium sorbate in it", AmountKind.MASS, facts.sorbate_g))
    if facts.vessel_l is not None:
        found.append(Amount("vessel", AmountKind.VOLUME, facts.vessel_l))
    return tuple(found)


def assumptions(facts: BatchFacts, course: Course) -> Iterator[str]:
    """What had to be taken for granted, full sentences."""
    if facts.sampled_days is not None:
        days = round(facts.sampled_days)
        age = "less than a day" if days < 1 else "a day" if days == 1 else f"{days} days"
        yield f"Its gravity is that of the last hand sample, {age} old; no float has been heard since."
    yield from _about_ph(facts, course)
    if facts.temperature_c is None:
        yield f"Its temperature is not known: {ASSUMED_C:g} degC is assumed."
    if facts.abv is None and facts.added_points:
        yield (
            f"Sugar on the way raised the gravity by {facts.added_points:.0f} points as was measured"
            " then: the alcohol is worked out as if it had been in the must from the start."
        )
    elif facts.abv is None:
        yield (
            "The alcohol follows from both gravities, as if nothing had been added or taken out on the way;"
            " glycerol and acids make it read low by a tenth or two."
        )
    yield (
        f"Of the solids of its must {100.0 * facts.unfermentable_share:.0f} % are taken to be left where all"
        " that yeast can take is gone, as is usual for the kind that the sheet names, or else for honey."
    )
    yield from _about_stabilising(facts, course)
    yield from _about_carbonation(facts, course)
    if facts.passed_sg is not None:
        above = facts.gravity_sg - facts.passed_sg > LEVEL_SG
        stands = f"it stands above that, at {facts.gravity_sg:.3f}" if above else "it stands there"
        yield f"The sheet asks for {facts.passed_sg:.3f} in the end, and {stands}: nothing sweet is added."
    if course.sweetening is not None:
        yield (f"The {facts.sweetener.name} holds {100.0 * facts.sweetener.solids_share:.1f} % solids.")


def _about_carbonation(facts: BatchFacts, course: Course) -> Iterator[str]:
    volumes, keg_c = facts.carbonation_volumes, facts.keg_temperature_c
    if not volumes:
        return
    if course.kegged_volumes is None:
        yield (
            f"{volumes:g} volumes of carbon dioxide stay in it at {keg_c:g} degC without any pressure: it is"
            " taken as still."
        )
        return
    if facts.volumes_assumed:
        yield (
            f"Nobody said how much it is to sparkle: {volumes:g} volumes of carbon dioxide are assumed. Write"
            " another carbonation on the sheet (carboyd batch change BATCH --carbonation), 0 for a still one."
        )
    if facts.keg_assumed:
        yield (
            f"Nobody said how cold the keg stands: {keg_c:g} degC is assumed. Tell the plan another"
            " temperature (on the page, or carboyd plan --keg)."
        )


def _about_ph(facts: BatchFacts, course: Course) -> Iterator[str]:
    if facts.ph is None:
        yield (
            f"The pH was not measured: {ASSUMED_PH:g} is assumed. A tenth more asks for a quarter more"
            " sulfite: measure it and work this out again."
        )
    elif not possible_ph(facts.ph):
        yield (
            f"A pH of {facts.ph:.2f} is none that a {facts.drink} has ({MEAD_PH[0]:g} to {MEAD_PH[1]:g}):"
            f" {ASSUMED_PH:g} is assumed. Calibrate the meter, measure it and work this out again."
        )
    elif course.acid_first:
        yield (
            f"The sulfite is worked out for pH {ACIDIFY_FIRST_PH:g}, where the acid is to bring it from"
            f" {facts.ph:.2f}."
        )


def _about_stabilising(facts: BatchFacts, course: Course) -> Iterator[str]:
    """What is in it already, as far as anybody has told."""
    sulfite, sorbate = course.sulfite, course.sorbate
    if course.on_trust:
        yield (
            "It was stabilised, and how much sulfite that left is not known: none is weighed out. It should"
            f" hold {sulfite.free_needed_mg_l:.0f} mg/L of free SO2: measure it, tell the plan"
            f" {FREE_TOLD}, and work this out again."
        )
    elif sulfite.limits_exceeded:
        limit_mg_l = min(one.total_mg_l for one in sulfite.limits_exceeded)
        yield (
            f"The total SO2 that is in it leaves no room below {limit_mg_l:.0f} mg/L for the"
            f" {sulfite.free_needed_mg_l:.0f} mg/L free that it should hold: none is weighed out. Keep it"
            " cold instead."
        )
    elif not course.sulfite_due:
        yield (
            f"The free SO2 that is in it is enough: {sulfite.free_needed_mg_l:.0f} mg/L are needed at pH"
            f" {min(course.ph, ACIDIFY_FIRST_PH):.2f}."
        )
    elif facts.free_so2_mg_l is None:
        yield (
            "No sulfite is known to be in it: where some was added, measure it and tell the plan"
            f" {FREE_TOLD}."
        )
    if sorbate is not None and sorbate.reliance is not Reliance.FORBIDDEN and course.sorbate_due_g == 0.0:
        if course.sorbate_on_trust:
            yield (
                "It was stabilised, and whether sorbate went in is not known: none is weighed out. It should"
                f" hold {sorbate.sorbate_g:.1f} g of potassium sorbate in all: where it holds less, or none,"
                " tell the plan what it holds (on the page, or carboyd plan --sorbate), and work this out"
                " again."
            )
        else:
            yield "The sorbate that is in it is as much as it should hold: none is added."
    if not facts.malolactic:
        yield (
            "No malolactic ferment is known to have happened or to be wanted: with one, sorbate must not be"
            " used; tell the plan so then (on the page, or carboyd plan --malolactic)."
        )


def cautions(facts: BatchFacts, course: Course) -> Iterator[Caution]:
    """What the plan as a whole warns of."""
    yield Caution(
        Hazard.LAW,
        "The rules of the place decide, for making as for selling; for sale, go by licensed practice and a"
        " laboratory's figures, not by this sheet.",
    )
    end_sg = facts.expected_final_gravity_sg
    if course.still_sweet:
        yield _could_ferment(course)
    elif end_sg is not None and 1e3 * (facts.gravity_sg - end_sg) > TOLERATED_POINTS:
        yield Caution(
            Hazard.PRESSURE,
            f"It stands {1e3 * (facts.gravity_sg - end_sg):.0f} points above {end_sg:.3f}, where this must"
            " could end: make sure that it has finished and not stalled. A stalled batch wakes up again.",
        )
    stays_l = facts.volume_l if course.sweetening is None else course.sweetening.from_volume_l
    there_g = (facts.sorbate_g or 0.0) * stays_l / facts.volume_l
    there_mg_l = sorbic_acid_from_sorbate(1e3 * there_g / course.ready_l)
    if there_mg_l > EU_LIMIT_MG_L:
        yield Caution(
            Hazard.LAW,
            f"The sorbate that is in it comes to {there_mg_l:.0f} mg/L of sorbic acid, above the usual limit"
            f" of {EU_LIMIT_MG_L:.0f}.",
        )
    if facts.malolactic and facts.sorbate_g:
        yield Caution(
            Hazard.SORBATE,
            "Sorbate is in it and lactic bacteria are, were or may be at work: together they make a smell of"
            " geranium leaves that nothing removes. Keep it cold, and see that the sulfite holds.",
        )
    if course.held_cold:
        yield Caution(
            Hazard.PRESSURE,
            "Sorbate does not hold this batch: sweet, it is safe only cold, filtered or pasteurised, and"
            " never in a sealed bottle otherwise.",
        )


def _could_ferment(course: Course) -> Caution:
    held_kpa = course.worst_kpa
    held = (
        "more than any vessel is made for"
        if held_kpa is None
        else f"{held_kpa / KPA_PER_BAR:.1f} bar over the atmosphere in a warm place ({WARM_ROOM_C:g} degC)"
    )
    return Caution(
        Hazard.PRESSURE,
        f"It is not dry: about {course.left_g_l:.0f} g/L of what it holds could ferment, at the worst"
        f" {course.most_left_g_l:.0f}. Stalled, or at the end of what its yeast stands, it may wake up"
        " again, and sealed as it is it could then hold up to"
        f" {course.worst_volumes:.1f} volumes of carbon dioxide, {held}. Never seal it before its sugar is"
        " held back.",
    )
