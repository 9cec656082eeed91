"""Acids against IUPAC masses, handbook densities and the trade's own dose."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import acid as a
from monitor.cellar.acid import Acid, AcidSolution, Basis
from monitor.cellar.caution import Hazard
from monitor.errors import QuantityError
from monitor.units import US_GAL_L

from .checks import Check

TEN_PERCENT = AcidSolution(Acid.CITRIC, 10.0)
TEN_PERCENT_BY_MASS = AcidSolution(Acid.CITRIC, 10.0, Basis.MASS_PER_MASS)

MASSES = "molar mass over titrated protons, IUPAC masses as printed in handbooks (0.01)"
PRACTICE = "common practice: 75 mL of a 10 % solution in 5 US gal"
AS_TARTARIC = f"{PRACTICE}, as tartaric, worked out apart (printed digits; 0.4 % for the 75 mL themselves)"
DOSSIER = (
    "registration dossier of phosphoric acid, handbooks at 20 to 30 degC; 85 % 1.6845 at 25 degC (range)"
)
DENSITY = "concentrative properties of aqueous solutions at 20 degC, CRC table (printed digits)"
EQUIVALENTS = "enology texts, from memory: 1 g of tartaric counts as {} g of {} (printed digits)"


def practice_as_tartaric(acid: Acid) -> float:
    rise = a.rise_from_solution_g_l(75.0, 5 * US_GAL_L, AcidSolution(acid, 10.0))
    return a.as_acid(rise, acid, Acid.TARTARIC)


CHECKS = [
    *(
        Check(partial(a.equivalent_mass_g, acid), molar_mass / protons, 0.01, MASSES)
        for acid, molar_mass, protons in (
            (Acid.CITRIC, 192.12, 3),
            (Acid.MALIC, 134.09, 2),
            (Acid.TARTARIC, 150.09, 2),
            (Acid.LACTIC, 90.08, 1),
            (Acid.PHOSPHORIC, 97.99, 2),
        )
    ),
    Check(
        partial(a.rise_from_solution_g_l, 75.0, 5 * US_GAL_L, TEN_PERCENT),
        0.3947,
        5e-5,
        f"{PRACTICE}, w/v, in 19.0 L",
    ),
    Check(
        partial(a.rise_from_solution_g_l, 75.0, 5 * US_GAL_L, TEN_PERCENT_BY_MASS),
        0.4105,
        3e-4,
        f"{PRACTICE}, w/w, worked out apart with the density 1.0402 (half a printed digit)",
    ),
    *(
        Check(partial(a.solution_density_g_ml, Acid.PHOSPHORIC, percent), density, error, DOSSIER)
        for percent, density, error in (
            (30.0, 1.1794, 3e-3),
            (50.0, 1.335, 5e-3),
            (75.0, 1.575, 5e-3),
            (85.0, 1.6845, 6e-3),
        )
    ),
    *(
        Check(partial(practice_as_tartaric, acid), g_l / 1.004, 6e-4, AS_TARTARIC)
        for acid, g_l in (
            (Acid.CITRIC, 0.464),
            (Acid.MALIC, 0.444),
            (Acid.TARTARIC, 0.396),
            (Acid.LACTIC, 0.330),
            (Acid.PHOSPHORIC, 0.607),
        )
    ),
    *(
        Check(
            partial(a.as_acid, 1.0, Acid.TARTARIC, counted_as),
            factor,
            1e-3,
            EQUIVALENTS.format(factor, counted_as),
        )
        for counted_as, factor in ((Acid.MALIC, 0.893), (Acid.CITRIC, 0.853), (Acid.LACTIC, 1.200))
    ),
    *(
        Check(partial(a.solution_density_g_ml, acid, percent), density, 1e-9, DENSITY)
        for acid, percent, density in (
            (Acid.CITRIC, 10.0, 1.0402),
            (Acid.CITRIC, 20.0, 1.0858),
            (Acid.LACTIC, 10.0, 1.0199),
            (Acid.LACTIC, 80.0, 1.1848),
            (Acid.PHOSPHORIC, 5.0, 1.0254),
            (Acid.PHOSPHORIC, 10.0, 1.0531),
        )
    ),
    Check(
        partial(a.solution_density_g_ml, Acid.PHOSPHORIC, 10.0),
        1.0517,
        2e-3,
        "registration dossier of phosphoric acid: 10 % solution 1.0517 at 25 degC (5 K of expansion)",
    ),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Equivalents, densities and the trade's usual dose come out as published."""
    check.hold()


