"""Amounts in words, in both systems of units."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor import quantities
from monitor.cellar import shown as s


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (s.show_mass(691.3), "691 g (1 lb 8.4 oz)"),
        (s.show_mass(453.5), "454 g (1 lb 0.0 oz)"),
        (s.show_mass(2579.0, s.UnitSystem.US), "5 lb 11.0 oz (2.58 kg)"),
        (s.show_mass(1.64, both=False), "1.64 g"),
        (s.show_mass(0.03, both=False), "30.0 mg"),
        (s.show_mass(0.0), "0 g (0 oz)"),
        (s.show_volume(18.4718), "18.5 L (4.88 US gal)"),
        (s.show_volume(0.075), "75.0 mL (2.54 US fl oz)"),
        (s.show_temperature(0.0), "0.0 °C (32.0 °F)"),
        (s.show_temperature(18.0, s.UnitSystem.US), "64.4 °F (18.0 °C)"),
        (s.show_pressure(110.0), "1.10 bar (16.0 psi)"),
        (s.show_mass_per_volume(7.489), "7.49 g/L (1.00 oz/US gal)"),
        (s.show_gravity(1.04), "1.0400"),
    ],
)
def test_quantities_are_shown_in_both_systems(shown: str, expected: str) -> None:
    """Masses, volumes, temperatures and pressures are shown to three digits, the other system in brackets."""
    assert shown == expected


@given(st.floats(0.01, 1e6))
def test_a_shown_mass_reads_back_as_itself(grams: float) -> None:
    """What is shown in either system reads back within its last digit."""
    for system in s.UnitSystem:
        back = quantities.mass_g(s.show_mass(grams, system, both=False))
        assert back == pytest.approx(grams, rel=5.1e-3)


@given(st.floats(1e-4, 9e3))
def test_a_shown_volume_reads_back_as_itself(litres: float) -> None:
    """What is shown in either system reads back within its last digit."""
    for system in s.UnitSystem:
        back = quantities.volume_l(s.show_volume(litres, system, both=False))
        assert back == pytest.approx(litres, rel=5.1e-3)


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        # exact by definition: F = 1.8 C + 32, a US gallon is 231 cubic inches, 3.785411784 L
        ("at 20 degC or below", "at 68 degF or below"),
        ("-2.5 degC.", "27.5 degF."),
        ("0 degC", "32 degF"),
        ("3.0 degC colder than", "5.4 degF colder than"),
        ("no more than some 20 degC between", "no more than some 36 degF between"),
        ("raises 18.00 L to 18.55 L.", "raises 4.76 US gal to 4.90 US gal."),
        # 1 bar is 14.50 psi (NIST SP 811, appendix B)
        ("some 0.6 bar at", "some 9 psi (0.6 bar) at"),
        ("1.2 bar (17 psi) over", "17 psi (1.2 bar) over"),
        ("2.50 g/L and 150 mg/L, 3 L/h", "2.50 g/L and 150 mg/L, 3 L/h"),
        ("Loft 2 Later", "Loft 2 Later"),
    ],
)
def test_sentences_are_told_in_us_units(metric: str, us: str) -> None:
    """A temperature is shifted, a difference is not; doses and other words stay."""
    assert s.in_units(metric, s.UnitSystem.US) == us
    assert s.in_units(metric, s.UnitSystem.METRIC) == metric


def test_a_limit_that_was_given_in_degf_comes_out_whole() -> None:
    """65 degF are 18.333 degC, kept in words as 18.33: told back as 65, and in degC to a tenth."""
    said = "the yeast's limit is 18.33 degC."
    assert s.in_units(said, s.UnitSystem.US) == "the yeast's limit is 65 degF."
    assert s.in_units(said, s.UnitSystem.METRIC) == "the yeast's limit is 18.3 degC."
