"""Sweetening back: the weight of a sweetener for a gravity, the volume and strength that result, tasted
steps.

A mass balance from the measured gravity: the shortcut "points times volume over points per kg" comes out 1 to
4 % short, because what is added takes room itself. Volumes are at 20 degC.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.possible import within
from monitor.cellar.pressure import volumes_of
from monitor.cellar.sorbate import LEAST_ABV
from monitor.errors import QuantityError
from monitor.must.alcohol import fermented
from monitor.must.honey import DEXTROSE, LACTOSE, SUGAR, Sweetener, honey
from monitor.must.liquid import Liquid, grams_to_reach

SWEETEST_SG: Final = 1.15
USUAL_HEADROOM_SHARE: Final = 0.02
"""Of the vessel, free above a finished batch (common practice): a few degrees more swell it by a thousandth,
and a full one cannot be stirred."""
SPOONFUL_L: Final = 0.005
"""Less room than this is none, and as much too little of it is enough."""
TASTED_SHARES: Final = (0.5, 0.25, 0.25)
"""Half at once, then quarters with a tasting before each: sweetness is easily added and never taken out."""

_SAME_SG: Final = 1e-6
"""Gravities nearer than this are the same: a thousandth of a point is rounding."""
_ROUNDING: Final = 1e-9


def usual_sweeteners() -> tuple[Sweetener, ...]:
    """What a maker has at hand: mean raw honey, sugar, dextrose, lactose."""
    return honey(), SUGAR, DEXTROSE, LACTOSE


@dataclass(frozen=True, slots=True)
class Step:
    """One addition, and where it leads; taste before the next."""

    adds_g: float
    total_g: float
    gravity_sg: float
    volume_l: float
    abv: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweetening(Advised):
    """One sweetener for one target gravity."""

    sweetener: Sweetener
    mass_g: float
    from_sg: float
    target_sg: float
    from_volume_l: float
    volume_l: float
    from_abv: float
    abv: float
    extract_g_per_l: float
    """Dissolved solids after it, as sucrose."""
    fermentable_g: float
    """Sugar that yeast could take, of this addition, of a usual sweetener of its kind."""
    refermented_sg: float
    """Where it would end at the lowest, of a sweetener rich in what ferments, if all of that fermented."""
    refermented_volumes: float
    """Volumes of CO2 that this would make at the most: what threatens a sealed vessel."""
    vessel_l: float | None
    fits: bool | None
    """Whether the whole fits the vessel to its brim; None where no vessel was given."""
    free_l: float | None
    """Room left in the vessel; None where no vessel was given."""
    headroom_l: float | None
    """What was to stay free of it; None where no vessel was given."""
    has_headroom: bool | None
    """Whether as much does stay free: not where nothing is added and it was fuller before; None where no
    vessel was given."""
    draw_off_l: float
    """Mead to take out before the first step so that the headroom stays free; the steps are for what is left.
    0 where it does so anyway, to a spoonful, or nothing is added."""
    steps: tuple[Step, ...]
    liquid: Liquid
    """What it then is."""

    @property
    def rise_l(self) -> float:
        """How much room the addition takes."""
        return self.volume_l - self.from_volume_l


def sweeten(
    base: Liquid,
    target_sg: float,
    sweetener: Sweetener,
    vessel_l: float | None = None,
    headroom_share: float = USUAL_HEADROOM_SHARE,
) -> Sweetening:
    """The weight of a sweetener that brings the whole of `base` to a gravity.

    Where the result would leave less than `headroom_share` of the vessel free, the weight is for what stays
    after `draw_off_l` has been taken out, which leaves just that. Raises QuantityError for a target below
    the present gravity, for either above 1.150, an empty base, a base larger than its vessel, a headroom
    outside 0..0.5, or a sweetener too thin to reach the target.
    """
    within("headroom", headroom_share, 0.0, 0.5)
    if base.total_g <= 0.0:
        raise QuantityError("an empty batch cannot be sweetened: more than 0 L")
    from_sg = base.sg
    within("gravity", from_sg, 0.0, SWEETEST_SG, hint="so sweet a batch is not sweetened: let it ferment")
    if abs(target_sg - from_sg) < _SAME_SG:
        target_sg = from_sg
    within(
        "target gravity",
        target_sg,
        from_sg,
        SWEETEST_SG,
        hint="sweetening only raises the gravity; to lower it, blend or dilute",
    )
    # masses and back: a full vessel must not be fuller than full
    holds_l = math.inf if vessel_l is None else vessel_l * (1.0 + _ROUNDING)
    within("volume", base.volume_l, 0.0, holds_l, "L", hint="more than the vessel holds")
    unit = sweetener.of_mass(1.0)
    grams = grams_to_reach(base, unit, target_sg)
    end_l = base.plus(unit.times(grams)).volume_l
    # what lacks a spoonful of its headroom is not worth a siphon; over the brim it would run out
    room_l = (1.0 - headroom_share) * holds_l
    roomy = grams == 0.0 or end_l <= min(room_l + SPOONFUL_L, holds_l)
    kept = 1.0 if vessel_l is None or roomy else vessel_l * (1.0 - headroom_share) / end_l
    stays, grams = base.times(kept), grams * kept
    after = stays.plus(unit.times(grams))
    free_l = None if vessel_l is None else max(vessel_l - after.volume_l, 0.0)
    most_g = sweetener.most_fermentable_g(grams)
    volumes = volumes_of(most_g / after.volume_l)
    return Sweetening(
        sweetener=sweetener,
        mass_g=grams,
        from_sg=from_sg,
        target_sg=target_sg,
        from_volume_l=stays.volume_l,
        volume_l=after.volume_l,
        from_abv=base.abv,
        abv=after.abv,
        extract_g_per_l=after.extract_g_per_l,
        fermentable_g=sweetener.fermentable_g(grams),
        refermented_sg=fermented(after, most_g).sg,
        refermented_volumes=volumes,
        vessel_l=vessel_l,
        fits=None if vessel_l is None else end_l <= holds_l,
        free_l=free_l,
        headroom_l=None if vessel_l is None else headroom_share * vessel_l,
        has_headroom=None if vessel_l is None else after.volume_l <= min(room_l + SPOONFUL_L, holds_l),
        draw_off_l=(1.0 - kept) * base.volume_l,
        steps=_steps(stays, unit, grams),
        liquid=after,
        cautions=_cautions(sweetener, volumes, grams, after.abv),
    )


def sweeten_with_each(
    base: Liquid,
    target_sg: float,
    sweeteners: Sequence[Sweetener],
    vessel_l: float | None = None,
    headroom_share: float = USUAL_HEADROOM_SHARE,
) -> tuple[Sweetening, ...]:
    """The same target with each of several sweeteners, in the order given; raises as `sweeten` does."""
    return tuple(sweeten(base, target_sg, one, vessel_l, headroom_share) for one in sweeteners)


def _steps(base: Liquid, unit: Liquid, grams: float) -> tuple[Step, ...]:
    steps, total_g = [], 0.0
    for share in TASTED_SHARES:
        total_g += share * grams
        there = base.plus(unit.times(total_g))
        steps.append(Step(share * grams, total_g, there.sg, there.volume_l, there.abv))
    return tuple(steps)


def _weak(abv: float) -> Caution:
    text = (
        f"At {abv:.1f} % vol, below {LEAST_ABV:g}, sulfite and sorbate are not enough alone, and a gravity"
        " that stands still proves nothing: seal it only if it was filtered sterile, or pasteurised still."
        " Otherwise keep it cold, at 4 degC or below, under an airlock or in a keg with a relief valve; or"
        " sweeten with something that yeast leaves alone."
    )
    return Caution(Hazard.PRESSURE, text)


_STRONG: Final = Caution(
    Hazard.PRESSURE,
    "Keep it under an airlock for a week after the last step and measure again: it may be closed up only"
    " where sorbate with sulfite is enough for its strength and pH (`carboyd sorbate` tells) and its gravity"
    " stands still.",
)


def _cautions(sweetener: Sweetener, volumes: float, grams: float, abv: float) -> tuple[Caution, ...]:
    found = []
    if volumes > 0.0:
        found.append(
            Caution(
                Hazard.PRESSURE,
                f"Stabilise first and wait: yeast that is still alive would make up to {volumes:.1f} volumes"
                f" of carbon dioxide of the fresh {sweetener.name}. In a sealed bottle that bursts glass.",
            )
        )
        found.append(_weak(abv) if abv < LEAST_ABV else _STRONG)
    if grams > 0.0:
        found.append(
            Caution(
                Hazard.QUALITY,
                "Stir the gas out first and add slowly: powder or syrup in a gassy batch makes it foam over.",
            )
        )
    found.extend(Caution(Hazard.QUALITY, note) for note in sweetener.notes)
    return tuple(found)