doses = st.floats(0.01, 5.0)
volumes = st.floats(0.5, 100.0)
acids = st.sampled_from(Acid)


@given(doses, volumes, acids, st.floats(1.0, 60.0))
def test_a_rise_undoes_a_dose(rise: float, volume_l: float, acid: Acid, strength: float) -> None:
    """The solution dosed for a rise makes that rise, and holds the acid weighed."""
    solution = AcidSolution(acid, strength)
    dose = a.acid_dose(volume_l, rise, solution)
    assert a.rise_from_solution_g_l(dose.solution_ml, volume_l, solution) == pytest.approx(rise)
    assert dose.acid_g == pytest.approx(rise * (volume_l + dose.solution_ml / 1e3))


@given(doses, acids, acids, acids)
def test_equivalents_chain(amount: float, one: Acid, other: Acid, third: Acid) -> None:
    """Counting over a third acid changes nothing, and back again undoes it."""
    there = a.as_acid(amount, one, other)
    assert a.as_acid(there, other, one) == pytest.approx(amount)
    assert a.as_acid(there, other, third) == pytest.approx(a.as_acid(amount, one, third))


@given(doses, volumes, acids, acids)
def test_a_dose_counted_as_another_titrates_alike(
    rise: float, volume_l: float, acid: Acid, counted_as: Acid
) -> None:
    """A rise asked for as one acid and given as another is the same in titratable acid."""
    dose = a.acid_dose(volume_l, rise, AcidSolution(acid, 10.0), counted_as)
    assert a.as_acid(dose.rise_g_l, acid, counted_as) == pytest.approx(rise)


@given(doses, volumes)
def test_tasted_steps_add_up(rise: float, volume_l: float) -> None:
    """Half, a quarter and a quarter are the whole dose, in grams and in millilitres."""
    dose = a.acid_dose(volume_l, rise, TEN_PERCENT)
    assert [step.share for step in dose.steps] == [0.5, 0.25, 0.25]
    assert sum(step.acid_g for step in dose.steps) == pytest.approx(dose.acid_g)
    assert sum(step.solution_ml for step in dose.steps) == pytest.approx(dose.solution_ml)


def test_no_acid_is_a_dose_too() -> None:
    """A rise of zero is zero grams, with its cautions."""
    dose = a.acid_dose(18.0, 0.0, TEN_PERCENT)
    assert dose.acid_g == 0.0
    assert dose.cautions


def test_the_usual_dose_of_five_gallons() -> None:
    """7.5 g are 75 mL of a ten per cent solution."""
    dose = a.acid_dose(5 * US_GAL_L, 7.5 / (5 * US_GAL_L + 0.075), TEN_PERCENT)
    assert dose.solution_ml == pytest.approx(75.0)


def test_cautions_cover_burns_gas_and_sparkle() -> None:
    """Every dose warns of burns, of acid with sulfite, and that carbonation sharpens."""
    dose = a.acid_dose(18.0, 0.5, TEN_PERCENT)
    texts = " ".join(caution.text for caution in dose.cautions)
    assert "never water into acid" in texts
    assert "sulfur dioxide" in texts
    assert "Carbonation adds sharpness" in texts
    assert {caution.hazard for caution in dose.cautions} >= {Hazard.ACID, Hazard.SULFITE}


