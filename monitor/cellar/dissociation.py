"""How much of the free sulfur dioxide is molecular: the form that stops yeasts and bacteria.

X = 1/(1 + 10^(pH - pK)), the first dissociation. Sources do not agree on pK, and a tenth of it is a quarter
of the dose:

* `TEXTBOOK`: 1.81 in water at 20 to 25 degC, the figure of most wine-making tables, whatever the alcohol. The
  default: at 5 % vol and more it never asks for less than the other does at 20 degC and up, so it is the
  cautious one against spoilage.
* `MIXED`: the thermodynamic table of Usseglio-Tomasset in OIV-MA-AS323-04C, which climbs with temperature and
  alcohol, lowered to a mixed constant by Debye-Hueckel at the mean ionic strength 0.038 that the method
  gives (its coefficients A 0.51, B 1.64 are from memory). The table begins at 20 degC: colder liquids are
  taken as 20 degC, which flatters them, and every dose and refusal says so.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Final

import numpy as np

from monitor.cellar.caution import Caution, Hazard
from monitor.cellar.possible import within
from monitor.units import degrees

TEXTBOOK_PK: Final = 1.81

_TABLE_C: Final = (20.0, 25.0, 30.0, 35.0, 40.0)
_TABLE_ABV: Final = (0.0, 5.0, 10.0, 15.0)
_TABLE_PK: Final = (
    (1.798, 2.000, 2.219, 2.334, 2.493),
    (1.897, 2.098, 2.299, 2.397, 2.527),
    (1.997, 2.198, 2.394, 2.488, 2.606),
    (2.099, 2.301, 2.503, 2.607, 2.728),
)
_IONIC_STRENGTH: Final = 0.038
_DEBYE_A: Final = 0.51
_DEBYE_B: Final = 1.64


class PkConvention(StrEnum):
    """Which pK is used; see the module's text."""

    TEXTBOOK = "flat 1.81"
    MIXED = "OIV table, mixed constant"


def pk_thermodynamic(temperature_c: float, alcohol_abv: float) -> float:
    """Thermodynamic pK of SO2: Usseglio-Tomasset, OIV-MA-AS323-04C Table I, straight lines between.

    Raises QuantityError outside the table, 20..40 degC and 0..15 % vol.
    """
    within("temperature", temperature_c, _TABLE_C[0], _TABLE_C[-1], "degC")
    within("alcohol", alcohol_abv, _TABLE_ABV[0], _TABLE_ABV[-1], "% vol")
    at_temperature = [float(np.interp(temperature_c, _TABLE_C, row)) for row in _TABLE_PK]
    return float(np.interp(alcohol_abv, _TABLE_ABV, at_temperature))


def so2_pk(
    temperature_c: float, alcohol_abv: float, convention: PkConvention = PkConvention.TEXTBOOK
) -> float:
    """The pK that a convention uses.

    Liquids colder than 20 degC are taken as 20 degC (see `reckoned_c`), which asks for too little; stronger
    than 15 % vol as 15, which asks for a little too much. Raises QuantityError outside -5..40 degC and 0..25
    % vol.
    """
    within("temperature", temperature_c, -5.0, _TABLE_C[-1], "degC")
    within("alcohol", alcohol_abv, 0.0, 25.0, "% vol")
    if convention is PkConvention.TEXTBOOK:
        return TEXTBOOK_PK
    root = math.sqrt(_IONIC_STRENGTH)
    lowered = _DEBYE_A * root / (1.0 + _DEBYE_B * root)
    table_c = reckoned_c(temperature_c, convention)
    assert table_c is not None
    return pk_thermodynamic(table_c, min(alcohol_abv, _TABLE_ABV[-1])) - lowered


def reckoned_c(temperature_c: float, convention: PkConvention) -> float | None:
    """The temperature, degC, that a convention's pK holds for; None for the flat one, which knows none."""
    return None if convention is PkConvention.TEXTBOOK else max(temperature_c, _TABLE_C[0])


def molecular_share(ph: float, pk: float = TEXTBOOK_PK) -> float:
    """Share of the free SO2 that is molecular. Raises QuantityError outside pH 2.5..5."""
    within("pH", ph, 2.5, 5.0, hint="mead, cider and wine lie between about 3 and 4.5; calibrate the meter")
    return 1.0 / (1.0 + math.pow(10.0, ph - pk))


def colder_cautions(convention: PkConvention, temperature_c: float) -> tuple[Caution, ...]:
    """That the constant is one of a warmer liquid, where it is.

    pK falls with the cold, by 0.04 a degree at the table's cold end, and with it the molecular share.
    """
    table_c = reckoned_c(temperature_c, convention)
    if table_c is None or temperature_c >= table_c:
        return ()
    text = (
        f"This was reckoned at {degrees(table_c)} degC, where the table of this constant begins: at"
        f" {degrees(temperature_c)} degC less of the free SO2 is molecular than that, by how much no figure"
        " here tells, and this asks for too little. The target is reached only once the liquid stands at"
        f" {degrees(table_c)} degC: until then count on less protection, and where sugar has to be held, on"
        " cold, sterile filtration or heat."
    )
    return (Caution(Hazard.SULFITE, text),)
