"""Densities and gravity scales against the standards, tables and reference libraries they come from."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import QuantityError
from monitor.must import density as d


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str


def sg_of_percent(percent: float) -> float:
    return float(d.sg_from_plato(percent))


def in_air_sg(percent: float) -> float:
    """The apparent gravity that the in-air tables print: weights in air of 1.2 kg/m3."""
    return (d.sucrose_density_kg_m3(percent / 100.0) - 1.2) / (d.WATER_20C_KG_M3 - 1.2)


def abv_of_sg(sg: float) -> float:
    return d.abv_from_ethanol_fraction(d.ethanol_fraction_from_relative_density(sg))


def reading_correction_points(sg: float, temperature_c: float, body: float) -> float:
    return 1e3 * (sg - d.hydrometer_reading_sg(sg, temperature_c, body_expansion_per_k=body))


IAPWS = "IAPWS-95 at 101.325 kPa, two implementations agree (0.006 kg/m3 between water standards)"
KELL = "Kell 1975 refitted to ITS-90 as in ICUMSA SPS-4 (printed digits)"
WATER = [
    *(
        Check(partial(d.water_density_kg_m3, t), rho, 0.006, IAPWS)
        for t, rho in (
            (4.0, 999.9749),
            (10.0, 999.7025),
            (15.0, 999.1026),
            (20.0, 998.2072),
            (25.0, 997.0476),
            (30.0, 995.6495),
            (40.0, 992.2164),
        )
    ),
    Check(partial(d.water_density_kg_m3, d.SIXTY_FAHRENHEIT_C), 999.0135, 6e-5, KELL),
    Check(partial(d.water_density_kg_m3, 20.0), 998.2031, 6e-5, KELL),
]

HANDBOOK = (
    "sugar technology handbook, appendix: relative density 20/20 of sucrose (0.06 points, print rounding)"
)
SPS4 = "ICUMSA SPS-4 at 20 degC, evaluated apart from this code (digits given)"
NBS_FIT = "NBS Circular 440 table through its published cubic fit, in air (fit error up to 0.02 degP)"
LAB_TABLE = "sucrose table of a university physics laboratory, read (0.07 kg/m3: rounding, older water)"
CRC = "CRC Handbook, concentrative properties of aqueous sucrose at 20 degC, as copied in public code"
GOST = "GOST 14251-75, table 1: relative density 1.104 is 27.15 g of extract in 100 cm3 (0.03)"
SUCROSE = [
    *(
        Check(partial(d.sucrose_density_kg_m3, p / 100.0, t), rho, 0.07, LAB_TABLE)
        for p, t, rho in (
            (5.0, 15.0, 1018.84),
            (5.0, 20.0, 1017.84),
            (10.0, 15.0, 1039.25),
            (10.0, 20.0, 1038.13),
            (15.0, 20.0, 1059.16),
            (20.0, 15.0, 1082.33),
            (20.0, 20.0, 1080.94),
            (30.0, 15.0, 1128.63),
            (30.0, 20.0, 1126.98),
        )
    ),
    *(
        Check(
            lambda p=p: d.extract_g_per_l_from_sg(d.sg_from_plato(p)), grams, 0.02, LAB_TABLE + ", g/L column"
        )
        for p, grams in ((5.0, 50.892), (10.0, 103.813), (15.0, 158.874), (25.0, 275.885))
    ),
    Check(lambda: d.extract_g_per_l_from_sg(1.104) / 10.0, 27.15, 0.03, GOST),
    *(
        Check(partial(sg_of_percent, p), sg, 6e-5, HANDBOOK)
        for p, sg in ((1.0, 1.00389), (2.0, 1.00779), (10.0, 1.03998), (15.0, 1.06104), (20.0, 1.08287))
    ),
    *(
        Check(partial(d.sucrose_density_kg_m3, p / 100.0), rho, 6e-4, SPS4)
        for p, rho in (
            (5.0, 1017.805),
            (12.0, 1046.444),
            (25.0, 1103.591),
            (40.0, 1176.518),
            (60.0, 1286.611),
        )
    ),
    *(
        Check(partial(d.plato_from_sg, sg), plato, 0.02, NBS_FIT)
        for sg, plato in (
            (1.010, 2.5605),
            (1.030, 7.5585),
            (1.040, 9.9934),
            (1.050, 12.3870),
            (1.060, 14.7404),
            (1.100, 23.7741),
        )
    ),
    *(
        Check(partial(d.sucrose_density_kg_m3, p / 100.0), rho, 0.06, CRC + " (its rounding)")
        for p, rho in ((5.0, 1017.8), (10.0, 1038.1), (20.0, 1081.0), (30.0, 1127.0), (40.0, 1176.5))
    ),
    *(
        Check(
            partial(d.sucrose_density_kg_m3, p / 100.0), rho, 0.6, CRC + " (an older table: 0.05 % at most)"
        )
        for p, rho in ((50.0, 1229.5), (60.0, 1286.4), (70.0, 1347.2), (80.0, 1411.7))
    ),
    *(
        Check(
            partial(d.sucrose_density_kg_m3, p / 100.0, d.SIXTY_FAHRENHEIT_C), rho, 6e-4, SPS4 + ", here 60 F"
        )
        for p, rho in (
            (5.0, 1018.726),
            (10.0, 1039.147),
            (25.0, 1104.964),
            (40.0, 1178.236),
            (60.0, 1288.744),
            (80.0, 1414.576),
        )
    ),
]

OIML = "OIML R 22 (Directive 76/766/EEC, annex): guard value of the general formula (printed digits)"
OIML_STRENGTH = "OIML R 22: density at 20 degC by strength, evaluated apart from this code (0.001 kg/m3)"
MELINDER = "Melinder, properties of ethanol-water, through CoolProp (another formula: 0.05 kg/m3)"
PERRY = "Perry's Chemical Engineers' Handbook, 7th ed.: ethanol-water, d 20/4, as copied online (5e-5)"
ETHANOL = [
    *(
        # over the density of water at 4 degC, as the table has it
        Check(lambda p=p: d.ethanol_water_density_kg_m3(p / 100.0) / 999.972, ratio, 5e-5, PERRY)
        for p, ratio in (
            (1.0, 0.99636),
            (2.0, 0.99453),
            (3.0, 0.99275),
            (5.0, 0.98938),
            (8.0, 0.98478),
            (10.0, 0.98187),
            (12.0, 0.97910),
        )
    ),
    *(
        Check(partial(d.ethanol_water_density_kg_m3, p, t), rho, 6e-6, OIML)
        for p, t, rho in (
            (0.0, 20.0, 998.20123),
            (1.0, 20.0, 789.23912),
            (0.0, 0.0, 999.83693),
            (1.0, 0.0, 806.21512),
            (0.5, 20.0, 913.77060),
            (0.05, 15.0, 990.32942),
            (0.05, 25.0, 988.15438),
            (0.1, 0.0, 984.74993),
            (0.1, 40.0, 974.77829),
        )
    ),
    *(
        Check(
            lambda abv=abv: d.ethanol_water_density_kg_m3(d.ethanol_fraction_from_abv(abv)),
            rho,
            6e-4,
            OIML_STRENGTH,
        )
        for abv, rho in (
            (1.0, 996.697),
            (3.0, 993.806),
            (5.0, 991.055),
            (6.0, 989.728),
            (8.0, 987.164),
            (10.0, 984.710),
            (12.0, 982.355),
            (15.0, 978.971),
            (20.0, 973.557),
            (40.0, 948.045),
        )
    ),
    Check(partial(abv_of_sg, 0.9950), 3.4248, 6e-5, "OIML R 22, strength from relative density"),
    Check(partial(abv_of_sg, 0.9900), 7.1660, 6e-5, "OIML R 22, strength from relative density"),
    Check(partial(d.ethanol_water_density_kg_m3, 0.1), 981.841, 0.05, MELINDER),
]

SCALES = [
    *(
        Check(partial(d.sg_60f_from_sg, sg), at_60f, 6e-7, "ICUMSA SPS-4 at 20 degC and at 60 F")
        for sg, at_60f in ((1.010, 1.010048), (1.040, 1.040189), (1.060, 1.060280), (1.100, 1.100455))
    ),
    Check(partial(d.sg_on_scale, 1.04, 15.0, 15.0), 1.040215, 6e-7, "ICUMSA SPS-4, scale 15/15"),
    Check(partial(d.sg_on_scale, 1.06, 20.0, 4.0), 1.058125, 6e-7, "ICUMSA SPS-4, scale 20/4"),
    Check(partial(d.sg_60f_from_sg, 0.992841), 0.992874, 2e-6, "OIML R 22, 5 % vol, 60 F/60 F"),
    Check(partial(d.sg_60f_from_sg, 0.986485), 0.986653, 2e-6, "OIML R 22, 10 % vol, 60 F/60 F"),
    Check(
        lambda: d.water_density_kg_m3(d.SIXTY_FAHRENHEIT_C) / d.WATER_20C_KG_M3,
        1.000811,
        1e-6,
        "IAPWS-95: water at 60 F over water at 20 degC",
    ),
    Check(
        partial(d.sg_from_oechsle, 85.0), 1.085, 1e-12, "definition: degrees Oechsle are thousandths above 1"
    ),
    Check(
        partial(d.extract_g_per_l_from_sg, 1.03998), 103.81, 0.02, "ICUMSA SPS-4: 10 % w/w holds 103.81 g/L"
    ),
]

BUOYANCY = (
    "buoyancy with ICUMSA SPS-4 and ISO 1768 glass, hydrometer correction table (printed to 0.01 point)"
)
LYONS = "water curve of a published hydrometer correction, 1992, rebased to 68 F (pure water, no glass: 0.6)"
FLOAT_CORRECTIONS = [
    *(
        Check(partial(reading_correction_points, sg, t, 25e-6), points, 0.006, BUOYANCY)
        for sg, t, points in (
            (1.000, 10.0, -1.25),
            (1.000, 30.0, 2.31),
            (1.040, 4.0, -2.29),
            (1.040, 15.0, -1.02),
            (1.040, 18.0, -0.44),
            (1.040, 25.0, 1.25),
            (1.040, 35.0, 4.38),
            (1.080, 10.0, -2.28),
            (1.080, 40.0, 6.91),
        )
    ),
    Check(partial(reading_correction_points, 1.04, 10.0, 2e-4), 0.05, 0.006, BUOYANCY + ", plastic body"),
    Check(partial(reading_correction_points, 1.04, 30.0, 0.0), 2.98, 0.006, BUOYANCY + ", no body term"),
    *(
        Check(partial(reading_correction_points, 1.04, t, 25e-6), points, 0.6, LYONS)
        for t, points in ((10.0, -1.49), (15.0, -0.87), (25.0, 1.12), (30.0, 2.47))
    ),
    Check(
        lambda: d.sg_from_density(1018.2, 18.3),
        1.0196,
        1e-4,
        "SPS-4: 1018.2 kg/m3 at 18.3 degC is 1.02003 over water at 20, less 0.4 points for 18.3 degC",
    ),
]


@pytest.mark.parametrize("check", [*WATER, *SUCROSE, *ETHANOL, *SCALES, *FLOAT_CORRECTIONS])
def test_published_densities_are_met(check: Check) -> None:
    """Every density, scale and correction agrees with its published source within the stated tolerance."""
    assert check.compute() == pytest.approx(check.expected, abs=check.tolerance), check.source


@pytest.mark.parametrize("temperature_c", [1.0, 8.0, 18.0, 22.5, 35.0])
def test_water_agrees_with_the_reference_equation_of_state(temperature_c: float) -> None:
    """Water is within 0.006 kg/m3, the spread of the standards, of IAPWS-95 as CoolProp has it."""
    reference = PropsSI("D", "T", temperature_c + 273.15, "P", 101325.0, "Water")
    assert d.water_density_kg_m3(temperature_c) == pytest.approx(reference, abs=0.006)


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 35.0])
def test_pure_ethanol_agrees_with_the_reference_equation_of_state(temperature_c: float) -> None:
    """Pure ethanol is within 0.1 % of the equation of state of Schroeder, Penoncello & Schroeder 2014."""
    reference = PropsSI("D", "T", temperature_c + 273.15, "P", 101325.0, "Ethanol")
    assert d.ethanol_water_density_kg_m3(1.0, temperature_c) == pytest.approx(reference, rel=1e-3)


@pytest.mark.parametrize("percent", [2.5, 5.0, 10.0, 15.0, 20.0, 25.0])
def test_published_plato_fits_of_the_in_air_tables_are_met(percent: float) -> None:
    """The ASBC cubic on the in-air gravity gives back the percentage within 0.02, its error against SPS-4."""
    s = in_air_sg(percent)
    asbc = 135.997 * s**3 - 630.272 * s**2 + 1111.14 * s - 616.868
    assert asbc == pytest.approx(percent, abs=0.02)


@pytest.mark.parametrize("percent", [5.0, 10.0, 15.0, 20.0])
def test_the_published_inverse_fit_is_met(percent: float) -> None:
    """S = 1 + P/(258.6 - 0.8796 P), the inverse in common use, is within 0.1 point."""
    assert 1.0 + percent / (258.6 - 0.8796 * percent) == pytest.approx(d.sg_from_plato(percent), abs=1e-4)


@given(st.floats(-5.0, 80.0))
def test_plato_and_gravity_undo_each_other(plato: float) -> None:
    """Gravity from Plato and back loses rounding only, also below zero."""
    assert d.plato_from_sg(d.sg_from_plato(plato)) == pytest.approx(plato, abs=1e-9)


@given(st.floats(0.0, 0.8), st.floats(0.0, 40.0))
def test_sucrose_density_is_undone(fraction: float, temperature_c: float) -> None:
    """The mass fraction of a density is the one it came of, at every temperature."""
    rho = d.sucrose_density_kg_m3(fraction, temperature_c)
    assert d.sucrose_fraction_from_density(rho, temperature_c) == pytest.approx(fraction, abs=1e-10)


@given(st.floats(0.0, 100.0))
def test_strength_is_undone(abv: float) -> None:
    """The strength of a mass fraction is the one it came of."""
    fraction = d.ethanol_fraction_from_abv(abv)
    assert d.abv_from_ethanol_fraction(fraction) == pytest.approx(abv, abs=1e-9)


@given(st.floats(0.96, 1.2), st.floats(2.0, 38.0), st.floats(15.0, 25.0), st.floats(0.0, 3e-4))
def test_hydrometer_correction_undoes_the_reading(sg: float, t: float, t0: float, body: float) -> None:
    """What a float would read is corrected back to the gravity it floats in."""
    reading = d.hydrometer_reading_sg(sg, t, t0, body)
    assert d.corrected_sg(reading, t, t0, body) == pytest.approx(sg, abs=1e-9)


@given(st.floats(0.97, 1.2))
def test_sixty_fahrenheit_scale_is_undone(sg: float) -> None:
    """60 F/60 F and back is the same gravity."""
    assert d.sg_from_sg_60f(d.sg_60f_from_sg(sg)) == pytest.approx(sg, abs=1e-10)


@given(st.floats(0.9, 1.4), st.floats(1e-6, 0.01))
def test_plato_rises_with_gravity(sg: float, step: float) -> None:
    """More gravity is more extract."""
    assert d.plato_from_sg(sg + step) > d.plato_from_sg(sg)


@given(st.floats(0.0, 0.99), st.floats(1e-4, 0.01), st.floats(5.0, 40.0))
def test_ethanol_makes_lighter(fraction: float, step: float, temperature_c: float) -> None:
    """More ethanol is less density."""
    lighter = d.ethanol_water_density_kg_m3(fraction + step, temperature_c)
    assert lighter < d.ethanol_water_density_kg_m3(fraction, temperature_c)


def test_arrays_are_converted_like_numbers() -> None:
    """An array of gravities gives what each of its numbers gives."""
    sg = np.linspace(0.98, 1.15, 50)
    plato = d.plato_from_sg(sg)
    assert plato.tolist() == pytest.approx([d.plato_from_sg(float(x)) for x in sg], abs=1e-12)
    assert d.sg_from_plato(plato).tolist() == pytest.approx(sg.tolist(), abs=1e-12)


def test_water_reads_one_on_every_scale() -> None:
    """Water is 1.000, 0 degP and 0 Oechsle: zero is a reading."""
    assert d.sg_from_plato(0.0) == 1.0
    assert d.plato_from_sg(1.0) == pytest.approx(0.0, abs=1e-12)
    assert d.oechsle_from_sg(1.0) == 0.0
    assert d.sg_60f_from_sg(1.0) == pytest.approx(1.0, abs=1e-12)
    assert d.sg_from_density(d.water_density_kg_m3(0.0), 0.0) == pytest.approx(1.0, abs=1e-12)


def test_both_expansion_models_meet_at_water() -> None:
    """The correction does not jump where a reading passes from below to above water."""
    below = d.sg_on_scale(1.0 - 1e-9, 30.0, 20.0)
    above = d.sg_on_scale(1.0 + 1e-9, 30.0, 20.0)
    assert below == pytest.approx(above, abs=1e-8)


@pytest.mark.parametrize("relative_density", [0.5, 1.001])
def test_no_ethanol_water_is_said_to_be(relative_density: float) -> None:
    """A density that no ethanol-water has is refused with the range that it has."""
    with pytest.raises(QuantityError, match=r"0\.790\d to 1"):
        d.ethanol_fraction_from_relative_density(relative_density)


@pytest.mark.parametrize("abv", [-0.1, 100.1])
def test_impossible_strength_is_refused(abv: float) -> None:
    """Alcohol below 0 or above 100 per cent is refused."""
    with pytest.raises(QuantityError, match="0 to 100"):
        d.ethanol_fraction_from_abv(abv)
