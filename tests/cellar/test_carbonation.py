"""Carbon dioxide in the liquid against published solubility, reference equations of state and charts."""

from __future__ import annotations

from functools import partial

import pytest
from CoolProp.CoolProp import PT_INPUTS, AbstractState, PropsSI
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import carbonation as c
from monitor.cellar.carbonation import PrimingSugar
from monitor.cellar.caution import Hazard
from monitor.errors import QuantityError
from monitor.must.density import water_density_kg_m3

from .checks import Check


def co2_fugacity_coefficient(pressure_bar: float, temperature_c: float) -> float:
    state = AbstractState("HEOS", "CO2")
    state.update(PT_INPUTS, pressure_bar * 1e5, temperature_c + 273.15)
    return float(state.fugacity_coefficient(0))


def solubility_mol_m3_pa(temperature_c: float) -> float:
    """Concentration over pressure at infinite dilution, the form the compilations print."""
    mol_m3 = water_density_kg_m3(temperature_c) / 0.0180153
    return float(mol_m3 / (c.henry_mpa(temperature_c) * 1e6))


def ideal_g_per_l(temperature_c: float) -> float:
    """Grams per litre of water under 1 atm of CO2 taken as ideal, by mole ratio."""
    share = 0.101325 / c.henry_mpa(temperature_c)
    return float(share / (1.0 - share) * water_density_kg_m3(temperature_c) / 18.0153 * 44.0095)


def chart_psig(volumes: float, temperature_f: float) -> float:
    f, v = temperature_f, volumes
    return -16.6999 - 0.0101059 * f + 0.00116512 * f**2 + 0.173354 * f * v + 4.24267 * v - 0.0684226 * v**2


def gauge_bar(volumes: float, temperature_c: float) -> float:
    return c.gauge_kpa(volumes, temperature_c) / 100.0


COOLPROP = "CoolProp, reference equation of state of CO2 (Span & Wagner)"
UNITS = [
    Check(
        lambda: c.G_PER_L_PER_VOLUME,
        PropsSI("D", "T", 273.15, "P", 101325, "CO2"),
        1e-3,
        f"{COOLPROP}, gas density at 0 degC and 1 atm (1 mg/L)",
    ),
    Check(
        lambda: 1.0 / c.MOL_PER_L_PER_VOLUME,
        1e3 * PropsSI("M", "CO2") / PropsSI("D", "T", 273.15, "P", 101325, "CO2"),
        1e-3,
        f"{COOLPROP}, molar volume at 0 degC and 1 atm (1 mL/mol)",
    ),
]

CARROLL = "Carroll, Slupsky & Mather, J. Phys. Chem. Ref. Data 20 (1991) 1201, evaluated (printed digits)"
HENRY = [
    Check(partial(c.henry_mpa, t), mpa, 6e-4, CARROLL)
    for t, mpa in (
        (3.0, 82.696),
        (4.0, 85.628),
        (10.0, 104.608),
        (15.0, 122.209),
        (18.0, 133.521),
        (20.0, 141.364),
        (25.0, 161.968),
        (30.0, 183.883),
    )
]
SOLUBILITY = [
    Check(partial(ideal_g_per_l, t), g_l, 0.0015, f"{CARROLL}, at 1 atm (half a printed digit and water's)")
    for t, g_l in ((4.0, 2.894), (10.0, 2.368), (20.0, 1.749), (25.0, 1.525), (30.0, 1.341))
]
SANDER = "Sander, Atmos. Chem. Phys. 23 (2023) 10901, CO2: 3.3 to 3.4e-4 mol/(m3 Pa) at 25 degC"
COMPILED = [
    Check(partial(solubility_mol_m3_pa, 25.0), 3.35e-4, 0.10e-4, f"{SANDER} (their spread, rounded)"),
    Check(
        lambda: solubility_mol_m3_pa(20.0) / solubility_mol_m3_pa(30.0),
        1.303,
        0.015,
        f"{SANDER}, 2300 to 2400 K: exp(2350 (1/293.15 - 1/303.15)) (half their spread)",
    ),
]

WATER = "CoolProp, IAPWS-95 saturation pressure (0.01 %, far below what matters)"
VAPOUR = [
    Check(partial(c.water_vapour_kpa, t), p, 1e-4 * p, WATER)
    for t in (1.0, 4.0, 20.0, 25.0, 40.0, 65.0, 80.0)
    for p in (PropsSI("P", "T", t + 273.15, "Q", 0, "Water") / 1e3,)
]