def test_a_large_rise_is_questioned() -> None:
    """More than 3 g/L as tartaric in one go is warned of; just that much is not."""
    large = a.acid_dose(18.0, 3.1, AcidSolution(Acid.TARTARIC, 10.0))
    usual = a.acid_dose(18.0, 3.0, AcidSolution(Acid.TARTARIC, 10.0))
    assert len(large.cautions) == len(usual.cautions) + 1


def test_a_bottle_of_the_shop_is_taken_by_mass() -> None:
    """85 % by mass hold 1.43 g in a millilitre (1.685 g/mL): 12.6 mL for a gram a litre in 18 L, not 21."""
    shop = AcidSolution(Acid.PHOSPHORIC, 85.0, Basis.MASS_PER_MASS)
    dose = a.acid_dose(18.0, 1.0, shop)
    assert dose.solution_ml == pytest.approx(18.0 / (0.85 * 1.685), rel=5e-3)
    assert dose.basis is Basis.MASS_PER_MASS


def test_the_water_of_a_thin_solution_counts() -> None:
    """A rise of 4 g/L by a 10 % solution: V r/(s - r) = 18 x 4/96 L, and 4 % of water are warned of."""
    dose = a.acid_dose(18.0, 4.0, TEN_PERCENT)
    assert dose.solution_ml == pytest.approx(750.0)
    assert any("4 % of the batch" in caution.text for caution in dose.cautions)
    assert not any("of the batch" in c.text for c in a.acid_dose(18.0, 1.0, TEN_PERCENT).cautions)


def test_the_converted_rise_is_held_against_the_most() -> None:
    """9 g/L as malic are 12.1 g/L of lactic (90.08 over 67.04), more than any mead holds."""
    with pytest.raises(QuantityError, match=r"rise in lactic acid 12\.09"):
        a.acid_dose(18.0, 9.0, AcidSolution(Acid.LACTIC, 80.0), Acid.MALIC)
    with pytest.raises(QuantityError, match="rise in acid") as caught:
        a.acid_dose(18.0, 9.0, AcidSolution(Acid.CITRIC, 1.0))
    assert "stronger" in caught.value.hint


def test_a_given_density_replaces_the_table() -> None:
    """Per cent by mass of an acid without a table needs a density, and takes the one given."""
    malic = AcidSolution(Acid.MALIC, 40.0, Basis.MASS_PER_MASS)
    with pytest.raises(QuantityError, match="no density is known") as caught:
        a.acid_dose(18.0, 0.5, malic)
    assert "weigh 100 mL" in caught.value.hint
    with pytest.raises(QuantityError, match="phosphoric acid 95"):
        a.acid_dose(18.0, 0.5, AcidSolution(Acid.PHOSPHORIC, 95.0, Basis.MASS_PER_MASS))
    known = AcidSolution(Acid.PHOSPHORIC, 85.0, Basis.MASS_PER_MASS, density_g_ml=1.69)
    assert known.acid_g_per_ml == pytest.approx(1.4365)


@pytest.mark.parametrize(
    ("volume_l", "rise", "solution", "named"),
    [
        (0.0, 0.5, TEN_PERCENT, "volume"),
        (18.0, -0.5, TEN_PERCENT, "rise in acid"),
        (18.0, 50.0, TEN_PERCENT, "rise in acid"),
        (18.0, 0.5, AcidSolution(Acid.CITRIC, 0.0), "acid strength"),
        (18.0, 0.5, AcidSolution(Acid.CITRIC, 10.0, Basis.MASS_PER_MASS, 5.0), "density"),
    ],
)
def test_impossible_values_are_refused(
    volume_l: float, rise: float, solution: AcidSolution, named: str
) -> None:
    """An impossible figure raises QuantityError that names it."""
    with pytest.raises(QuantityError, match=named):
        a.acid_dose(volume_l, rise, solution)
