"""Blending batches, and thinning one with water: masses add, volumes and pH do not.

Dilution is the blend with water. Straight-line mixing of gravities is off by about 0.1 points for a mead and
half as much water; the balance here is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scipy.optimize import brentq

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.possible import within
from monitor.errors import QuantityError
from monitor.must.liquid import Liquid, grams_to_reach

MOST_PARTS: Final = 20

_CAUTIONS: Final = (
    Caution(
        Hazard.PRESSURE,
        "A blend can ferment again though each part stood still: one brings the yeast, the other the sugar."
        " Stabilise it or keep it under an airlock until its gravity stands still.",
    ),
    Caution(
        Hazard.QUALITY,
        "Measure pH and free sulfite of the blend itself: neither mixes in a straight line. Try it in a glass"
        " first.",
    ),
)
_WATER_CAUTION: Final = Caution(
    Hazard.QUALITY,
    "Use drinking water, boiled and cooled to drive out its air; thinning weakens what alcohol, acid and"
    " sulfite protected.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blend(Advised):
    """What comes of pouring together."""

    gravity_sg: float
    abv: float
    volume_l: float
    shrinks_l: float
    """How much less it is than the sum of the parts' volumes; below zero where it grows."""
    extract_g_per_l: float
    liquid: Liquid


@dataclass(frozen=True, slots=True, kw_only=True)
class BlendRatio(Advised):
    """How much of a second batch goes with a given amount of a first."""

    first_l: float
    second_l: float
    blend: Blend


@dataclass(frozen=True, slots=True, kw_only=True)
class Dilution(Advised):
    """Water to add."""

    water_l: float
    blend: Blend


def blend(parts: Sequence[Liquid]) -> Blend:
    """Everything poured together, at 20 degC.

    Raises QuantityError for none or more than 20 parts, or a part without volume.
    """
    within("number of parts", len(parts), 1, MOST_PARTS)
    total = Liquid(0.0)
    for part in parts:
        if part.total_g <= 0.0:
            raise QuantityError("a part of the blend has no volume: more than 0 L")
        total = total.plus(part)
    return Blend(
        gravity_sg=total.sg,
        abv=total.abv,
        volume_l=total.volume_l,
        shrinks_l=sum(part.volume_l for part in parts) - total.volume_l,
        extract_g_per_l=total.extract_g_per_l,
        liquid=total,
        cautions=_CAUTIONS,
    )


def blend_to_gravity(first: Liquid, second: Liquid, target_sg: float) -> BlendRatio:
    """How much of `second` brings all of `first` to a gravity between the two.

    Raises QuantityError where the target does not lie between them.
    """
    low, high = sorted((first.sg, second.sg))
    within("target gravity", target_sg, low, high, hint="a blend lies between its parts")
    if target_sg == second.sg and target_sg != first.sg:
        raise QuantityError(f"gravity {target_sg:.4f} is that of the second part alone")
    added = second.times(grams_to_reach(first, second, target_sg) / second.total_g)
    return _ratio(first, added)


def blend_to_strength(first: Liquid, second: Liquid, target_abv: float) -> BlendRatio:
    """How much of `second` brings all of `first` to a strength between the two.

    Raises QuantityError where the target does not lie between them.
    """
    low, high = sorted((first.abv, second.abv))
    within("target strength", target_abv, low, high, "% vol", hint="a blend lies between its parts")
    if target_abv == first.abv:
        return _ratio(first, second.times(0.0))
    if target_abv == second.abv:
        raise QuantityError(f"strength {target_abv:g} % vol is that of the second part alone")

    def excess(share: float) -> float:
        # by share of the mass, which is bounded, rather than by the amount, which is not
        one_gram = first.times((1.0 - share) / first.total_g).plus(second.times(share / second.total_g))
        return one_gram.abv - target_abv

    share = float(brentq(excess, 0.0, 1.0, xtol=1e-15))
    grams = first.total_g * share / (1.0 - share)
    return _ratio(first, second.times(grams / second.total_g))


def dilute_to_gravity(base: Liquid, target_sg: float) -> Dilution:
    """Water that brings a liquid nearer to 1.000.

    A dry mead, lighter than water, rises by it. Raises QuantityError where the target does not lie between
    the two.
    """
    return _dilution(blend_to_gravity(base, Liquid(1.0), target_sg))


def dilute_to_strength(base: Liquid, target_abv: float) -> Dilution:
    """Water that brings a liquid down to a strength.

    Raises QuantityError where it is weaker already, and for a strength of nothing.
    """
    if target_abv <= 0.0:
        raise QuantityError(
            f"strength {target_abv:g} % vol: no water takes all the alcohol out",
            hint="aim above 0 and below what it holds now",
        )
    return _dilution(blend_to_strength(base, Liquid(1.0), target_abv))


def _ratio(first: Liquid, added: Liquid) -> BlendRatio:
    parts = (first, added) if added.total_g > 0.0 else (first,)
    return BlendRatio(
        first_l=first.volume_l,
        second_l=added.volume_l,
        blend=blend(parts),
        cautions=_CAUTIONS,
    )


def _dilution(ratio: BlendRatio) -> Dilution:
    water_l = ratio.second_l
    return Dilution(water_l=water_l, blend=ratio.blend, cautions=(_WATER_CAUTION, *_CAUTIONS))
