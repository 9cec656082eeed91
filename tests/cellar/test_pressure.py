"""Sealed vessels against a balance worked out apart and against trade figures."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import pressure as p
from monitor.cellar.carbonation import PrimingSugar, gauge_kpa, sugar_g_per_l
from monitor.cellar.caution import Hazard
from monitor.cellar.pressure import Danger, Vessel
from monitor.errors import QuantityError
from monitor.must.alcohol import composition, composition_by_strength
from monitor.must.liquid import Liquid

from .checks import Check

NO_YEAST = 4.0 * 44.009 / 342.297 / 0.4629
"""What sucrose makes of CO2 where no yeast grows on it (exact masses), over Balling's figure."""
BALLING = (
    "Balling's CO2 by the straight line for real extract, worked out apart (3 %: see the docstring), times"
    " what all of the sugar makes over Balling's figure"
)
FULL_BOTTLE = "these volumes and 0.85 before, full bottle, Henry's law, worked out apart (4 %)"
RULE = (
    "rule of the trade: each gravity point adds about half a volume, 0.6 bar at 20 degC; at the most a tenth"
    " more (a digit)"
)
DROPS = (
    # from, to, Balling's CO2 in g/L, its volumes, bar of those at 20 degC, at 30 degC
    (1.010, 1.009, 0.97, 0.49, 0.56, 1.06),
    (1.002, 0.998, 3.92, 1.98, 2.3, 3.4),
    (1.005, 0.998, 6.86, 3.47, 4.1, 5.7),
    (1.010, 1.005, 4.88, 2.47, 2.9, 4.1),
    (1.010, 0.998, 11.7, 5.93, 7.2, 9.8),
    (1.030, 0.998, 31.1, 15.7, 20.7, 28.0),
)


def sealed_bar(from_sg: float, to_sg: float, temperature_c: float) -> float:
    full = p.sealed_pressure(
        from_sg, to_sg, temperature_c=temperature_c, dissolved_volumes=0.85, headspace_share=0.0
    )
    return full.gauge_bar


def full_bar(volumes_made: float, temperature_c: float) -> float:
    return p.sealed_gauge_kpa(volumes_made + 0.85, temperature_c) / 100.0


