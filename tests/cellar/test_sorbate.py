"""Sorbate against Underhill's table, exact masses and the published limits."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import sorbate as s
from monitor.cellar.caution import Hazard
from monitor.cellar.sorbate import Reliance, Route
from monitor.errors import QuantityError

from .checks import Check

UNDERHILL = "T. Underhill, Making Better Wines: mL/L of 30 g/L sorbate, quoted second-hand (0.1 mg/L: masses)"
AS_ACID = "the same table as sorbic acid, worked out apart (half a printed digit)"
TABLE = {
    10.0: {3.1: 5.5, 3.2: 6.0, 3.3: 7.0, 3.4: 8.0, 3.5: 9.0},
    11.0: {3.1: 4.5, 3.2: 5.0, 3.3: 6.0, 3.4: 7.0, 3.5: 7.5},
    12.0: {3.1: 3.2, 3.2: 3.5, 3.3: 4.0, 3.4: 4.5, 3.5: 5.0},
    13.0: {3.1: 2.6, 3.2: 3.0, 3.3: 3.2, 3.4: 3.5, 3.5: 4.0},
    14.0: {3.1: 2.0, 3.2: 2.2, 3.3: 2.4, 3.4: 2.7, 3.5: 3.0},
}
MASSES = "IUPAC masses (half a printed digit)"
UNDISSOCIATED = "pKa 4.76, from memory: share by 1/(1 + 10^(pH - pKa)), worked out apart (printed digits)"
PEYNAUD = "ladder by alcohol ascribed to Peynaud, from memory (exact)"
CHECKS = [
    *(
        Check(partial(s.underhill_mg_l, abv, ph), ml * 30.0 * 0.7464, 0.1, UNDERHILL)
        for abv, row in TABLE.items()
        for ph, ml in row.items()
    ),
    *(
        Check(partial(s.underhill_mg_l, abv, ph), mg, 0.6, AS_ACID)
        for abv, ph, mg in (
            (10.0, 3.1, 123),
            (10.0, 3.5, 201),
            (12.0, 3.1, 72),
            (12.0, 3.5, 112),
            (14.0, 3.1, 45),
            (14.0, 3.5, 67),
        )
    ),
    Check(lambda: s.SORBIC_PER_SORBATE, 0.7464, 5e-5, MASSES),
    Check(lambda: s.SORBIC_PER_SORBATE, 0.75, 0.01, "about 75 %, wine-making texts (a digit)"),
    Check(partial(s.sorbate_from_sorbic_acid, 200.0), 268.0, 0.5, MASSES),
    *(
        Check(partial(s.undissociated_share, ph), share, 6e-4, UNDISSOCIATED)
        for ph, share in ((3.0, 0.983), (3.4, 0.958), (3.6, 0.935), (3.8, 0.901), (4.0, 0.852), (4.2, 0.784))
    ),
    *(
        Check(lambda abv=abv: s.peynaud_mg_l(abv) or 0.0, mg, 1e-9, PEYNAUD)  # type: ignore[misc]
        for abv, mg in ((10.0, 150.0), (11.0, 125.0), (12.0, 100.0), (13.0, 75.0), (14.0, 50.0))
    ),
    Check(lambda: s.EU_LIMIT_MG_L, 200.0, 0.0, "OIV II.3.4.5: at most 200 mg/L as sorbic acid (exact)"),
    Check(lambda: s.US_LIMIT_MG_L, 300.0, 0.0, "27 CFR 24.246: 300 mg/L, quoted second-hand (exact)"),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Doses, shares and limits agree with the tables they come from."""
    check.hold()


@given(st.floats(10.0, 13.9), st.floats(3.1, 3.49), st.floats(0.001, 0.1), st.floats(0.001, 0.01))
def test_alcohol_spares_sorbate_and_ph_costs_it(abv: float, ph: float, more: float, higher: float) -> None:
    """More alcohol never needs more, a higher pH never needs less."""
    assert s.underhill_mg_l(abv + more, ph) <= s.underhill_mg_l(abv, ph)
    assert s.underhill_mg_l(abv, ph + higher) >= s.underhill_mg_l(abv, ph)