FUGACITY = [
    Check(
        partial(c.fugacity_coefficient, 100.0 * bar, t),
        co2_fugacity_coefficient(bar, t),
        tolerance,
        f"{COOLPROP}, fugacity coefficient at {bar} bar, {t} degC (as stated in the docstring)",
    )
    for bar, tolerance in ((1.0, 3e-4), (3.0, 3e-4), (5.0, 3e-4), (10.0, 2e-3), (20.0, 8e-3), (30.0, 2e-2))
    for t in (4.0, 20.0, 30.0)
]

PRESSURE = "Henry (Carroll) with the gas not ideal, worked out apart (half a printed digit and 1 %)"
CHART = "polynomial fit of the beer chart, quoted second-hand (5 % of the CO2 pressure: the band for extract)"
GAUGE = [
    *(
        Check(partial(gauge_bar, v, t), bar, 0.015, PRESSURE)
        for v, t, bar in (
            (2.0, 4.0, 0.39),
            (2.5, 3.0, 0.68),
            (2.5, 4.0, 0.75),
            (3.0, 3.0, 1.03),
            (3.0, 4.0, 1.10),
            (3.0, 10.0, 1.58),
            (3.0, 20.0, 2.52),
            (3.0, 25.0, 3.05),
            (3.0, 30.0, 3.62),
            (3.0, 40.0, 4.87),
            (4.0, 20.0, 3.72),
            (5.0, 20.0, 4.94),
        )
    ),
    *(
        Check(partial(gauge_bar, v, t), bar, 0.12, CHART)
        for v, t, bar in ((2.0, 4.0, 0.45), (2.5, 3.0, 0.75), (3.0, 4.0, 1.19), (3.0, 10.0, 1.64))
    ),
    Check(
        partial(gauge_bar, 3.0, 4.0),
        1.1,
        0.2,
        "common practice, from memory: a keg at 4 degC holds about 3 volumes under 14 to 18 psi",
    ),
]

RESIDUAL_HENRY = "Henry at 1 atm in all, water vapour included, ideal gas (0.003: the gas is not ideal)"
RESIDUAL_CHART = "3.0378 - 0.050062 F + 0.00026555 F^2, quoted second-hand (0.05: another liquid)"
RESIDUAL = [
    *(
        Check(partial(c.residual_volumes, t), v, 0.003, RESIDUAL_HENRY)
        for t, v in ((4.0, 1.443), (10.0, 1.176), (15.0, 1.002), (18.0, 0.913), (20.0, 0.860), (25.0, 0.743))
    ),
    *(
        Check(partial(c.residual_volumes, t), v, 0.05, RESIDUAL_CHART)
        for t, v in ((4.0, 1.483), (10.0, 1.199), (15.0, 1.009), (18.0, 0.915), (20.0, 0.861), (25.0, 0.757))
    ),
]

STOICHIOMETRY = "stoichiometry with IUPAC masses (half a printed digit)"
SUGARS = [
    *(
        Check(partial(c.co2_yield_g_per_g, sugar), grams, 5e-5, STOICHIOMETRY)
        for sugar, grams in (
            (PrimingSugar.SUCROSE, 0.5143),
            (PrimingSugar.GLUCOSE, 0.4886),
            (PrimingSugar.FRUCTOSE, 0.4886),
            (PrimingSugar.GLUCOSE_MONOHYDRATE, 0.4442),
        )
    ),
    *(
        Check(partial(c.sugar_g_per_l, 1.0, sugar), grams, 6e-3, f"{STOICHIOMETRY}, g/L per volume")
        for sugar, grams in (
            (PrimingSugar.SUCROSE, 3.84),
            (PrimingSugar.GLUCOSE_MONOHYDRATE, 4.45),
            (PrimingSugar.HONEY, 5.43),
        )
    ),
    Check(
        partial(c.volumes_from_sugar, 24.0, PrimingSugar.SUCROSE),
        6.24,
        0.005,
        "sparkling wine: 24 g/L of sucrose make 6.24 volumes (half a printed digit)",
    ),
    Check(
        lambda: gauge_bar(c.volumes_from_sugar(24.0, PrimingSugar.SUCROSE) + 0.94, 10.0),
        6.0,
        0.9,
        "sparkling wine rule, from memory: 24 g/L of sucrose for 6 bar, at cellar temperature",
    ),
]

