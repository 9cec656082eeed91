"""Sulfur dioxide against the OIV table, published dose tables and exact masses."""

from __future__ import annotations

import math
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import dissociation as d
from monitor.cellar import sulfite as s
from monitor.cellar.caution import Hazard
from monitor.cellar.dissociation import PkConvention
from monitor.cellar.sulfite import Salt
from monitor.errors import QuantityError
from monitor.units import US_GAL_L

from .checks import Check

OIV = "OIV-MA-AS323-04C Table I, thermodynamic pK (printed digits)"
OIV_TABLE = {
    0.0: {20.0: 1.798, 25.0: 2.000, 30.0: 2.219, 35.0: 2.334, 40.0: 2.493},
    5.0: {20.0: 1.897, 25.0: 2.098, 30.0: 2.299, 35.0: 2.397, 40.0: 2.527},
    10.0: {20.0: 1.997, 25.0: 2.198, 30.0: 2.394, 35.0: 2.488, 40.0: 2.606},
    15.0: {20.0: 2.099, 25.0: 2.301, 30.0: 2.503, 35.0: 2.607, 40.0: 2.728},
}
MIXED = "Debye-Hueckel shift of -0.075 at I = 0.038, worked out apart (printed digits)"
FREE_TEXTBOOK = "X = 1/(1 + 10^(pH - 1.81)), worked out apart (half a printed digit)"
FREE_HIGHER = "the same with pK 1.92, as at 10 % vol and 20 degC (half a printed digit)"
HOBBY = "wine-making table of free SO2 by pH, quoted second-hand (rounded to 1 mg/L)"
MASSES = "IUPAC masses (half a printed digit)"
UNIVERSITY = "university enology table, 50 ppm in a US gallon (3 %: it takes 3.724 L and a factor of 1.720)"

