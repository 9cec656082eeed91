"""Molar masses against handbook values."""

from __future__ import annotations

import pytest
from CoolProp.CoolProp import PropsSI

from monitor.cellar import molar

from .checks import Check

HANDBOOK = "molar mass as printed in chemical handbooks (0.01 g/mol: their atomic weights are older)"
COOLPROP = "CoolProp, molar mass of the pure fluid (0.002 g/mol: rounding of the atomic weights)"
CHECKS = [
    Check(lambda: molar.SULFUR_DIOXIDE_G_MOL, 64.06, 0.01, HANDBOOK),
    Check(lambda: molar.HEXOSE_G_MOL, 180.16, 0.01, HANDBOOK),
    Check(lambda: molar.SUCROSE_G_MOL, 342.30, 0.01, HANDBOOK),
    Check(lambda: molar.SORBIC_ACID_G_MOL, 112.13, 0.01, HANDBOOK),
    Check(lambda: molar.POTASSIUM_SORBATE_G_MOL, 150.22, 0.01, HANDBOOK),
    Check(lambda: molar.CARBON_DIOXIDE_G_MOL, 1e3 * PropsSI("M", "CO2"), 0.002, COOLPROP),
    Check(lambda: molar.WATER_G_MOL, 1e3 * PropsSI("M", "Water"), 0.002, COOLPROP),
    Check(lambda: molar.ETHANOL_G_MOL, 1e3 * PropsSI("M", "Ethanol"), 0.002, COOLPROP),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Each molar mass agrees with a handbook or a reference library."""
    check.hold()


def test_fermentation_keeps_mass() -> None:
    """A hexose weighs what the ethanol and the carbon dioxide made of it weigh."""
    made = 2 * molar.ETHANOL_G_MOL + 2 * molar.CARBON_DIOXIDE_G_MOL
    assert made == pytest.approx(molar.HEXOSE_G_MOL, abs=1e-9)
    assert pytest.approx(2 * molar.HEXOSE_G_MOL, abs=1e-9) == molar.SUCROSE_G_MOL + molar.WATER_G_MOL
