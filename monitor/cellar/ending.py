"""How far a batch could still fall: by what such a must usually leaves, and at the worst."""

from __future__ import annotations

from typing import Final

from monitor.cellar.possible import within
from monitor.must.alcohol import EXTRACT_PER_ETHANOL, fermented
from monitor.must.honey import MOST_FERMENTABLE_SHARE
from monitor.must.liquid import Liquid, unfermented

LEAST_LEFT_SHARE: Final = 1.0 - MOST_FERMENTABLE_SHARE
"""Of the solids of a must, what a honey rich in what ferments leaves (White et al. 1962)."""


def fermentable_left_g_l(base: Liquid, unfermentable_share: float) -> float:
    """What yeast could still take of a liquid, g/L at 20 degC, by how much of its must it leaves.

    The solids of the must are what is left of them and what the alcohol was made of (Balling). Below 0 where
    less is left than such a must usually leaves.
    """
    solids_g = base.extract_g + EXTRACT_PER_ETHANOL * base.ethanol_g
    return (base.extract_g - unfermentable_share * solids_g) / base.volume_l


def lowest_end(base: Liquid, left_share: float = LEAST_LEFT_SHARE) -> Liquid:
    """What it would be at the lowest end it could come to; itself where it is there already.

    By Balling's balance with no glycerol or acids made, of a must that leaves no more than `left_share` of
    its solids. What a plan, `monitor.cellar.priming` and an expected end reckon with for bottles.
    """
    return fermented(base, max(fermentable_left_g_l(base, left_share), 0.0) * base.volume_l)


def most_fermented_share(share: float) -> float:
    """The largest share of a must's solids to reckon with for bottles, where `share` of them is expected."""
    return max(share, MOST_FERMENTABLE_SHARE)


def lowest_final_gravity_sg(original_gravity_sg: float, share: float = MOST_FERMENTABLE_SHARE) -> float:
    """The lowest gravity that a must could end at, SG 20/20, as a `share` of its solids or more ferments.

    Raises QuantityError outside 1.000..1.300.
    """
    within("original gravity", original_gravity_sg, 1.0, 1.3)
    most_share = most_fermented_share(share)
    return lowest_end(unfermented(original_gravity_sg), 1.0 - most_share).sg
