"""Potassium sorbate: whether it can hold a sweetened batch, and how much of it.

Sorbic acid stops yeast from multiplying. It does not kill yeast, does not stop a ferment under way, does
nothing against lactic or acetic bacteria, and only works with sulfite beside it. The less alcohol and the
higher the pH, the more is needed: the table is T. Underhill's (Making Better Wines), 10 to 14 % vol and pH
3.1 to 3.5, straight lines between. Beside it stands a ladder by alcohol alone, ascribed to Peynaud, from
memory: for comparison only. Above pH 3.5 the table is carried on by its last step, which is steeper than the
loss of undissociated acid (pKa 4.76); nothing published stands behind that, so such a dose is never called
enough. A session mead of 5 to 6 % vol lies outside too: carried on, the table would pass the legal limit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.molar import POTASSIUM_SORBATE_G_MOL, SORBIC_ACID_G_MOL
from monitor.cellar.possible import within
from monitor.cellar.sulfite import USUAL_TARGET_MG_L

SORBIC_PER_SORBATE: Final = SORBIC_ACID_G_MOL / POTASSIUM_SORBATE_G_MOL
"""Grams of sorbic acid in a gram of potassium sorbate (IUPAC masses): 0.7464."""
SORBIC_PKA: Final = 4.76
"""From memory, standard tables at 25 degC. Only the undissociated share acts."""
EU_LIMIT_MG_L: Final = 200.0
"""As sorbic acid: OIV II.3.4.5; for mead Regulation (EC) No 1333/2008, from memory, as of 2023."""
US_LIMIT_MG_L: Final = 300.0
"""As sorbic acid: 27 CFR 24.246, quoted second-hand, as of 2023."""
TASTED_FROM_MG_L: Final = (135.0, 400.0)
"""Where people begin to taste it, reported range: University of Minnesota enology bulletin (2014)."""

_TABLE_ABV: Final = (10.0, 11.0, 12.0, 13.0, 14.0)
_TABLE_PH: Final = (3.1, 3.2, 3.3, 3.4, 3.5)
_TABLE_ML_PER_L: Final = (
    (5.5, 6.0, 7.0, 8.0, 9.0),
    (4.5, 5.0, 6.0, 7.0, 7.5),
    (3.2, 3.5, 4.0, 4.5, 5.0),
    (2.6, 3.0, 3.2, 3.5, 4.0),
    (2.0, 2.2, 2.4, 2.7, 3.0),
)
"""Millilitres per litre of a solution of 30 g/L potassium sorbate."""
_SOLUTION_G_L: Final = 30.0
_PEYNAUD_MG_L: Final = (150.0, 125.0, 100.0, 75.0, 50.0)


LEAST_ABV: Final = _TABLE_ABV[0]
"""Per cent by volume below which sorbate, with sulfite, is never enough alone: the table begins there."""


class Reliance(StrEnum):
    """How far sorbate, with sulfite, can be relied on here."""

    ENOUGH = "enough with sulfite"
    NOT_ALONE = "not enough alone"
    FORBIDDEN = "must not be used"


class Route(StrEnum):
    """What holds a sweet batch where sorbate does not."""

    COLD = "keep it below 4 degC from sweetening to the glass"
    FILTRATION = "filter it sterile, 0.45 micrometre or finer, and fill it clean"
    PASTEURISING = "pasteurise it still, never carbonated in a sealed bottle"
    NON_FERMENTABLE = "sweeten with something that yeast cannot ferment"


@dataclass(frozen=True, slots=True)
class StabilisingStep:
    """One thing to do, so many days after the first."""

    day: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SorbateDose(Advised):
    """What to add, and how far to trust it."""

    reliance: Reliance
    reason: str
    sorbic_acid_mg_l: float
    """0 where it must not be used; at most the EU limit."""
    sorbate_g: float
    """Potassium sorbate for the whole batch."""
    peynaud_mg_l: float | None
    """Sorbic acid by the ladder of alcohol alone; None below 10 and above 14 % vol."""
    undissociated_share: float
    likely_tasted: bool
    """At or above the lowest threshold that people reported."""
    routes: tuple[Route, ...]
    """What else to do; empty where the dose is enough."""
    steps: tuple[StabilisingStep, ...]


def sorbate_from_sorbic_acid(sorbic_acid: float) -> float:
    """Potassium sorbate that holds so much sorbic acid, in the same unit."""
    return sorbic_acid / SORBIC_PER_SORBATE


def sorbic_acid_from_sorbate(sorbate: float) -> float:
    """Sorbic acid in so much potassium sorbate, in the same unit."""
    return sorbate * SORBIC_PER_SORBATE


def undissociated_share(ph: float) -> float:
    """Share of the sorbic acid in the form that acts. Raises QuantityError outside pH 2.5..5."""
    return float(1.0 / (1.0 + 10.0 ** (within("pH", ph, 2.5, 5.0) - SORBIC_PKA)))


def underhill_mg_l(alcohol_abv: float, ph: float) -> float:
    """Sorbic acid, mg/L, by Underhill's table with straight lines between.

    Raises QuantityError outside the table: 10..14 % vol and pH 3.1..3.5.
    """
    within("alcohol", alcohol_abv, _TABLE_ABV[0], _TABLE_ABV[-1], "% vol", hint="outside the sorbate table")
    within("pH", ph, _TABLE_PH[0], _TABLE_PH[-1], hint="outside the sorbate table")
    at_ph = [float(np.interp(ph, _TABLE_PH, row)) for row in _TABLE_ML_PER_L]
    ml_per_l = float(np.interp(alcohol_abv, _TABLE_ABV, at_ph))
    return sorbic_acid_from_sorbate(ml_per_l * _SOLUTION_G_L)


def carried_on_mg_l(alcohol_abv: float, ph: float) -> float:
    """The table, and above its pH its last step over and over: a guess to the high side, sorbic acid in mg/L.

    The loss of undissociated acid alone would ask for a fifth of that rise. Raises QuantityError below 10 %
    vol; more alcohol and less pH than the table holds are taken at its edge.
    """
    abv, last = min(alcohol_abv, _TABLE_ABV[-1]), _TABLE_PH[-1]
    if ph <= last:
        return underhill_mg_l(abv, max(ph, _TABLE_PH[0]))
    before, edge_mg_l = _TABLE_PH[-2], underhill_mg_l(abv, last)
    step = edge_mg_l / underhill_mg_l(abv, before)
    return float(edge_mg_l * step ** ((ph - last) / (last - before)))


def peynaud_mg_l(alcohol_abv: float) -> float | None:
    """Sorbic acid, mg/L, by alcohol alone; None outside 10..14 % vol. Ascribed to Peynaud, from memory."""
    if not _TABLE_ABV[0] <= alcohol_abv <= _TABLE_ABV[-1]:
        return None
    return float(np.interp(alcohol_abv, _TABLE_ABV, _PEYNAUD_MG_L))


def _judged(alcohol_abv: float, ph: float, malolactic: bool) -> tuple[Reliance, str, float]:
    """Reliance, reason and dose in mg/L of sorbic acid."""
    if malolactic:
        reason = (
            "Lactic bacteria are or were at work: they turn sorbate into a smell of geranium leaves that"
            " nothing removes."
        )
        return Reliance.FORBIDDEN, reason, 0.0
    if alcohol_abv < _TABLE_ABV[0]:
        reason = (
            f"{alcohol_abv:.1f} % vol lies outside the table, which begins at {_TABLE_ABV[0]:g} and asks for"
            " more the less alcohol there is, soon for more than the limit: sorbate alone is not enough."
        )
        return Reliance.NOT_ALONE, reason, EU_LIMIT_MG_L
    needed_mg_l = carried_on_mg_l(alcohol_abv, ph)
    if ph > _TABLE_PH[-1]:
        reason = (
            f"pH {ph:.2f} lies outside the table, which ends at {_TABLE_PH[-1]:g}: carried on it asks for"
            f" {needed_mg_l:.0f} mg/L, but nothing published stands behind that, so sorbate alone is not"
            " enough. Lower the pH, or hold it otherwise."
        )
        return Reliance.NOT_ALONE, reason, min(needed_mg_l, EU_LIMIT_MG_L)
    if needed_mg_l > EU_LIMIT_MG_L:
        reason = f"The table asks for {needed_mg_l:.0f} mg/L, above the limit of {EU_LIMIT_MG_L:.0f}."
        return Reliance.NOT_ALONE, reason, EU_LIMIT_MG_L
    beyond = alcohol_abv > _TABLE_ABV[-1] or ph < _TABLE_PH[0]
    by = "at the table's edge, which asks for no less beyond" if beyond else "by the table"
    reason = f"{needed_mg_l:.0f} mg/L of sorbic acid for {alcohol_abv:.1f} % vol at pH {ph:.2f}, {by}."
    return Reliance.ENOUGH, reason, needed_mg_l


def sorbate_dose(
    volume_l: float,
    *,
    alcohol_abv: float,
    ph: float,
    malolactic: bool = False,
    molecular_so2_mg_l: float | None = None,
) -> SorbateDose:
    """Potassium sorbate for a batch that has finished and cleared, or why it must not or cannot do.

    `molecular_so2_mg_l` is what the batch will hold beside it; None where that is not known.
    Raises QuantityError outside 0.1..10000 L, 0..25 % vol and pH 2.5..5.
    """
    within("volume", volume_l, 0.1, 10_000.0, "L")
    within("alcohol", alcohol_abv, 0.0, 25.0, "% vol")
    within("pH", ph, 2.5, 5.0)
    reliance, reason, sorbic_mg_l = _judged(alcohol_abv, ph, malolactic)
    return SorbateDose(
        reliance=reliance,
        reason=reason,
        sorbic_acid_mg_l=sorbic_mg_l,
        sorbate_g=sorbate_from_sorbic_acid(sorbic_mg_l) * volume_l / 1_000.0,
        peynaud_mg_l=peynaud_mg_l(alcohol_abv),
        undissociated_share=undissociated_share(ph),
        likely_tasted=sorbic_mg_l >= TASTED_FROM_MG_L[0],
        routes=() if reliance is Reliance.ENOUGH else tuple(Route),
        steps=_STEPS[reliance],
        cautions=_dose_cautions(reliance, reason, molecular_so2_mg_l),
    )


_ADDED: Final = (
    StabilisingStep(0.0, "Confirm the end by two equal hand samples, rack off the lees, let it clear."),
    StabilisingStep(0.0, "Add the sulfite, dissolved, and stir gently."),
    StabilisingStep(
        1.0,
        "Add the sorbate, dissolved in lukewarm water and stirred in slowly (the same day works too, but"
        " never dissolved together with acid, which throws it out as crystals).",
    ),
)
_STEPS: Final[Mapping[Reliance, tuple[StabilisingStep, ...]]] = MappingProxyType(
    {
        Reliance.ENOUGH: (
            *_ADDED,
            StabilisingStep(2.0, "Not before this day: sweeten, in tasted steps."),
            StabilisingStep(
                9.0, "Watch the airlock and the gravity for a week before it is sealed in anything."
            ),
        ),
        Reliance.NOT_ALONE: (
            *_ADDED,
            StabilisingStep(
                2.0,
                "Not before this day, and only where it can be kept cold, filtered or pasteurised from here"
                " on: sweeten, in tasted steps.",
            ),
            StabilisingStep(
                2.0,
                "Hold it by that at once. Standing still for a week proves nothing here: never seal it in a"
                " bottle unless it was filtered sterile or pasteurised.",
            ),
        ),
        Reliance.FORBIDDEN: (),
    }
)
"""Order and waiting, common practice."""


def _dose_cautions(reliance: Reliance, reason: str, molecular_so2_mg_l: float | None) -> tuple[Caution, ...]:
    found = []
    if reliance is not Reliance.ENOUGH:
        found.append(Caution(Hazard.SORBATE, reason))
    if reliance is Reliance.NOT_ALONE:
        text = (
            "Sweetened and sealed, such a batch may ferment again and burst bottles: keep it cold in a keg,"
            " or filter, or pasteurise."
        )
        found.append(Caution(Hazard.PRESSURE, text))
    if reliance is not Reliance.FORBIDDEN and (
        molecular_so2_mg_l is None or molecular_so2_mg_l < USUAL_TARGET_MG_L
    ):
        text = (
            f"Sorbate does nothing against bacteria: it needs about {USUAL_TARGET_MG_L:g} mg/L of molecular"
            " SO2 beside it, added first."
        )
        found.append(Caution(Hazard.SORBATE, text))
    return (*found, *_ALWAYS)


_ALWAYS: Final = (
    Caution(
        Hazard.SORBATE,
        "Sorbate stops yeast from multiplying; it does not stop a ferment under way. Use it only when the"
        " batch has finished, is racked and clear, and never where malolactic bacteria are or may be active.",
    ),
    Caution(
        Hazard.QUALITY,
        f"People begin to taste it somewhere from {TASTED_FROM_MG_L[0]:.0f} to {TASTED_FROM_MG_L[1]:.0f}"
        " mg/L, and it slowly makes a note of pineapple or celery: drink such a batch young. The powder ages:"
        " keep it dark and dry, and buy it fresh each year.",
    ),
    Caution(
        Hazard.LAW,
        f"Usual limits, as sorbic acid: {EU_LIMIT_MG_L:.0f} mg/L in the EU and by the OIV,"
        f" {US_LIMIT_MG_L:.0f} mg/L in the US; the rules of the place of sale decide.",
    ),
)