CHECKS = [
    *UNITS,
    *HENRY,
    *SOLUBILITY,
    *COMPILED,
    *VAPOUR,
    *FUGACITY,
    *GAUGE,
    *RESIDUAL,
    *SUGARS,
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Solubility, gas and pressures agree with what is published, each within a tolerance that has a
    reason."""
    check.hold()


volumes = st.floats(0.05, 15.0)
temperatures = st.floats(0.0, 40.0)


@given(volumes, temperatures)
def test_volumes_undo_pressure(held: float, temperature_c: float) -> None:
    """What settles under the pressure of so many volumes is so many volumes."""
    assert c.volumes_at(c.gauge_kpa(held, temperature_c), temperature_c) == pytest.approx(held, rel=1e-7)


@given(volumes, temperatures, st.floats(0.1, 1.0), st.floats(0.5, 10.0))
def test_more_gas_and_more_warmth_press_harder(
    held: float, temperature_c: float, more: float, warmer_c: float
) -> None:
    """Pressure rises with the gas held and with temperature."""
    pressure_kpa = c.gauge_kpa(held, temperature_c)
    assert c.gauge_kpa(held + more, temperature_c) > pressure_kpa
    assert c.gauge_kpa(held, temperature_c + warmer_c) > pressure_kpa


@given(st.floats(0.0, 20.0), st.sampled_from(PrimingSugar))
def test_gas_undoes_sugar(wanted: float, sugar: PrimingSugar) -> None:
    """The sugar for so many volumes makes so many volumes."""
    assert c.volumes_from_sugar(c.sugar_g_per_l(wanted, sugar), sugar) == pytest.approx(wanted, abs=1e-12)


def test_a_gasless_liquid_has_only_vapour_above_it() -> None:
    """Without CO2 the pressure over the liquid is that of water vapour."""
    assert c.co2_pressure_kpa(0.0, 20.0) == 0.0
    assert c.gauge_kpa(0.0, 20.0) == pytest.approx(2.339 - 101.325, abs=1e-3)


def test_high_up_less_gas_stays() -> None:
    """An open ferment on a mountain leaves less CO2 behind, in proportion to the air's pressure."""
    assert c.residual_volumes(20.0, ambient_kpa=80.0) < 0.8 * c.residual_volumes(20.0)


@pytest.mark.parametrize("temperature_c", [3.0, 4.0, 6.0, 8.0, 10.0])
@pytest.mark.parametrize("wanted", [2.0, 2.5, 3.0])
def test_the_band_reaches_the_chart(wanted: float, temperature_c: float) -> None:
    """At keg temperatures the beer chart lies in the band, within the 0.02 bar of its own fit."""
    keg = c.keg_pressure(wanted, temperature_c)
    chart_kpa = 6.894757 * chart_psig(wanted, 32.0 + 1.8 * temperature_c)
    assert keg.gauge_kpa <= chart_kpa <= keg.highest_gauge_kpa + 2.0


def test_a_keg_comes_with_its_cautions() -> None:
    """Whoever is told a pressure is told of relief valves, regulators and suffocating gas."""
    keg = c.keg_pressure(3.0, 4.0)
    assert {caution.hazard for caution in keg.cautions} == {Hazard.PRESSURE, Hazard.CARBON_DIOXIDE}
    assert keg.gauge_bar == pytest.approx(1.10, abs=0.01)
    assert keg.gauge_psi == pytest.approx(16.0, abs=0.1)


@pytest.mark.parametrize(
    ("wanted", "temperature_c"), [(-0.1, 4.0), (1.0, 4.0), (6.0, 4.0), (3.0, -1.0), (3.0, 60.0)]
)
def test_impossible_kegs_are_refused(wanted: float, temperature_c: float) -> None:
    """Less than stays in the open, more than a keg should hold and impossible temperatures raise
    QuantityError."""
    with pytest.raises(QuantityError):
        c.keg_pressure(wanted, temperature_c)


def test_a_warm_keg_is_chilled_first() -> None:
    """5 volumes at 40 degC are 9 bar by Henry's law (worked out apart), at 20 still over 4: no setting."""
    for temperature_c in (20.0, 40.0):
        with pytest.raises(QuantityError, match="bar") as caught:
            c.keg_pressure(5.0, temperature_c)
        assert "chill the keg" in caught.value.hint
    assert c.keg_pressure(5.0, 4.0).highest_gauge_kpa <= 400.0
    assert "stamped on the keg" in c.keg_pressure(3.0, 4.0).cautions[0].text


def test_pressures_beyond_reason_are_refused() -> None:
    """Below a vacuum and above 40 bar there is no answer."""
    with pytest.raises(QuantityError, match="gauge pressure"):
        c.volumes_at(-101.0, 20.0)
    with pytest.raises(QuantityError, match="gauge pressure"):
        c.volumes_at(4_001.0, 20.0)