@given(st.floats(0.0, 500.0))
def test_salt_undoes_acid(amount: float) -> None:
    """Sorbate for so much sorbic acid holds just that much."""
    assert s.sorbic_acid_from_sorbate(s.sorbate_from_sorbic_acid(amount)) == pytest.approx(amount)


def test_inside_the_table_it_is_enough() -> None:
    """20 L of 12 % vol at pH 3.3 want 4 mL/L of 30 g/L: 2.4 g of sorbate, with sulfite."""
    dose = s.sorbate_dose(20.0, alcohol_abv=12.0, ph=3.3, molecular_so2_mg_l=0.8)
    assert dose.reliance is Reliance.ENOUGH
    assert dose.sorbate_g == pytest.approx(2.4)
    assert dose.routes == ()
    assert dose.peynaud_mg_l == pytest.approx(100.0)
    assert not dose.likely_tasted


@pytest.mark.parametrize(("abv", "ph"), [(5.5, 3.4), (0.0, 3.1), (9.9, 3.3), (10.0, 3.6)])
def test_outside_the_table_it_is_not_enough_alone(abv: float, ph: float) -> None:
    """Session meads, and weak ones at a high pH, get the limit's worth, the sure routes, and a warning of
    bursting bottles."""
    dose = s.sorbate_dose(18.0, alcohol_abv=abv, ph=ph)
    assert dose.reliance is Reliance.NOT_ALONE
    assert dose.sorbic_acid_mg_l == s.EU_LIMIT_MG_L
    assert Route.COLD in dose.routes
    assert Route.FILTRATION in dose.routes
    assert Route.PASTEURISING in dose.routes
    assert any(caution.hazard is Hazard.PRESSURE for caution in dose.cautions)
    assert "not enough" in dose.reason


@pytest.mark.parametrize(("ph", "mg_l"), [(3.5, 67.2), (3.6, 74.6), (3.7, 82.9), (4.0, 113.8)])
def test_a_strong_mead_above_the_table_gets_what_its_row_says(ph: float, mg_l: float) -> None:
    """14 % vol: 2.7 mL/L at pH 3.4 and 3.0 at 3.5 carried on, 67.2 mg/L times (3.0/2.7) a tenth (worked out
    apart); the undissociated share falls by less, from 0.948 to 0.935 at 3.6."""
    dose = s.sorbate_dose(18.927, alcohol_abv=14.0, ph=ph)
    assert dose.sorbic_acid_mg_l == pytest.approx(mg_l, abs=0.1)
    assert dose.sorbic_acid_mg_l >= 67.1 * s.undissociated_share(3.5) / s.undissociated_share(ph)
    if ph > 3.5:
        assert dose.reliance is Reliance.NOT_ALONE
        assert "outside the table" in dose.reason
        assert "limit" not in dose.reason


def test_carried_on_it_does_not_pass_the_limit_either() -> None:
    """However far above the table, no more than the limit is weighed."""
    assert s.carried_on_mg_l(12.0, 4.5) > 200.0
    assert s.sorbate_dose(18.0, alcohol_abv=12.0, ph=4.5).sorbic_acid_mg_l == 200.0


def test_not_enough_alone_never_ends_in_a_weeks_watch() -> None:
    """Stillness for a week proves nothing there: the steps say cold, filter or heat, and no sealed bottle."""
    steps = s.sorbate_dose(18.0, alcohol_abv=5.0, ph=3.4).steps
    assert not any("before it is sealed" in step.text for step in steps)
    assert max(step.day for step in steps) == 2.0
    assert "never seal it in a bottle unless it was filtered sterile or pasteurised" in steps[-1].text
    enough = s.sorbate_dose(18.0, alcohol_abv=12.0, ph=3.3).steps
    assert "for a week before it is sealed" in enough[-1].text


