"""Molar masses of the substances a cellar weighs out.

Source: IUPAC standard atomic weights, abridged to five digits (table of 2021). A sum of these is good to
about 1e-4, far below what any kitchen or laboratory balance of a small maker resolves.
"""

from __future__ import annotations

from typing import Final

H: Final = 1.008
C: Final = 12.011
N: Final = 14.007
O: Final = 15.999  # noqa: E741 - the element's own symbol
NA: Final = 22.990
P: Final = 30.974
S: Final = 32.06
K: Final = 39.098

WATER_G_MOL: Final = 2 * H + O
CARBON_DIOXIDE_G_MOL: Final = C + 2 * O
SULFUR_DIOXIDE_G_MOL: Final = S + 2 * O
ETHANOL_G_MOL: Final = 2 * C + 6 * H + O
HEXOSE_G_MOL: Final = 6 * C + 12 * H + 6 * O
SUCROSE_G_MOL: Final = 12 * C + 22 * H + 11 * O
SORBIC_ACID_G_MOL: Final = 6 * C + 8 * H + 2 * O
POTASSIUM_SORBATE_G_MOL: Final = 6 * C + 7 * H + K + 2 * O
