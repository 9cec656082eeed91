"""Where a must should end, as a distribution, before its ferment has said anything.

From the maker's expected attenuation, or else from what the sugar came from by the mass balance of
`monitor.must.alcohol`, held up by the yeast's alcohol tolerance. The widths are common practice: how far
makers' figures and musts of a kind scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.ferment.premise import Must, MustKind
from monitor.must.alcohol import expected_final_gravity_sg
from monitor.units import POINTS_PER_SG

SHARES: Final[dict[MustKind | None, tuple[float, float]]] = {
    MustKind.HONEY: (0.90, 0.03),
    MustKind.MALT: (0.605, 0.045),
    MustKind.FRUIT: (0.875, 0.03),
    MustKind.SUGAR: (0.965, 0.03),
    None: (0.85, 0.13),
}
"""Fermentable share of the dissolved solids and its spread (honey: check of US honey compositions 0.855 to
0.943, which is a spread of 0.03; malt: real attenuation of ordinary worts, glycerol in it, a quarter of the
original gravity being left; fruit and sugar: common practice)."""
BY_PRODUCTS: Final[dict[MustKind | None, float]] = {
    MustKind.HONEY: 0.028,
    MustKind.MALT: 0.0,
    MustKind.FRUIT: 0.028,
    MustKind.SUGAR: 0.028,
    None: 0.014,
}
"""Points by each point of the original gravity that glycerol and acids hold a must up, which the mass balance
does not know: 1.1 at 1.040, 2.8 at 1.100 (meads end one to two points above it; 3 to 4 % of the sugar becomes
glycerol, 6 g/L of which are 1.25 points: common practice). The attenuation measured on worts knows of them,
and what nobody names may be wort."""
ADDED_SHARE: Final = (0.96, 0.05)
"""The same of what is added under way: sugar, or honey, and nobody says which."""
LEAST_SD_POINTS: Final = 1.2


@dataclass(frozen=True, slots=True)
class Expected:
    """A normal distribution of the final gravity, in points."""

    mean_points: float
    sd_points: float


def expected_final(must: Must, original_points: float, added_points: float = 0.0) -> Expected:
    """Final gravity that a must of this kind and original gravity (points) should reach.

    `added_points` is by how much sugar that went in later raised the gravity: what it leaves behind is nearly
    all alcohol, so the must ends lower than it would have.
    """
    original_points = min(max(original_points, 1.0), 250.0)
    share, spread = SHARES[must.kind]
    if must.expected_apparent_attenuation is not None:
        low, high = must.expected_apparent_attenuation
        mean = original_points * (1.0 - (low + high) / 2.0)
        # a range that a maker gives is taken to hold nineteen times in twenty
        sd = original_points * abs(high - low) / 4.0
    else:
        mean = _end(original_points, share) + BY_PRODUCTS[must.kind] * original_points
        sd = _half_width(original_points, share, spread)
    if added_points > 0.0:
        whole = min(original_points + added_points, 250.0)
        part = max(whole - original_points, 0.0) / whole
        mixed = (1.0 - part) * share + part * ADDED_SHARE[0]
        mean += _end(whole, mixed) - _end(original_points, share)
        sd = math.hypot(sd, _half_width(whole, mixed, part * ADDED_SHARE[1]))
    return Expected(mean, max(sd, LEAST_SD_POINTS))


def _end(original_points: float, share: float) -> float:
    """Points at the end where this share of the solids ferments."""
    original_sg = 1.0 + original_points / POINTS_PER_SG
    return (expected_final_gravity_sg(original_sg, min(max(share, 0.0), 1.0)) - 1.0) * POINTS_PER_SG


def _half_width(original_points: float, share: float, spread: float) -> float:
    return (_end(original_points, share - spread) - _end(original_points, share + spread)) / 2.0