def test_a_dose_never_passes_the_limit() -> None:
    """At 10 % vol and pH 3.5 the table itself asks for 201 mg/L: not enough alone, and held at 200."""
    dose = s.sorbate_dose(18.0, alcohol_abv=10.0, ph=3.5)
    assert dose.reliance is Reliance.NOT_ALONE
    assert dose.sorbic_acid_mg_l == 200.0


def test_strong_and_sour_need_no_more_than_the_edge() -> None:
    """Above 14 % vol and below pH 3.1 the table's edge is more than is needed, and is used."""
    edge = s.sorbate_dose(18.0, alcohol_abv=14.0, ph=3.1)
    beyond = s.sorbate_dose(18.0, alcohol_abv=16.0, ph=2.9)
    assert beyond.sorbate_g == edge.sorbate_g
    assert beyond.reliance is Reliance.ENOUGH
    assert beyond.peynaud_mg_l is None


def test_malolactic_activity_forbids_it() -> None:
    """With lactic bacteria there is no dose, no order of steps, and a reason: the smell of geranium
    leaves."""
    dose = s.sorbate_dose(18.0, alcohol_abv=12.0, ph=3.3, malolactic=True)
    assert dose.reliance is Reliance.FORBIDDEN
    assert dose.sorbate_g == 0.0
    assert dose.steps == ()
    assert "geranium" in dose.cautions[0].text
    assert dose.routes


def test_sulfite_goes_beside_it_and_before_it() -> None:
    """Without enough molecular SO2 the result asks for it; the steps put sulfite before sorbate before
    sweetening."""
    for so2 in (None, 0.0, 0.79):
        dose = s.sorbate_dose(18.0, alcohol_abv=12.0, ph=3.3, molecular_so2_mg_l=so2)
        assert any("molecular SO2" in caution.text for caution in dose.cautions)
    protected = s.sorbate_dose(18.0, alcohol_abv=12.0, ph=3.3, molecular_so2_mg_l=0.8)
    assert not any("molecular SO2" in caution.text for caution in protected.cautions)
    texts = [step.text for step in protected.steps]
    order = [
        next(i for i, text in enumerate(texts) if word in text) for word in ("sulfite", "sorbate", "sweeten")
    ]
    assert order == sorted(order)
    days = [step.day for step in protected.steps]
    assert days == sorted(days)


def test_a_dose_that_can_be_tasted_is_marked() -> None:
    """University of Minnesota (2014): the lowest threshold reported is 135 mg/L."""
    assert s.sorbate_dose(18.0, alcohol_abv=10.0, ph=3.2).sorbic_acid_mg_l == pytest.approx(134.4, abs=0.1)
    assert not s.sorbate_dose(18.0, alcohol_abv=10.0, ph=3.2).likely_tasted
    assert s.sorbate_dose(18.0, alcohol_abv=10.0, ph=3.3).likely_tasted


@pytest.mark.parametrize(
    ("volume_l", "abv", "ph", "named"),
    [
        (0.0, 12.0, 3.3, "volume"),
        (18.0, 40.0, 3.3, "alcohol"),
        (18.0, 12.0, 12.0, "pH"),
        (18.0, -1.0, 3.3, "alcohol"),
    ],
)
def test_impossible_values_are_refused(volume_l: float, abv: float, ph: float, named: str) -> None:
    """An impossible figure raises QuantityError that names it."""
    with pytest.raises(QuantityError, match=named):
        s.sorbate_dose(volume_l, alcohol_abv=abv, ph=ph)


@pytest.mark.parametrize(
    ("abv", "ph", "says"),
    [(12.0, 3.3, "by the table."), (12.0, 3.0, "at the table's edge"), (18.0, 3.3, "at the table's edge")],
)
def test_beyond_its_edge_the_table_is_not_cited_as_if_it_reached(abv: float, ph: float, says: str) -> None:
    """The table ends at 14 % vol and pH 3.1; what lies beyond is taken at its edge, and it says so."""
    assert says in s.sorbate_dose(18.0, alcohol_abv=abv, ph=ph).reason
