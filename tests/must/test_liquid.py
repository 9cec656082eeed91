"""Liquids as masses: what is poured together is neither lost nor made."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import QuantityError
from monitor.must.density import (
    ethanol_fraction_from_abv,
    ethanol_water_density_kg_m3,
    ethanol_water_relative_density,
    plato_from_sg,
    sg_from_plato,
)
from monitor.must.liquid import Liquid, grams_to_reach, unfermented, water

liquids = st.builds(
    Liquid,
    water_g=st.floats(100.0, 20_000.0),
    ethanol_g=st.floats(0.0, 100.0),
    extract_g=st.floats(0.0, 2_000.0),
)


@given(liquids, liquids)
def test_mass_is_additive_and_pouring_commutes(one: Liquid, other: Liquid) -> None:
    """Each mass of the mixture is the sum, whichever is poured into the other."""
    both = one.plus(other)
    assert both == other.plus(one)
    assert both.total_g == pytest.approx(one.total_g + other.total_g, rel=1e-12)
    assert both.ethanol_g == one.ethanol_g + other.ethanol_g


@given(liquids, st.floats(0.01, 100.0))
def test_gravity_and_strength_do_not_depend_on_how_much(liquid: Liquid, factor: float) -> None:
    """Ten times as much has the same gravity, strength and extract, and ten times the volume."""
    more = liquid.times(factor)
    assert more.sg == pytest.approx(liquid.sg, rel=1e-12)
    assert more.abv == pytest.approx(liquid.abv, rel=1e-9)
    assert more.real_extract == pytest.approx(liquid.real_extract, rel=1e-9)
    assert more.volume_l == pytest.approx(liquid.volume_l * factor, rel=1e-12)


@given(liquids)
def test_adding_nothing_changes_nothing(liquid: Liquid) -> None:
    """An empty addition leaves the liquid as it was."""
    assert liquid.plus(Liquid(0.0)) == liquid


@given(st.floats(0.0, 12.0), st.floats(0.0, 60.0))
def test_tabaries_rule_holds(abv: float, extract_g: float) -> None:
    """Gravity is that of the alcohol plus that of the extract less one (Tabarie), within 0.3 points."""
    ethanol_fraction = ethanol_fraction_from_abv(abv)
    spirit = Liquid(1000.0 * (1.0 - ethanol_fraction), 1000.0 * ethanol_fraction)
    mixture = spirit.plus(Liquid(0.0, 0.0, extract_g)).of_volume(1.0)
    alcohol_alone = ethanol_water_relative_density(ethanol_fraction_from_abv(mixture.abv))
    extract_alone = sugar_solution_sg(mixture.extract_g)
    assert mixture.sg == pytest.approx(alcohol_alone + extract_alone - 1.0, abs=3e-4)


def sugar_solution_sg(extract_g_per_l: float) -> float:
    """Gravity of a sugar solution that holds so many g in a litre (SPS-4, by iteration)."""
    sg = 1.0
    for _ in range(30):
        sg = float(sg_from_plato(100.0 * extract_g_per_l / (sg * 998.2031)))
    return sg


@given(st.floats(1.0, 1.3), st.floats(0.1, 100.0))
def test_unfermented_must_reads_what_it_was_made_for(sg: float, volume_l: float) -> None:
    """A must of a gravity and a volume has both, and its extract is the Plato of that gravity."""
    must = unfermented(sg, volume_l)
    assert must.sg == pytest.approx(sg, abs=1e-10)
    assert must.volume_l == pytest.approx(volume_l, rel=1e-10)
    assert must.real_extract == pytest.approx(plato_from_sg(sg), abs=1e-9)


@pytest.mark.parametrize("fraction", [0.02, 0.05, 0.1])
def test_without_extract_it_is_ethanol_water(fraction: float) -> None:
    """With no solids the gravity is that of OIML R 22 over its own water, to rounding."""
    liquid = Liquid(water_g=1.0 - fraction, ethanol_g=fraction)
    expected = ethanol_water_density_kg_m3(fraction) / ethanol_water_density_kg_m3(0.0)
    assert liquid.sg == pytest.approx(expected, abs=1e-12)


def test_volumes_of_water_and_ethanol_do_not_add_up() -> None:
    """Half a litre each of water and ethanol make 36 mL less than a litre (textbook: 96.4 of 100 mL)."""
    half = Liquid(water_g=499.1, ethanol_g=394.62)
    assert half.volume_l == pytest.approx(0.964, abs=1e-3)


musts = st.builds(
    Liquid,
    water_g=st.floats(1_000.0, 20_000.0),
    ethanol_g=st.floats(0.0, 150.0),
    extract_g=st.floats(0.0, 400.0),
)
"""Up to what ferments; syrups, in which more sugar need not mean more gravity, are left out."""


@given(musts, st.floats(0.01, 2.0))
def test_amount_to_reach_a_gravity_is_found(base: Liquid, share: float) -> None:
    """The amount found for a gravity is the amount that led to it."""
    honey = Liquid(water_g=0.172, extract_g=0.828)
    target = base.plus(honey.times(share * base.total_g)).sg
    assert grams_to_reach(base, honey, target) == pytest.approx(share * base.total_g, rel=1e-6)


def test_nothing_is_needed_where_it_is_there() -> None:
    """At the target already, the amount is exactly nothing."""
    base = water(10.0)
    assert grams_to_reach(base, Liquid(0.0, 0.0, 1.0), base.sg) == 0.0


def test_unreachable_gravity_is_refused() -> None:
    """Water does not raise a gravity, and the error says between what the target must lie."""
    with pytest.raises(QuantityError, match=r"1\.0300 cannot be reached from 1\.0200") as refused:
        grams_to_reach(unfermented(1.020), water(1.0), 1.030)
    assert "between" in refused.value.hint


def test_must_lighter_than_water_is_refused() -> None:
    """An unfermented must cannot be lighter than water."""
    with pytest.raises(QuantityError, match="below water"):
        unfermented(0.998)
