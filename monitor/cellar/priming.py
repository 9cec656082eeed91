"""Sugar for a second ferment in the bottle: a weight, or every reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.cellar.carbonation import (
    KPA_PER_BAR,
    PrimingSugar,
    most_over_mean_yield,
    residual_volumes,
    sugar_g_per_l,
)
from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.possible import within
from monitor.cellar.pressure import (
    USUAL_LIMIT_KPA,
    WARM_ROOM_C,
    Danger,
    Vessel,
    bottle_cautions,
    bottle_gauge_kpa,
    danger,
)
from monitor.ferment.emission import Phase
from monitor.units import POINTS_PER_SG, PSI_KPA

TOLERATED_POINTS: Final = 2.0
"""Points above the expected end that still count as the end: a hydrometer is good to about one, the
expectation to another. The worst pressure given beside the sugar reckons with them."""
BELOW_END_POINTS: Final = 1.0
"""A gravity further below the lowest end than a hydrometer is good to shows that the end was wrong."""
VOLUMES_PER_POINT: Final = 0.57
"""At the most, up to 14 % vol; see `monitor.cellar.pressure.co2_from_drop_g_per_l`."""
MOST_PRIMED_VOLUMES: Final = 6.0
_STORED_C: Final = 20.0


@dataclass(frozen=True, slots=True)
class BottlingState:
    """What is known of a batch that someone wants to prime."""

    phase: Phase
    gravity_sg: float
    """Hand sample, degassed, at 20 degC."""
    expected_final_gravity_sg: float | None
    """The lowest gravity it could end at, not the likely one; None where nobody knows."""
    volume_l: float
    warmest_c: float
    """Warmest temperature since the gas stopped coming."""
    stabilised: bool = False
    """Sorbate, pasteurising or sterile filtration."""
    sweetened: bool = False
    """Fermentable sweetener or fruit went in after the ferment."""


class RefusalReason(StrEnum):
    """Why no weight is given."""

    NOT_FINISHED = "not finished"
    END_UNKNOWN = "end unknown"
    SUGAR_LEFT = "fermentable sugar left"
    STABILISED = "stabilised"
    VESSEL = "vessel not made for it"


@dataclass(frozen=True, slots=True, kw_only=True)
class PrimingRefusal(Advised):
    """No weight, and every reason why not; `sentences` are in the order of `reasons`."""

    reasons: tuple[RefusalReason, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Priming(Advised):
    """Sugar to dissolve in the whole batch just before it is bottled."""

    sugar: PrimingSugar
    sugar_g: float
    sugar_g_per_l: float
    target_volumes: float
    residual_volumes: float
    gauge_kpa: float
    """At 20 degC, as `bottle_gauge_kpa` reckons."""
    warm_gauge_kpa: float
    """At 30 degC."""
    worst_gauge_kpa: float
    """At 30 degC, if the batch also fermented to the lowest gravity it could reach, and the honey that primes
    it held all the sugar that a honey may."""


Objection = tuple[RefusalReason, str]


def _ferment_objections(state: BottlingState) -> list[Objection]:
    """What speaks against priming in where the ferment stands."""
    found: list[Objection] = []
    if state.phase is not Phase.FINISHED:
        text = (
            f"The batch is {state.phase.value}, not finished: what is left to ferment would add to the"
            " priming sugar and could burst the bottles. Wait for the end and confirm it by two equal hand"
            " samples some days apart."
        )
        found.append((RefusalReason.NOT_FINISHED, text))
    if state.stabilised:
        text = (
            "The batch has been stabilised: its yeast cannot be counted on to make gas, and if it did it"
            " would take the sweetness too. Carbonate it in a keg instead."
        )
        found.append((RefusalReason.STABILISED, text))
    return found


def _sugar_objections(state: BottlingState) -> list[Objection]:
    """What speaks against priming in the sugar that is there already."""
    found: list[Objection] = []
    if state.sweetened:
        text = (
            "It was sweetened with fermentable sugar and not stabilised: in a bottle all of that would"
            f" ferment, up to {VOLUMES_PER_POINT:g} volumes of gas for each point of gravity."
        )
        found.append((RefusalReason.SUGAR_LEFT, text))
    end_sg = state.expected_final_gravity_sg
    if end_sg is None:
        text = (
            "Where this batch will end is not known, so neither is how much sugar it still holds: give its"
            " expected final gravity."
        )
        found.append((RefusalReason.END_UNKNOWN, text))
    elif _points_below(state) > BELOW_END_POINTS:
        text = (
            f"At {state.gravity_sg:.3f} it stands below {end_sg:.3f} already, where it was to end at the"
            " lowest: the end is not known, so neither is how much sugar it still holds. A sample with fresh"
            " yeast, kept at 25 degC until it has stood still for a week, shows where it really ends: give"
            " that."
        )
        found.append((RefusalReason.END_UNKNOWN, text))
    elif _points_left(state) > TOLERATED_POINTS:
        text = (
            f"At {state.gravity_sg:.3f} it could still fall {_points_left(state):.0f} points to {end_sg:.3f}:"
            f" that alone would make up to {VOLUMES_PER_POINT * _points_left(state):.1f} volumes in the"
            " bottle. A sample with fresh yeast, kept at 25 degC until it has stood still for a week, shows"
            " where it really ends: give that."
        )
        found.append((RefusalReason.SUGAR_LEFT, text))
    return found


def _vessel_objections(target_volumes: float, worst_kpa: float, vessel: Vessel) -> list[Objection]:
    """What speaks against priming in the vessel."""
    if danger(worst_kpa, vessel) is not Danger.ABOVE_USUAL:
        return []
    stored_kpa = bottle_gauge_kpa(target_volumes, _STORED_C)
    text = (
        f"{target_volumes:g} volumes are {stored_kpa / KPA_PER_BAR:.1f} bar ({stored_kpa / PSI_KPA:.0f} psi)"
        f" at {_STORED_C:g} degC; in a warm place ({WARM_ROOM_C:g} degC), with all that could ferment"
        f" besides, {worst_kpa / KPA_PER_BAR:.1f} bar ({worst_kpa / PSI_KPA:.0f} psi). A {vessel.value} is"
        f" usually worked at no more than {USUAL_LIMIT_KPA[vessel] / KPA_PER_BAR:.1f} bar: ask for less gas,"
        " or take a stronger bottle."
    )
    return [(RefusalReason.VESSEL, text)]


def _points_left(state: BottlingState) -> float:
    """Points the gravity could still fall; rounded, for two readings of three decimals to differ exactly."""
    if state.expected_final_gravity_sg is None:
        return 0.0
    return max(round((state.gravity_sg - state.expected_final_gravity_sg) * POINTS_PER_SG, 6), 0.0)


def _points_below(state: BottlingState) -> float:
    """Points by which the gravity lies below the lowest end already; rounded likewise."""
    if state.expected_final_gravity_sg is None:
        return 0.0
    return max(round((state.expected_final_gravity_sg - state.gravity_sg) * POINTS_PER_SG, 6), 0.0)


def _checked_residual(state: BottlingState, target_volumes: float) -> float:
    """Volumes dissolved already, once every figure has been found possible."""
    within("volume", state.volume_l, 0.1, 10_000.0, "L")
    within("gravity", state.gravity_sg, 0.98, 1.2)
    within("warmest temperature", state.warmest_c, 0.0, 40.0, "degC")
    if state.expected_final_gravity_sg is not None:
        within("expected final gravity", state.expected_final_gravity_sg, 0.97, 1.2)
    residual = residual_volumes(state.warmest_c)
    hint = "the batch already holds the lower figure; ask for more than that"
    within("carbonation", target_volumes, residual, MOST_PRIMED_VOLUMES, "volumes", hint=hint)
    return residual


def priming(
    state: BottlingState,
    target_volumes: float,
    sugar: PrimingSugar = PrimingSugar.SUCROSE,
    *,
    vessel: Vessel,
) -> Priming | PrimingRefusal:
    """The sugar that carbonates a batch in the bottle, or every reason why none should be weighed out.

    Refused: not finished; an end nobody knows, or one it stands below; sugar left to ferment; stabilised; a
    vessel not usually worked at the pressure that it could come to at the worst. Stoichiometric, so real
    bottles come out up to 5 % softer. Raises QuantityError outside 0..6 volumes, 0.1..10000 L, 0..40 degC,
    for an impossible gravity, and where the batch already holds as much as is wanted.
    """
    residual = _checked_residual(state, target_volumes)
    objections = _ferment_objections(state)
    if not state.stabilised:
        objections += _sugar_objections(state)
    # what more than the tolerated could ferment has its own objection
    left_volumes = VOLUMES_PER_POINT * min(_points_left(state), TOLERATED_POINTS)
    most_made = (target_volumes - residual) * most_over_mean_yield(sugar)
    worst_kpa = bottle_gauge_kpa(residual + most_made + left_volumes, WARM_ROOM_C)
    objections += _vessel_objections(target_volumes, worst_kpa, vessel)
    warm_kpa = bottle_gauge_kpa(target_volumes, WARM_ROOM_C)
    cautions = bottle_cautions(warm_kpa)
    if objections:
        return PrimingRefusal(
            reasons=tuple(reason for reason, _ in objections),
            sentences=tuple(sentence for _, sentence in objections),
            cautions=cautions,
        )
    grams_per_l = sugar_g_per_l(target_volumes - residual, sugar)
    return Priming(
        sugar=sugar,
        sugar_g=grams_per_l * state.volume_l,
        sugar_g_per_l=grams_per_l,
        target_volumes=target_volumes,
        residual_volumes=residual,
        gauge_kpa=bottle_gauge_kpa(target_volumes, _STORED_C),
        warm_gauge_kpa=warm_kpa,
        worst_gauge_kpa=worst_kpa,
        cautions=(_reckoned_with(state), _EVENLY, *cautions),
    )


def _reckoned_with(state: BottlingState) -> Caution:
    """The assumption that breaks bottles where it is wrong."""
    text = (
        f"This holds only if the batch cannot end below {state.expected_final_gravity_sg:.3f}: the end that"
        f" is likely is not the lowest. Each point below makes up to {VOLUMES_PER_POINT:g} volumes"
        " more: 0.7 bar at 20 degC, 0.9 in a warm place."
    )
    return Caution(Hazard.PRESSURE, text)


_EVENLY: Final = Caution(
    Hazard.PRESSURE,
    "Weigh the sugar, never measure it by spoon; dissolve it and stir it evenly through the whole batch: an"
    " uneven batch makes single bottles that burst.",
)
