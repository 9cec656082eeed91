"""Quantities as makers write them: read exactly, refused with the range, shown in both systems."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import quantities as q
from monitor.errors import QuantityError


class Check(NamedTuple):
    """A text, its value by definition of the units, the tolerance, and where that definition is from."""

    read: Callable[[str], float]
    text: str
    expected: float
    source: str


NIST = "NIST SP 811, appendix B (exact by definition)"
CHECKS = [
    Check(q.mass_g, "5.5lb", 5.5 * 453.59237, NIST),
    Check(q.mass_g, "5 lb 8 oz", 5.5 * 453.59237, NIST),
    Check(q.mass_g, "5 lb 3 oz", 5.1875 * 453.59237, NIST),
    Check(q.mass_g, "3 LB", 3.0 * 453.59237, NIST),
    Check(q.mass_g, "2 kg", 2000.0, NIST),
    Check(q.mass_g, ".5 g", 0.5, NIST),
    Check(q.mass_g, "0 g", 0.0, NIST),
    Check(q.volume_l, "4.8gal", 4.8 * 3.785411784, NIST),
    Check(q.volume_l, "5 Gal", 5 * 3.785411784, NIST),
    Check(q.mass_g, "5 G", 5.0, "the gram, however it is written (exact)"),
    Check(q.volume_l, "4.8 US gal", 4.8 * 3.785411784, NIST),
    Check(q.volume_l, "1 imp gal", 4.54609, NIST),
    Check(q.volume_l, "16 fl oz", 16 * 0.0295735295625, NIST),
    Check(q.volume_l, "500 mL", 0.5, NIST),
    Check(q.volume_l, "2 qt", 2 * 0.946352946, NIST),
    Check(q.volume_l, "1 m3", 1000.0, NIST),
    Check(q.volume_l, "18 litres", 18.0, NIST),
    Check(q.temperature_c, "65F", 165.0 / 9.0, NIST),
    Check(q.temperature_c, "65 °F", 165.0 / 9.0, NIST),
    Check(q.temperature_c, "18 degC", 18.0, NIST),
    Check(q.temperature_c, "0 C", 0.0, NIST),
    Check(q.temperature_c, "-2.5 deg C", -2.5, NIST),
    Check(q.temperature_c, "291.15 K", 18.0, NIST),
    Check(q.pressure_kpa, "16 psi", 16 * 6.894757293168361, NIST),
    Check(q.pressure_kpa, "1.1 bar", 110.0, NIST),
    Check(q.pressure_kpa, "1 atm", 101.325, NIST),
    Check(q.concentration_mg_l, "40 ppm", 40.0, "trade convention: 1 ppm is 1 mg/L"),
    Check(q.concentration_mg_l, "0.5 g/L", 500.0, NIST),
    Check(q.concentration_mg_l, "1 oz/gal", 7489.151707, "NIST SP 811: ounce per US gallon"),
    Check(q.duration_hours, "2 weeks", 336.0, NIST),
    Check(q.duration_hours, "14 days", 336.0, NIST),
    Check(q.gravity_sg, "1.040", 1.040, "definition"),
    Check(q.gravity_sg, "40 points", 1.040, "definition: a point is a thousandth"),
    Check(q.gravity_sg, "85 Oe", 1.085, "definition of the degree Oechsle"),
    Check(q.gravity_sg, "0 degP", 1.0, "definition: water is 0 degP"),
    Check(q.gravity_sg, "10 degP", 1.039984, "ICUMSA SPS-4, 10 % w/w at 20/20"),
    Check(q.gravity_sg, "10 Bx", 1.039984, "ICUMSA SPS-4, 10 % w/w at 20/20"),
    Check(q.gravity_sg, "1038.115 kg/m3", 1.039984, "ICUMSA SPS-4, 10 % w/w at 20 degC"),
    Check(q.strength_abv, "5.5 % vol", 5.5, "definition"),
    Check(q.strength_abv, "0", 0.0, "definition"),
    Check(q.ph, "pH 3.6", 3.6, "definition"),
    Check(q.ph, "3.6", 3.6, "definition"),
    Check(q.share, "17.2%", 0.172, "definition"),
    Check(q.share, "0.172", 0.172, "definition"),
    Check(q.attenuation, "103 %", 1.03, "definition"),
]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.text)
def test_quantities_are_read_as_defined(check: Check) -> None:
    """Each text is the value that the definition of its unit gives."""
    assert check.read(check.text) == pytest.approx(check.expected, rel=1e-6, abs=1e-9), check.source


@pytest.mark.parametrize(
    ("read", "text", "says"),
    [
        (q.mass_g, "500", "the unit is missing"),
        (q.mass_g, "500 mL", "mL is no unit of mass"),
        (q.mass_g, "2,5 kg", "a decimal point"),
        (q.mass_g, "3 flurb", "'flurb' is not a unit"),
        (q.mass_g, "-3 g", "-0.003 kg is out of range"),
        (q.mass_g, "1e400 kg", "out of range"),
        (q.mass_g, "", "empty"),
        (q.mass_g, "lots", "not a number"),
        (q.mass_g, "1 g" * 100, "too long"),
        (q.volume_l, "500 ML", "500000000|5e[+]08 L is out of range; 0 L to 10000 L"),
        (q.volume_l, "20000 L", "0 L to 10000 L is possible"),
        (q.volume_l, "3 m", "m is no unit of volume"),
        (q.volume_l, "3 Kg", "Kg is no unit of volume"),
        (q.temperature_c, "65", "the unit is missing"),
        (q.temperature_c, "200 F 3 C", "more than one number"),
        (q.temperature_c, "300 F", "-10 degC to 110 degC is possible"),
        (q.temperature_c, "18 gal", "gal is no unit of temperature"),
        (q.gravity_sg, "2", "2 sg is out of range; 0.95 sg to 1.5 sg"),
        (q.gravity_sg, "1040", "1040 sg is out of range"),
        (q.gravity_sg, "9999999 degP", "out of range"),
        (q.gravity_sg, "3 lb", "lb is no unit of gravity"),
        (q.pressure_kpa, "-5 psi", "0 kPa to 1000 kPa"),
        (q.strength_abv, "40%", "0 % vol to 25 % vol"),
        (q.strength_abv, "5 kg", "no unit of strength"),
        (q.ph, "12", "pH '12': 12 is out of range; 2 to 6 is possible"),
        (q.ph, "3.6 g", "pH has no unit"),
        (q.share, "17.2", "17.2 is out of range; 0 to 1"),
        (q.share, "3 g", "no unit of share"),
        (q.attenuation, "96", "96 is out of range; 0.2 to 1.5"),
    ],
)
def test_wrong_quantities_are_refused(read: Callable[[str], float], text: str, says: str) -> None:
    """A wrong or missing unit or an impossible value is refused by name, with range and example."""
    with pytest.raises(QuantityError, match=says) as refused:
        read(text)
    assert refused.value.hint.startswith("write ")


READERS = [
    q.mass_g,
    q.volume_l,
    q.temperature_c,
    q.gravity_sg,
    q.pressure_kpa,
    q.concentration_mg_l,
    q.duration_hours,
    q.strength_abv,
    q.ph,
    q.share,
    q.attenuation,
]


@given(
    st.sampled_from(READERS),
    st.text(max_size=20) | st.from_regex(r"[0-9.]{1,3} ?[A-Za-z/^3.° ]{0,8}", fullmatch=True),
)
def test_any_text_is_read_or_refused(read: Callable[[str], float], text: str) -> None:
    """Whatever is written, the answer is a number or a QuantityError, nothing else."""
    try:
        value = read(text)
    except QuantityError:
        return
    assert isinstance(value, float)


@given(st.floats(0.001, 900.0), st.sampled_from(["g", "kg", "lb", "oz"]))
def test_mass_scales_with_its_number(number: float, unit: str) -> None:
    """Twice the number is twice the mass, in every unit."""
    assert q.mass_g(f"{2.0 * number!r} {unit}") == pytest.approx(2.0 * q.mass_g(f"{number!r} {unit}"))


@given(st.floats(-10.0, 110.0))
def test_fahrenheit_and_celsius_are_the_same_temperature(celsius: float) -> None:
    """A temperature written in degF is the one in degC."""
    assert q.temperature_c(f"{celsius * 1.8 + 32.0:.9f}F") == pytest.approx(celsius, abs=1e-6)


def test_importing_does_not_load_the_units_library() -> None:
    """The units library is loaded at the first use only: commands that read no quantity start quickly."""
    code = "import sys, monitor.quantities; print('pint' in sys.modules)"
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "False"
