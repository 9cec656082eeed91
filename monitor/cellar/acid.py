"""Acid by taste: from a bottle of solution to grams per litre, and from one acid to another.

A titration counts protons, a tongue does not quite: the equivalents here are those of titratable acid, each
acid by its molar mass over the protons that a titration to about pH 8.2 counts. How far the pH falls depends
on what buffers the batch and is not predicted: measure it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.molar import C, H, O, P
from monitor.cellar.possible import within
from monitor.errors import QuantityError

CONCENTRATED_PERCENT: Final = 20.0
"""Above this a label nearly always means grams in 100 g, and the two bases lie far apart."""
NOTICED_SHARE: Final = 0.02
"""Of the batch: so much solution thins it by as much, and it can be tasted."""
MOST_RISE_G_L: Final = 10.0
LARGE_RISE_G_L: Final = 3.0
"""Titratable acid as tartaric: more than this in one go is a different drink."""


class Acid(StrEnum):
    """The acids that cellars use."""

    CITRIC = "citric"
    MALIC = "malic"
    TARTARIC = "tartaric"
    LACTIC = "lactic"
    PHOSPHORIC = "phosphoric"


@dataclass(frozen=True, slots=True)
class _Titrated:
    molar_mass_g: float
    protons: int


_TITRATED: Final[Mapping[Acid, _Titrated]] = MappingProxyType(
    {
        Acid.CITRIC: _Titrated(6 * C + 8 * H + 7 * O, 3),
        Acid.MALIC: _Titrated(4 * C + 6 * H + 5 * O, 2),
        Acid.TARTARIC: _Titrated(4 * C + 6 * H + 6 * O, 2),
        Acid.LACTIC: _Titrated(3 * C + 6 * H + 3 * O, 1),
        # the third proton of phosphoric acid leaves only far above the end point
        Acid.PHOSPHORIC: _Titrated(3 * H + P + 4 * O, 2),
    }
)

_DENSITY_G_ML: Final[Mapping[Acid, tuple[tuple[float, float], ...]]] = MappingProxyType(
    {
        Acid.CITRIC: (
            (0.0, 0.9982),
            (1.0, 1.0022),
            (5.0, 1.0189),
            (10.0, 1.0402),
            (20.0, 1.0858),
            (30.0, 1.1346),
        ),
        Acid.LACTIC: (
            (0.0, 0.9982),
            (1.0, 1.0002),
            (5.0, 1.0086),
            (10.0, 1.0199),
            (20.0, 1.0439),
            (40.0, 1.0935),
            (60.0, 1.1392),
            (70.0, 1.1586),
            (80.0, 1.1848),
        ),
        Acid.PHOSPHORIC: (
            (0.0, 0.9982),
            (1.0, 1.0038),
            (5.0, 1.0254),
            (10.0, 1.0531),
            (20.0, 1.1134),  # from here on from memory; handbooks: 1.33 to 1.34, 1.57 to 1.58, 1.69
            (30.0, 1.1805),
            (50.0, 1.335),
            (75.0, 1.579),
            (85.0, 1.689),
        ),
    }
)
"""Density at 20 degC by per cent by mass: table of concentrative properties of aqueous solutions, as printed
in the CRC Handbook and copied by an engineering table site, read there. Malic and tartaric were not in it.
Phosphoric acid above 10 % is from memory; it lies in the ranges that the registration dossier of the acid
quotes from handbooks."""


class Basis(StrEnum):
    """What the per cent on a bottle of solution means."""

    MASS_PER_VOLUME = "g per 100 mL"
    MASS_PER_MASS = "g per 100 g"


@dataclass(frozen=True, slots=True)
class AcidSolution:
    """A bottle of dissolved acid."""

    acid: Acid
    strength_percent: float
    basis: Basis = Basis.MASS_PER_VOLUME
    density_g_ml: float | None = None
    """Needed for per cent by mass of an acid or strength whose density is not tabulated here."""

    @property
    def acid_g_per_ml(self) -> float:
        """Grams of pure acid in a millilitre.

        Raises QuantityError for an impossible strength, and for per cent by mass where no density is known.
        """
        within("acid strength", self.strength_percent, 0.1, 100.0, "%")
        if self.basis is Basis.MASS_PER_VOLUME:
            return self.strength_percent / 100.0
        density = self.density_g_ml
        if density is None:
            density = solution_density_g_ml(self.acid, self.strength_percent)
        return self.strength_percent / 100.0 * within("density", density, 0.99, 2.0, "g/mL")


@dataclass(frozen=True, slots=True)
class TastedStep:
    """One part of a dose; stop where it tastes right."""

    share: float
    acid_g: float
    solution_ml: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AcidDose(Advised):
    """Acid for a batch, whole and in tasted steps."""

    acid: Acid
    rise_g_l: float
    """As this acid."""
    rise_as_tartaric_g_l: float
    acid_g: float
    solution_ml: float
    basis: Basis
    """What the per cent of the solution was taken for."""
    steps: tuple[TastedStep, ...]
    """A half, then two quarters: taste after each and stop where it is right."""


def solution_density_g_ml(acid: Acid, mass_percent: float) -> float:
    """Density of an acid's solution at 20 degC, straight lines in the table.

    Raises QuantityError where the table does not reach.
    """
    rows = _DENSITY_G_ML.get(acid)
    hint = (
        "give --density in g/mL: it stands on the label or its data sheet, or weigh 100 mL of the solution"
        " and divide by 100"
    )
    if rows is None:
        raise QuantityError(f"no density is known here for {acid.value} acid by mass", hint=hint)
    percents, densities = zip(*rows, strict=True)
    within(f"{acid.value} acid", mass_percent, percents[0], percents[-1], "% by mass", hint=hint)
    return float(np.interp(mass_percent, percents, densities))


def equivalent_mass_g(acid: Acid) -> float:
    """Grams of the acid that a titration counts as one mole of protons (IUPAC masses)."""
    return _TITRATED[acid].molar_mass_g / _TITRATED[acid].protons


def as_acid(amount: float, acid: Acid, counted_as: Acid) -> float:
    """So much of one acid, counted as another with as many protons to titrate; in any unit of mass."""
    return amount * equivalent_mass_g(counted_as) / equivalent_mass_g(acid)


def rise_from_solution_g_l(solution_ml: float, volume_l: float, solution: AcidSolution) -> float:
    """Grams of acid per litre that so many mL bring into a volume and what they swell it to."""
    within("solution", solution_ml, 0.0, 100_000.0, "mL")
    within("volume", volume_l, 0.1, 10_000.0, "L")
    return solution_ml * solution.acid_g_per_ml / (volume_l + solution_ml / 1e3)


def acid_dose(
    volume_l: float, rise_g_l: float, solution: AcidSolution, counted_as: Acid | None = None
) -> AcidDose:
    """Acid for a rise in titratable acid, counted as `counted_as` (the solution's own acid where None).

    The rise is that of the batch and the solution together. Raises QuantityError outside 0.1..10000 L, a rise
    of 0..10 g/L in either acid, for an impossible solution or one too thin for that rise.
    """
    within("volume", volume_l, 0.1, 10_000.0, "L")
    hint = "a whole mead holds about 4 to 8 g/L"
    within("rise in acid", rise_g_l, 0.0, MOST_RISE_G_L, "g/L", hint=hint)
    own_g_l = as_acid(rise_g_l, counted_as or solution.acid, solution.acid)
    within(f"rise in {solution.acid.value} acid", own_g_l, 0.0, MOST_RISE_G_L, "g/L", hint=hint)
    tartaric_g_l = as_acid(own_g_l, solution.acid, Acid.TARTARIC)
    strength_g_l = 1e3 * solution.acid_g_per_ml
    within("rise in acid", own_g_l, 0.0, strength_g_l / 2.0, "g/L", hint="take a stronger solution")
    # from r = s v/(V + v)
    ml = 1e3 * volume_l * own_g_l / (strength_g_l - own_g_l)
    grams = ml * solution.acid_g_per_ml
    return AcidDose(
        acid=solution.acid,
        rise_g_l=own_g_l,
        rise_as_tartaric_g_l=tartaric_g_l,
        acid_g=grams,
        solution_ml=ml,
        basis=solution.basis,
        steps=tuple(TastedStep(share, share * grams, share * ml) for share in TASTED_SHARES),
        cautions=_dose_cautions(tartaric_g_l, ml / 1e3 / volume_l),
    )


TASTED_SHARES: Final = (0.5, 0.25, 0.25)


def _dose_cautions(tartaric_g_l: float, share: float) -> tuple[Caution, ...]:
    found = []
    if tartaric_g_l > LARGE_RISE_G_L:
        text = (
            f"{tartaric_g_l:.1f} g/L as tartaric is a great deal at once: try it in a measured glass first,"
            " and add it over several days."
        )
        found.append(Caution(Hazard.QUALITY, text))
    if share > NOTICED_SHARE:
        text = (
            f"So much solution is {100.0 * share:.0f} % of the batch: it thins the mead, and needs that room"
            " in the vessel. A stronger solution brings less water."
        )
        found.append(Caution(Hazard.QUALITY, text))
    return (*found, *HANDLING)


HANDLING: Final = (
    Caution(
        Hazard.ACID,
        "Strong acid burns skin and eyes: wear gloves and eye protection, pour acid into water and never"
        " water into acid, rinse any splash at once with plenty of water.",
    ),
    Caution(
        Hazard.SULFITE,
        "Acid sets sulfur dioxide gas free: never bring acid and sulfite together dry or strong; add them on"
        " different days, each well dissolved.",
    ),
    Caution(
        Hazard.QUALITY,
        "Use only acid sold for food. Add half, stir, wait an hour, taste, then quarters; what is in cannot"
        " be taken out. Carbonation adds sharpness of its own: stop a little early where the batch will"
        " sparkle.",
    ),
    Caution(
        Hazard.QUALITY,
        "Titratable acid is not pH: measure the pH again before sulfite is worked out.",
    ),
)
"""What must be said wherever acid is handled."""
