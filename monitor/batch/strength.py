"""How strong a batch is by its gravities, with the sugar that went in on the way counted in."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

from monitor.batch.sheet import Sheet
from monitor.errors import QuantityError
from monitor.must.alcohol import Attenuation, attenuation, composition
from monitor.units import POINTS_PER_SG


def counted_original_sg(sheet: Sheet, added_points: float) -> float | None:
    """The gravity that the must had, and its later sugar with it: the fall from there made the alcohol.

    `added_points` is by how much sugar on the way raised the gravity, nan where that is not known. None
    where it or the original gravity is not known.
    """
    original_sg = sheet.must.original_gravity_sg
    if original_sg is None or math.isnan(added_points):
        return None
    return original_sg + added_points / POINTS_PER_SG


def attenuated(sheet: Sheet, gravity_sg: float | None, added_points: float) -> Attenuation | None:
    """Alcohol and attenuation so far; None where they cannot be known, or nothing has fermented."""
    original_sg = counted_original_sg(sheet, added_points)
    if original_sg is None or gravity_sg is None or gravity_sg >= original_sg:
        return None
    try:
        made = attenuation(original_sg, gravity_sg)
    except QuantityError:
        return None
    return replace(made, abv=_abv(original_sg, gravity_sg, made.abv))


@lru_cache(maxsize=1024)
def _abv(original_sg: float, gravity_sg: float, otherwise: float) -> float:
    """Alcohol as the plan has it, by what the liquid is made of; `otherwise` below all that sugar can do."""
    try:
        return composition(original_sg, gravity_sg).abv
    except QuantityError:
        return otherwise