CHECKS = [
    *(
        Check(partial(p.co2_from_drop_g_per_l, a, b), NO_YEAST * g, 0.035 * g, BALLING)
        for a, b, g, _, _, _ in DROPS
    ),
    *(
        Check(
            partial(lambda x, y: p.sealed_pressure(x, y).volumes_made, a, b), NO_YEAST * v, 0.04 * v, BALLING
        )
        for a, b, _, v, _, _ in DROPS
    ),
    *(Check(partial(full_bar, v, 20.0), bar, 0.04 * bar + 0.02, FULL_BOTTLE) for _, _, _, v, bar, _ in DROPS),
    *(Check(partial(full_bar, v, 30.0), bar, 0.04 * bar + 0.02, FULL_BOTTLE) for _, _, _, v, _, bar in DROPS),
    Check(lambda: p.sealed_pressure(1.011, 1.010).volumes_made, 0.55, 0.05, RULE),
    Check(lambda: sealed_bar(1.010, 1.009, 20.0), 0.6, 0.1, RULE),
    Check(
        lambda: p.co2_from_drop_g_per_l(1.040, 0.998, abv=0.0),
        4.0 * 44.009 / 342.297 * 0.8563 * 103.9,
        0.5,
        "mass balance, must of 1.040: 103.9 g/L extract, share 0.8563 fermented, 0.5143 g/g (1 %)",
    ),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Gas made and pressures reached agree with balances worked out apart."""
    check.hold()


@given(st.floats(0.998, 1.030), st.floats(2.0, 14.0), st.floats(1.0, 15.0))
def test_no_less_gas_is_told_than_sugar_makes(gravity_sg: float, abv: float, gone_g: float) -> None:
    """So many g/L of sucrose that split and ferment whole, no yeast growing: C12H22O11 + H2O gives 4 ethanol
    and 4 CO2. The gas told for that fall is never below it, and at most a twentieth above."""
    before = composition_by_strength(abv, gravity_sg)
    mol = min(gone_g, 0.9 * before.extract_g) / 342.297
    after = Liquid(
        before.water_g - 18.015 * mol, before.ethanol_g + 4.0 * 46.069 * mol, before.extract_g - 342.297 * mol
    )
    made_g_l = 4.0 * 44.009 * mol
    told_g_l = p.co2_from_drop_g_per_l(gravity_sg, after.sg, abv)
    assert made_g_l <= told_g_l <= 1.05 * made_g_l


def test_priming_and_warning_know_one_gas() -> None:
    """What `prime` weighs for so many volumes is warned of as so many, and no sugar makes more of a gram."""
    for sugar in PrimingSugar:
        assert p.volumes_of(sugar_g_per_l(2.0, sugar)) >= 2.0 * (1.0 - 1e-9)
    assert p.volumes_of(sugar_g_per_l(2.0, PrimingSugar.SUCROSE)) == pytest.approx(2.0)


@given(st.floats(1.005, 1.040), st.floats(0.0005, 0.006), st.floats(3.0, 8.0))
def test_gas_adds_up_over_two_falls(middle_sg: float, fall: float, abv: float) -> None:
    """A fall makes at least nearly the gas of its two halves, and a longer fall always more."""
    whole = p.co2_from_drop_g_per_l(middle_sg + fall, middle_sg - fall, abv)
    first = p.co2_from_drop_g_per_l(middle_sg + fall, middle_sg, abv)
    second = p.co2_from_drop_g_per_l(middle_sg, middle_sg - fall, abv)
    assert whole > first
    # the second half starts from a little more alcohol than it is told, a litre a little smaller
    assert whole == pytest.approx(first + second, rel=0.02)


def test_no_fall_makes_no_gas() -> None:
    """A gravity that stands still adds nothing to what is dissolved."""
    still = p.sealed_pressure(1.000, 1.000, headspace_share=0.0)
    assert still.co2_made_g_per_l == 0.0
    assert still.volumes_total == p.DISSOLVED_VOLUMES
    assert still.gauge_bar == pytest.approx(0.0, abs=0.01)


@given(st.floats(0.5, 8.0), st.floats(0.0, 40.0))
def test_a_full_vessel_follows_solubility(volumes: float, temperature_c: float) -> None:
    """Without a headspace the pressure is the equilibrium pressure of the liquid."""
    sealed = p.sealed_gauge_kpa(volumes, temperature_c)
    assert sealed == pytest.approx(gauge_kpa(volumes, temperature_c), abs=1e-6)


@given(st.floats(0.5, 8.0), st.floats(0.005, 1.0), st.floats(0.0, 40.0))
def test_headspace_keeps_the_gas_balance(volumes: float, share: float, temperature_c: float) -> None:
    """Room above the liquid lowers the CO2 pressure and adds at most the one atmosphere of air shut in."""
    air_kpa = 101.325 * share / (share + 0.016)
    full = p.sealed_gauge_kpa(volumes, temperature_c)
    roomy = p.sealed_gauge_kpa(volumes, temperature_c, share)
    assert air_kpa - 101.325 < roomy < full + air_kpa


def test_headspace_takes_up_gas_as_an_ideal_one_would() -> None:
    """Half a litre of room over a litre with one volume takes what the ideal gas law gives it, within 2 %."""
    temperature_c, share = 20.0, 0.5
    air_kpa = 101.325 * share / (share + 0.016)
    co2_kpa = p.sealed_gauge_kpa(1.0, temperature_c, share) + 101.325 - air_kpa - 2.339
    in_gas_mol = share * co2_kpa / (8.314 * 293.15)
    in_liquid_volumes = co2_kpa / (gauge_kpa(1.0, temperature_c) + 101.325 - 2.339)
    assert in_liquid_volumes + in_gas_mol * 22.263 == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize(("temperature_c", "absolute_kpa"), [(20.0, 351.1), (30.0, 460.0)])
def test_air_closed_in_adds_more_than_room_takes(temperature_c: float, absolute_kpa: float) -> None:
    """3 volumes over 4 % of room: the CO2 shares itself out by the ideal gas law (273.15/T litres a volume),
    the air stays by Henry's law of nitrogen (0.016 L/L). `absolute_kpa`: CO2 over a full bottle, by Henry's
    constant of Carroll et al., worked out apart (2 %)."""
    share = 0.04
    room = share * 273.15 / (273.15 + temperature_c) / 101.325
    co2_kpa = 3.0 / (3.0 / absolute_kpa + room)
    air_kpa = 101.325 * share / (share + 0.016)
    vapour_kpa = {20.0: 2.34, 30.0: 4.25}[temperature_c]
    expected_kpa = co2_kpa + air_kpa + vapour_kpa - 101.325
    full_kpa = p.sealed_gauge_kpa(3.0, temperature_c)
    assert p.sealed_gauge_kpa(3.0, temperature_c, share) == pytest.approx(expected_kpa, rel=0.02)
    assert expected_kpa > full_kpa + 40.0
    assert p.bottle_gauge_kpa(3.0, temperature_c) == p.sealed_gauge_kpa(3.0, temperature_c, share)


@given(st.floats(0.5, 20.0), st.floats(0.0, 40.0))
def test_a_bottle_is_reckoned_at_its_worse(volumes: float, temperature_c: float) -> None:
    """The figure of a bottle is never below that of the brim-full or of the usual one."""
    bottle_kpa = p.bottle_gauge_kpa(volumes, temperature_c)
    assert bottle_kpa >= p.sealed_gauge_kpa(volumes, temperature_c)
    assert bottle_kpa >= p.sealed_gauge_kpa(volumes, temperature_c, p.USUAL_HEADSPACE)


@pytest.mark.parametrize("volumes", [2.0, 3.0, 4.0, 6.0])
@pytest.mark.parametrize("temperature_c", [20.0, 30.0])
def test_no_usual_room_makes_much_more(volumes: float, temperature_c: float) -> None:
    """Over all rooms up to a quarter of the bottle the reckoned one is within a bar's tenth of the worst."""
    worst = max(p.sealed_gauge_kpa(volumes, temperature_c, hundredth / 100.0) for hundredth in range(26))
    assert worst - p.bottle_gauge_kpa(volumes, temperature_c) < 10.5


def test_a_cold_cellar_does_not_acquit_a_bottle() -> None:
    """What holds at 4 degC but not in a warm place is called above usual use; by Henry's law
    3.08 volumes, air shut in among them, are 1.8 bar at 4 degC and 4.2 at 30."""
    cold = p.sealed_pressure(1.002, 0.998, temperature_c=4.0)
    assert p.danger(cold.gauge_kpa, Vessel.BEER_BOTTLE) is Danger.BELOW_USUAL
    assert dict(cold.dangers)[Vessel.BEER_BOTTLE] is Danger.ABOVE_USUAL


def test_room_is_asked_for_since_mead_swells() -> None:
    """A mead of 5.5 % vol swells by about 0.48 % from 4 to 30 degC (its mass balance), and it is said."""
    mead = composition(1.040, 0.998)
    assert mead.volume_at_l(30.0) / mead.volume_at_l(4.0) - 1.0 == pytest.approx(0.0048, abs=2e-4)
    assert any("full to the brim" in caution.text for caution in p.bottle_cautions(100.0))


@pytest.mark.parametrize(
    ("bar", "vessel", "expected"),
    [
        (0.05, Vessel.STILL_WINE_BOTTLE, Danger.BELOW_USUAL),
        (0.2, Vessel.STILL_WINE_BOTTLE, Danger.ABOVE_USUAL),
        (0.2, Vessel.CARBOY, Danger.ABOVE_USUAL),
        (2.0, Vessel.BEER_BOTTLE, Danger.BELOW_USUAL),
        (2.5, Vessel.BEER_BOTTLE, Danger.NEAR_USUAL),
        (2.9, Vessel.BEER_BOTTLE, Danger.ABOVE_USUAL),
        (5.5, Vessel.SPARKLING_WINE_BOTTLE, Danger.NEAR_USUAL),
        (6.1, Vessel.SPARKLING_WINE_BOTTLE, Danger.ABOVE_USUAL),
    ],
)
def test_vessels_are_judged_by_usual_figures(bar: float, vessel: Vessel, expected: Danger) -> None:
    """Common practice: 5 to 6 bar for sparkling wine, 2.8 for beer bottles, none for the others."""
    assert p.danger(100.0 * bar, vessel) is expected


def test_a_refermenting_sweet_bottle_is_a_bomb() -> None:
    """Back-sweetened to 1.030 and fermented out, no usual vessel is below its figure."""
    bomb = p.sealed_pressure(1.030, 0.998)
    assert bomb.dangers == tuple((vessel, Danger.ABOVE_USUAL) for vessel in Vessel)
    assert bomb.warm_gauge_kpa > bomb.gauge_kpa
    assert bomb.gauge_psi == pytest.approx(bomb.gauge_bar * 14.5038, rel=1e-5)


def test_nothing_is_ever_certified() -> None:
    """Even a harmless result says that it is no certificate, and how to vent a vessel safely."""
    texts = " ".join(caution.text for caution in p.sealed_pressure(1.000, 1.000).cautions)
    assert "never a certificate" in texts
    assert "eye protection" in texts
    assert all(caution.hazard is Hazard.PRESSURE for caution in p.sealed_pressure(1.0, 1.0).cautions)


@pytest.mark.parametrize(
    ("from_sg", "to_sg", "abv"),
    [(1.010, 1.020, 5.0), (2.0, 1.0, 5.0), (1.002, 0.980, 5.0), (0.985, 0.984, 2.0), (1.010, 1.0, 40.0)],
)
def test_impossible_falls_are_refused(from_sg: float, to_sg: float, abv: float) -> None:
    """Rising gravities, SG 2, falls past the last sugar and gravities below their alcohol raise
    QuantityError."""
    with pytest.raises(QuantityError):
        p.co2_from_drop_g_per_l(from_sg, to_sg, abv)


def test_beyond_any_vessel_there_is_no_figure() -> None:
    """A whole ferment in a sealed vessel is refused with the advice never to seal it."""
    with pytest.raises(QuantityError, match="carbon dioxide") as caught:
        p.sealed_pressure(1.060, 0.998)
    assert "never seal" in caught.value.hint