PK = [
    *(
        Check(partial(d.pk_thermodynamic, t, abv), pk, 5e-4, OIV)
        for abv, row in OIV_TABLE.items()
        for t, pk in row.items()
    ),
    *(
        Check(partial(d.so2_pk, 20.0, abv, PkConvention.MIXED), pk, 1e-3, MIXED)
        for abv, pk in ((0.0, 1.723), (5.0, 1.822), (10.0, 1.922), (15.0, 2.024))
    ),
    Check(
        partial(d.so2_pk, 20.0, 10.0),
        1.81,
        1e-9,
        "pK1 of SO2 in water, usual wine-making value (by definition)",
    ),
]
FREE = [
    *(
        Check(partial(s.free_so2_needed_mg_l, molecular, ph, 1.81), free, 0.06, FREE_TEXTBOOK)
        for ph, high, low in (
            (2.9, 10.6, 6.7),
            (3.0, 13.2, 8.2),
            (3.2, 20.4, 12.8),
            (3.4, 31.9, 20.0),
            (3.5, 40.0, 25.0),
            (3.6, 50.1, 31.3),
            (3.7, 62.9, 39.3),
            (3.8, 79.0, 49.4),
            (4.0, 124.7, 77.9),
        )
        for molecular, free in ((0.8, high), (0.5, low))
    ),
    *(
        Check(partial(s.free_so2_needed_mg_l, 0.8, ph, 1.92), free, 0.06, FREE_HIGHER)
        for ph, free in ((2.9, 8.4), (3.2, 16.0), (3.4, 25.0), (3.6, 39.1), (3.8, 61.5))
    ),
    *(
        Check(partial(s.free_so2_needed_mg_l, molecular, ph, d.TEXTBOOK_PK), free, 1.0, HOBBY)
        for ph, high, low in (
            (2.9, 11, 7),
            (3.0, 13, 8),
            (3.2, 21, 13),
            (3.4, 32, 20),
            (3.5, 40, 25),
            (3.6, 50, 31),
            (3.7, 63, 39),
        )
        for molecular, free in ((0.8, high), (0.5, low))
    ),
]
SALTS = [
    Check(partial(s.so2_yield_g_per_g, Salt.POTASSIUM_METABISULFITE), 0.5763, 5e-5, MASSES),
    Check(partial(s.so2_yield_g_per_g, Salt.SODIUM_METABISULFITE), 0.6740, 8e-5, MASSES),
    Check(partial(s.so2_yield_g_per_g, Salt.POTASSIUM_BISULFITE), 0.5331, 8e-5, MASSES),
    Check(
        partial(s.so2_yield_g_per_g, Salt.POTASSIUM_METABISULFITE),
        0.576,
        5e-4,
        "57.6 %, the factor of wine-making texts (printed digits)",
    ),
    Check(
        partial(s.salt_g, 50.0, 1.0, Salt.POTASSIUM_METABISULFITE), 0.0868, 5e-5, f"{MASSES}, 50 mg/L in 1 L"
    ),
    Check(
        partial(s.salt_g, 50.0, 5 * US_GAL_L, Salt.POTASSIUM_METABISULFITE),
        1.642,
        5e-4,
        f"{MASSES}, 50 mg/L in 5 US gal",
    ),
    Check(
        partial(s.salt_g, 50.0, 100.0, Salt.POTASSIUM_METABISULFITE),
        8.6,
        0.1,
        "worked example of a wine-making text: 8.6 g in 100 L for 50 ppm (printed digit)",
    ),
    Check(partial(s.salt_g, 50.0, US_GAL_L, Salt.POTASSIUM_METABISULFITE), 0.3202, 0.03 * 0.3202, UNIVERSITY),
    Check(partial(s.bound_share_estimate, 3.1), 0.25, 1e-9, "club rule: a quarter binds at pH 3.1 (exact)"),
    Check(partial(s.bound_share_estimate, 3.5), 0.50, 1e-9, "club rule: half binds at pH 3.5 (exact)"),
]
CHECKS = [*PK, *FREE, *SALTS]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Constants, shares and weights agree with the tables they come from."""
    check.hold()


phs = st.floats(2.8, 3.8)


@given(st.floats(0.1, 1.5), phs, st.floats(1.5, 2.3))
def test_molecular_undoes_free(molecular: float, ph: float, pk: float) -> None:
    """The free SO2 needed for a molecular one holds just that much."""
    free = s.free_so2_needed_mg_l(molecular, ph, pk)
    assert s.molecular_so2_mg_l(free, ph, pk) == pytest.approx(molecular, rel=1e-12)


@given(st.floats(0.0, 200.0), st.floats(0.1, 1000.0), st.sampled_from(Salt), st.floats(0.3, 1.0))
def test_weight_undoes_addition(so2: float, volume_l: float, salt: Salt, strength: float) -> None:
    """The weight for an addition brings just that addition."""
    grams = s.salt_g(so2, volume_l, salt, strength)
    assert s.so2_added_mg_l(grams, volume_l, salt, strength) == pytest.approx(so2, rel=1e-12)


@given(phs, st.floats(0.01, 0.5))
def test_a_higher_ph_needs_more(ph: float, more: float) -> None:
    """The molecular share falls as pH rises."""
    assert d.molecular_share(ph + more) < d.molecular_share(ph)


@given(st.floats(20.0, 40.0), st.floats(5.0, 15.0))
def test_the_default_is_the_cautious_convention(temperature_c: float, abv: float) -> None:
    """From 5 % vol and 20 degC on the flat constant never asks for less free SO2 than the OIV table."""
    mixed = d.so2_pk(temperature_c, abv, PkConvention.MIXED)
    assert s.free_so2_needed_mg_l(0.8, 3.5) >= s.free_so2_needed_mg_l(0.8, 3.5, mixed)


@given(phs, st.floats(0.0, 60.0), st.floats(1.0, 100.0), st.floats(0.0, 0.5))
def test_a_dose_keeps_the_sulfur_balance(ph: float, free: float, volume_l: float, bound: float) -> None:
    """What stays free of the dose, with what was free before, is what was needed, or more than it already."""
    dose = s.sulfite_dose(volume_l, ph, alcohol_abv=5.5, free_mg_l=free, bound_share=bound)
    brought = s.so2_added_mg_l(dose.salt_g, volume_l, dose.salt)
    assert brought == pytest.approx(dose.so2_to_add_mg_l, abs=1e-9)
    free_after = free + (1.0 - bound) * brought
    assert free_after == pytest.approx(max(dose.free_needed_mg_l, free), abs=1e-9)
    assert dose.total_after_mg_l == pytest.approx(free + brought, abs=1e-9)


def test_a_protected_batch_gets_nothing() -> None:
    """Where the free SO2 is enough already the weight is 0, a number like any other."""
    dose = s.sulfite_dose(18.0, 3.3, alcohol_abv=5.5, free_mg_l=40.0)
    assert dose.salt_g == 0.0
    assert dose.total_after_mg_l == 40.0


def test_a_usual_batch() -> None:
    """18 L at pH 3.4 want 32 mg/L free; with 44 % bound that is 57 mg/L, 1.8 g of powder or 18 mL of
    solution."""
    dose = s.sulfite_dose(18.0, 3.4, alcohol_abv=5.5)
    assert dose.convention is PkConvention.TEXTBOOK
    assert dose.free_needed_mg_l == pytest.approx(31.9, abs=0.1)
    assert dose.bound_share == pytest.approx(0.4375)
    assert dose.so2_to_add_mg_l == pytest.approx(56.8, abs=0.1)
    assert dose.salt_g == pytest.approx(1.773, abs=0.002)
    assert dose.stock_10_percent_ml == pytest.approx(10.0 * dose.salt_g)
    assert dose.label_required
    assert dose.limits_exceeded == ()


def test_high_ph_is_acidified_first() -> None:
    """Above pH 3.8 the advice is acid before sulfite, and limits passed are named with law and year."""
    dose = s.sulfite_dose(18.0, 4.2, alcohol_abv=5.5)
    texts = [caution.text for caution in dose.cautions]
    assert any("acid first" in text for text in texts)
    assert {limit.place for limit in dose.limits_exceeded} == {"US", "EU"}
    assert any("27 CFR 4.22(b)(1), as of 2016" in text for text in texts)
    assert not any("acid first" in c.text for c in s.sulfite_dose(18.0, 3.8, alcohol_abv=5.5).cautions)


@pytest.mark.parametrize(
    ("total", "places"),
    [(199.0, set()), (200.0, set()), (201.0, {"EU"}), (350.0, {"EU"}), (351.0, {"EU", "US"})],
)
def test_limits_are_those_of_the_law(total: float, places: set[str]) -> None:
    """EU mead 200 mg/L (Regulation 1333/2008, from memory), US wine 350 mg/L (27 CFR 4.22(b)(1))."""
    assert {limit.place for limit in s.limits_exceeded(total)} == places


def test_the_label_begins_at_ten() -> None:
    """27 CFR 4.32(e): 10 mg/L or more in all must be declared."""
    little = s.sulfite_dose(18.0, 3.0, alcohol_abv=5.5, molecular_target_mg_l=0.3)
    assert not little.label_required
    measured = s.sulfite_dose(18.0, 3.0, alcohol_abv=5.5, molecular_target_mg_l=0.3, total_mg_l=9.0)
    assert measured.label_required


def test_every_dose_speaks_of_asthma_and_fumes() -> None:
    """Handling cautions come with any dose, even one of nothing."""
    texts = " ".join(c.text for c in s.sulfite_dose(18.0, 3.3, alcohol_abv=5.5, free_mg_l=90.0).cautions)
    assert "asthma" in texts
    assert "never mix it dry with acid" in texts


def test_old_powder_is_weighed_heavier_and_said_so() -> None:
    """Powder at 81 % of its strength is weighed 1/0.81 as heavy; the result warns of the guess."""
    strength = s.powder_strength_after(2.0)
    assert strength == pytest.approx(0.81)
    assert s.powder_strength_after(0.0) == 1.0
    fresh = s.sulfite_dose(18.0, 3.4, alcohol_abv=5.5)
    old = s.sulfite_dose(18.0, 3.4, alcohol_abv=5.5, powder_strength=strength)
    assert old.salt_g == pytest.approx(fresh.salt_g / 0.81)
    assert len(old.cautions) == len(fresh.cautions) + 1


def test_limits_are_held_against_powder_as_new() -> None:
    """What weaker powder is weighed heavier by is there in full if it was not weaker: 158 mg/L, the balance
    of pH 3.8, is 195 mg/L at 81 % (158/0.81)."""
    dose = s.sulfite_dose(18.0, 3.8, alcohol_abv=5.5, powder_strength=0.81)
    assert dose.total_after_mg_l == pytest.approx(158.0, abs=0.5)
    assert dose.most_total_after_mg_l == pytest.approx(158.0 / 0.81, abs=0.6)
    weaker = s.sulfite_dose(18.0, 3.8, alcohol_abv=5.5, powder_strength=0.75)
    assert [limit.place for limit in weaker.limits_exceeded] == ["EU"]


def test_powder_of_years_is_bought_anew() -> None:
    """Beyond two years in an opened bag no strength is guessed."""
    with pytest.raises(QuantityError, match="age of the opened powder") as caught:
        s.powder_strength_after(10.0)
    assert "buy fresh powder" in caught.value.hint


def given_or_refused(ph: float, **known: float) -> s.SulfiteDose | s.SulfiteRefusal:
    return s.dose_or_refusal(partial(s.sulfite_dose, 18.0, alcohol_abv=5.5, **known), ph, 0.8)  # type: ignore[arg-type]


@given(st.floats(2.6, 5.0), st.floats(0.0, 150.0), st.floats(0.5, 1.0))
def test_no_weight_beyond_the_lowest_limit(ph: float, bound: float, strength: float) -> None:
    """Where a weight is given, at this pH or after acid, even full-strength powder stays within 200 mg/L."""
    found = given_or_refused(ph, total_mg_l=bound, powder_strength=strength)
    dose = found.after_acid if isinstance(found, s.SulfiteRefusal) else found
    assert dose is None or dose.most_total_after_mg_l <= 200.0
    assert isinstance(found, s.SulfiteRefusal) or ph <= s.ACIDIFY_FIRST_PH


def test_above_ph_3_8_acid_comes_first() -> None:
    """At pH 4.2 the 0.8 mg/L molecular take 197 mg/L free (0.8 (1 + 10^2.39)): the reason, and the dose at
    3.8."""
    found = given_or_refused(4.2)
    assert isinstance(found, s.SulfiteRefusal)
    assert found.free_needed_mg_l == pytest.approx(197.2, abs=0.1)
    assert "197 mg/L" in found.reason
    assert "acid" in found.instead
    assert found.after_acid == s.sulfite_dose(18.0, 3.8, alcohol_abv=5.5)


def test_a_batch_full_of_sulfite_gets_no_more() -> None:
    """Where the total would pass a limit at a low pH too, the limit is named and no dose follows."""
    found = given_or_refused(3.6, total_mg_l=180.0)
    assert isinstance(found, s.SulfiteRefusal)
    assert "200 mg/L for mead in the EU" in found.reason
    assert found.after_acid is None


def test_cold_liquids_are_taken_at_the_tables_edge() -> None:
    """Below 20 degC the OIV table has no row: the one for 20 degC stands in."""
    assert d.so2_pk(4.0, 5.0, PkConvention.MIXED) == d.so2_pk(20.0, 5.0, PkConvention.MIXED)
    with pytest.raises(QuantityError, match="temperature"):
        d.pk_thermodynamic(4.0, 5.0)


def _flatters(found: s.SulfiteDose | s.SulfiteRefusal) -> list[str]:
    return [one.text for one in found.cautions if "asks for too little" in one.text]


@pytest.mark.parametrize("free_mg_l", [0.0, 35.0])
def test_a_dose_for_a_warmer_liquid_says_so(free_mg_l: float) -> None:
    """At 4 degC, by the constant of 20 degC, the caution names both, whether any is to be added or not.

    That it asks for too little follows from van 't Hoff: SO2 ionises with -17.8 kJ/mol (handbook, from
    memory), so pK falls by 0.18 from 20 to 4 degC, and half as much again would be needed at pH 3.4.
    """
    fall = 17_800.0 / (8.314 * math.log(10.0)) * (1.0 / 277.15 - 1.0 / 293.15)
    assert fall == pytest.approx(0.18, abs=0.01)
    mixed = partial(s.sulfite_dose, 18.0, 3.4, alcohol_abv=5.5, convention=PkConvention.MIXED)
    cold = mixed(temperature_c=4.0, free_mg_l=free_mg_l)
    needed_mg_l = s.free_so2_needed_mg_l(0.8, 3.4, cold.pk - fall)
    assert needed_mg_l == pytest.approx(1.5 * cold.free_needed_mg_l, rel=0.03)
    (text,) = _flatters(cold)
    assert "reckoned at 20 degC" in text
    assert "at 4 degC" in text
    assert (cold.temperature_c, cold.reckoned_c) == (4.0, 20.0)
    assert not _flatters(mixed(temperature_c=20.0, free_mg_l=free_mg_l))
    flat = s.sulfite_dose(18.0, 3.4, alcohol_abv=5.5, temperature_c=4.0)
    assert flat.reckoned_c is None
    assert not _flatters(flat)


@pytest.mark.parametrize(("ph", "total_mg_l"), [(4.2, 0.0), (4.2, 190.0), (3.6, 190.0)])
def test_a_refusal_for_a_warmer_liquid_says_so(ph: float, total_mg_l: float) -> None:
    """With a dose after acid, and without one, what is said of the cold comes once."""
    dose_at = partial(
        s.sulfite_dose,
        18.0,
        alcohol_abv=5.5,
        temperature_c=4.0,
        total_mg_l=total_mg_l,
        convention=PkConvention.MIXED,
    )
    pk = d.so2_pk(4.0, 5.5, PkConvention.MIXED)
    found = s.dose_or_refusal(dose_at, ph, 0.8, pk)
    assert isinstance(found, s.SulfiteRefusal)
    assert len(_flatters(found)) == 1


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"ph": 12.0}, "pH"),
        ({"ph": 1.0}, "pH"),
        ({"volume_l": 0.0}, "volume"),
        ({"volume_l": -5.0}, "volume"),
        ({"alcohol_abv": 96.0}, "alcohol"),
        ({"temperature_c": 65.0}, "temperature"),
        ({"free_mg_l": -1.0}, "free SO2"),
        ({"free_mg_l": 30.0, "total_mg_l": 20.0}, "total SO2"),
        ({"molecular_target_mg_l": 5.0}, "molecular SO2"),
        ({"bound_share": 1.0}, "bound share"),
        ({"powder_strength": 0.0}, "powder strength"),
        ({"ph": 4.9}, "SO2 addition"),
    ],
)
def test_impossible_values_are_refused(change: dict[str, float], named: str) -> None:
    """An impossible figure raises QuantityError that names it."""
    given_values = {"volume_l": 18.0, "ph": 3.4, "alcohol_abv": 5.5, **change}
    with pytest.raises(QuantityError, match=named):
        s.sulfite_dose(**given_values)  # type: ignore[arg-type]


def test_cautions_name_their_hazards() -> None:
    """Sulfite, quality and law are each warned of."""
    hazards = {caution.hazard for caution in s.sulfite_dose(18.0, 3.4, alcohol_abv=5.5).cautions}
    assert hazards == {Hazard.SULFITE, Hazard.QUALITY, Hazard.LAW}


@pytest.mark.parametrize(
    ("ph", "free_mg_l", "places"), [(3.5, 60.0, []), (4.0, 130.0, []), (4.2, 250.0, ["EU"])]
)
def test_enough_that_is_there_is_enough(ph: float, free_mg_l: float, places: list[str]) -> None:
    """Where the free SO2 reaches 0.8/X nothing is added and no acid asked for first; limits are still told.

    0.8 mg/L molecular takes 40.0 mg/L at pH 3.5, 124.7 at 4.0 and 197.2 at 4.2 (pK 1.81, worked out apart).
    """
    dose_at = partial(s.sulfite_dose, 18.0, alcohol_abv=5.5, free_mg_l=free_mg_l)
    found = s.dose_or_refusal(dose_at, ph, 0.8, free_mg_l=free_mg_l)
    assert isinstance(found, s.SulfiteDose)
    assert found.salt_g == 0.0
    assert found.total_after_mg_l == free_mg_l
    texts = " ".join(one.text for one in found.cautions)
    assert "sets some of the sulfite free as gas" in texts
    assert "lower the pH" not in texts
    assert [one.place for one in found.limits_exceeded] == places
    assert ("add none" in texts) == bool(places)
