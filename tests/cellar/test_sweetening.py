"""Sweetening back against a worked example evaluated apart, makers' practice, and the laws of mass."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import sweetening as s
from monitor.cellar.caution import Hazard
from monitor.cellar.sorbate import Reliance, sorbate_dose
from monitor.errors import QuantityError
from monitor.must.alcohol import composition, composition_by_strength
from monitor.must.honey import DEXTROSE, LACTOSE, SUGAR, Sweetener, honey, juice
from monitor.must.liquid import Liquid, water
from monitor.units import LB_KG, US_GAL_L


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str


BASE = composition(1.040, 0.998).of_volume(18.0)


def with_honey(target_sg: float) -> s.Sweetening:
    return s.sweeten(BASE, target_sg, honey(0.172))


def volumes_a_point(result: s.Sweetening) -> float:
    """Volumes of gas for each point that the gravity would fall."""
    return result.refermented_volumes / (result.target_sg - result.refermented_sg) / 1e3


WORKED = "worked example, 18 L from 1.040 at 0.998, OIML R 22 and SPS-4, evaluated apart (digits given)"
CHECKS = [
    *(
        Check(lambda t=t: with_honey(t).mass_g, grams, 0.06, WORKED)
        for t, grams in ((1.005, 398.7), (1.010, 691.3), (1.015, 990.6), (1.020, 1296.9))
    ),
    *(
        Check(lambda t=t: with_honey(t).volume_l, litres, 6e-5, WORKED)
        for t, litres in ((1.005, 18.2721), (1.010, 18.4718), (1.015, 18.6763), (1.020, 18.8856))
    ),
    *(
        Check(lambda t=t: with_honey(t).abv, abv, 6e-4, WORKED)
        for t, abv in ((1.005, 5.393), (1.010, 5.335), (1.015, 5.276), (1.020, 5.218))
    ),
    Check(lambda: s.sweeten(BASE, 1.010, SUGAR).mass_g, 569.1, 0.06, WORKED),
    Check(lambda: s.sweeten(BASE, 1.010, SUGAR).volume_l, 18.3506, 6e-5, WORKED),
    Check(lambda: s.sweeten(BASE, 1.010, SUGAR).abv, 5.370, 6e-4, WORKED),
    Check(
        lambda: s.sweeten(water(5.0 * US_GAL_L), 1.0287, honey(0.172)).mass_g / LB_KG / 1e3,
        4.0,
        0.02,
        "4 lb stirred into 5 US gal gives 1.0287 (mass balance)",
    ),
    Check(
        lambda: s.sweeten(water(5.0 * US_GAL_L), 1.0287, honey(0.172)).volume_l / US_GAL_L,
        5.33,
        6e-3,
        "4 lb stirred into 5 US gal makes 5.33 gal (mass balance)",
    ),
    Check(
        lambda: s.sweeten(water(5.0 * US_GAL_L), 1.030, honey(0.172)).mass_g / LB_KG / 1e3,
        4.0,
        0.3,
        "common practice: about 4 lb lifts about 5 US gal from 1.000 to about 1.030",
    ),
    Check(
        lambda: volumes_a_point(with_honey(1.010)),
        0.49 * 0.5143 / 0.4629,
        0.03,
        "each gravity point fermented in a sealed bottle makes 0.49 volumes, Balling (two digits); without"
        " growth of yeast 0.5143 g of CO2 a gram instead of 0.4629 (stoichiometry)",
    ),
    Check(
        lambda: s.sweeten(BASE, 1.010, SUGAR).refermented_volumes,
        569.1 * 4.0 * 44.009 / 342.297 / 18.3506 / 1.9768,
        5e-3,
        "569.1 g of sucrose in 18.3506 L (worked example), 4 CO2 of each (exact masses): 8.07 volumes",
    ),
    Check(
        lambda: with_honey(1.010).refermented_volumes,
        691.3 * 0.828 * 0.943 * 4.0 * 44.009 / 342.297 / 18.4718 / 1.9768,
        5e-3,
        "691.3 g of honey in 18.4718 L (worked example), of its solids 0.943 (White et al. 1962), as above",
    ),
]


@pytest.mark.parametrize("check", CHECKS)
def test_the_worked_example_is_met(check: Check) -> None:
    """Weights, volumes and strengths agree with the worked example and with practice."""
    assert check.compute() == pytest.approx(check.expected, abs=check.tolerance), check.source


sweeteners = st.sampled_from([honey(), SUGAR, LACTOSE, juice(65.0)])
rises = st.floats(0.001, 0.06)
ends = st.floats(0.992, 1.01)


@given(ends, rises, sweeteners)
def test_mass_and_ethanol_are_kept(end: float, rise: float, sweetener: Sweetener) -> None:
    """After sweetening there is as much ethanol as before, and all that was weighed."""
    base = composition(1.060, end).of_volume(20.0)
    result = s.sweeten(base, end + rise, sweetener)
    after_total_g = result.volume_l * result.target_sg * 998.2031
    assert after_total_g == pytest.approx(base.total_g + result.mass_g, rel=1e-7)
    assert result.abv * result.volume_l == pytest.approx(base.abv * base.volume_l, rel=1e-9)


@given(ends, rises)
def test_more_sweetness_needs_more(end: float, rise: float) -> None:
    """A higher target needs more honey, makes more volume and less strength."""
    base = composition(1.060, end).of_volume(20.0)
    less, more = (s.sweeten(base, end + r, honey()) for r in (rise, rise + 0.001))
    assert more.mass_g > less.mass_g
    assert more.volume_l > less.volume_l
    assert more.abv < less.abv


@given(ends, rises)
def test_honey_takes_less_room_than_it_had(end: float, rise: float) -> None:
    """The volume rises by less than the neat honey's own volume: it contracts on dissolving."""
    base = composition(1.060, end).of_volume(20.0)
    sweetener = honey()
    result = s.sweeten(base, end + rise, sweetener)
    assert 0.0 < result.rise_l < result.mass_g / sweetener.density_kg_m3


@given(rises, sweeteners)
def test_steps_lead_to_the_target(rise: float, sweetener: Sweetener) -> None:
    """Half, a quarter and a quarter add up to the whole, rise in gravity, and end at the target."""
    result = s.sweeten(BASE, 0.998 + rise, sweetener)
    assert [step.adds_g / result.mass_g for step in result.steps] == pytest.approx([0.5, 0.25, 0.25])
    gravities = [step.gravity_sg for step in result.steps]
    assert gravities == sorted(gravities)
    assert result.steps[-1].total_g == pytest.approx(result.mass_g)
    assert gravities[-1] == pytest.approx(result.target_sg, abs=1e-8)


@given(rises)
def test_what_does_not_fit_is_drawn_off_first(rise: float) -> None:
    """In a full vessel, what stays and its sweetener just fill it at the target where no room is wanted."""
    result = s.sweeten(BASE, 0.998 + rise, honey(), vessel_l=18.0, headroom_share=0.0)
    assert result.fits is False
    assert result.volume_l == pytest.approx(18.0, rel=1e-9)
    assert result.from_volume_l + result.draw_off_l == pytest.approx(18.0, rel=1e-9)
    assert result.steps[-1].gravity_sg == pytest.approx(result.target_sg, abs=1e-8)


def test_room_enough_needs_no_drawing_off() -> None:
    """In a large enough vessel nothing is taken out; without a vessel nothing is said of fitting."""
    assert s.sweeten(BASE, 1.010, honey(), vessel_l=20.0).fits is True
    assert s.sweeten(BASE, 1.010, honey(), vessel_l=20.0).draw_off_l == 0.0
    assert s.sweeten(BASE, 1.010, honey()).fits is None


@pytest.mark.parametrize(("vessel_l", "headroom_share"), [(18.5, 0.02), (18.5, 0.10), (19.5, 0.10)])
def test_a_headroom_is_kept_below_the_brim_too(vessel_l: float, headroom_share: float) -> None:
    """The worked example's 18.4718 L stay below the brim, and fill the room that was to stay free.

    What stays and its honey fill just the rest: so much of each as that rest is of 18.4718 L.
    """
    result = s.sweeten(BASE, 1.010, honey(), vessel_l, headroom_share)
    rest_l = vessel_l * (1.0 - headroom_share)
    assert (result.fits, result.has_headroom) == (True, True)
    assert result.draw_off_l == pytest.approx(18.0 * (1.0 - rest_l / 18.4718), abs=1e-4)
    assert result.mass_g == pytest.approx(691.3 * rest_l / 18.4718, abs=0.06)
    assert result.volume_l == pytest.approx(rest_l)
    assert result.headroom_l == pytest.approx(result.free_l)
    assert result.steps[-1].gravity_sg == pytest.approx(1.010, abs=1e-8)


def test_room_that_is_there_costs_no_mead() -> None:
    """Of 18.9 L 2 % stay free; without headroom 18.5 L hold it; a spoonful of 5 mL is not worth a siphon."""
    roomy = s.sweeten(BASE, 1.010, honey(), 18.9)
    bare = s.sweeten(BASE, 1.010, honey(), 18.5, 0.0)
    near = s.sweeten(BASE, 1.010, honey(), 18.4718 / 0.98 - 0.004)
    for found in (roomy, bare, near):
        assert (found.fits, found.has_headroom, found.draw_off_l) == (True, True, 0.0)
    assert bare.free_l == pytest.approx(18.5 - 18.4718, abs=6e-5)
    assert s.sweeten(BASE, 1.010, honey(), 18.4718 / 0.98 - 0.006).draw_off_l > 0.0
    over = s.sweeten(BASE, 1.010, honey(), 18.471, 0.0)
    assert not over.fits
    assert over.draw_off_l > 0.0
    assert s.sweeten(BASE, 1.010, honey()).free_l is None


def test_where_nothing_is_added_nothing_comes_out() -> None:
    """A batch that is at its target and full to the brim is left as it is, and said to be full."""
    full = s.sweeten(BASE, 0.998, honey(), 18.0)
    assert (full.fits, full.has_headroom, full.draw_off_l) == (True, False, 0.0)


def test_what_is_drawn_off_leaves_the_headroom_too() -> None:
    """Where the whole would overflow, enough comes out for 2 % of the vessel to stay free."""
    result = s.sweeten(BASE, 1.010, honey(), vessel_l=18.0)
    assert result.fits is False
    assert result.has_headroom
    assert result.volume_l == pytest.approx(0.98 * 18.0)
    with pytest.raises(QuantityError, match="headroom"):
        s.sweeten(BASE, 1.010, honey(), vessel_l=18.0, headroom_share=0.6)


def test_a_batch_sweeter_than_any_is_refused_by_its_own_gravity() -> None:
    """Above 1.150 the gravity is named, and no range that runs backwards."""
    with pytest.raises(QuantityError, match=r"^gravity 1\.165 is outside 0 to 1\.15"):
        s.sweeten(composition_by_strength(1.0, 1.165).of_volume(18.0), 1.170, honey())


def test_at_the_target_nothing_is_added() -> None:
    """The present gravity as target needs nothing and foams nothing over."""
    result = s.sweeten(BASE, 0.998, honey())
    assert result.mass_g == 0.0
    assert result.refermented_volumes == 0.0
    assert Hazard.PRESSURE not in {caution.hazard for caution in result.cautions}


def test_fermentable_sugar_is_warned_of_with_its_gas() -> None:
    """Honey brings the warning of bursting glass with the volumes it could make; lactose has none of it."""
    warned = [c.text for c in with_honey(1.010).cautions if c.hazard is Hazard.PRESSURE]
    assert any(f"{with_honey(1.010).refermented_volumes:.1f} volumes" in text for text in warned)
    for one in s.sweeten_with_each(BASE, 1.010, (honey(), SUGAR, DEXTROSE)):
        assert any(f"of the fresh {one.sweetener.name}." in c.text for c in one.cautions)
    hazards = {c.hazard for c in s.sweeten(BASE, 1.010, LACTOSE).cautions}
    assert Hazard.PRESSURE not in hazards


@pytest.mark.parametrize(("original", "end"), [(1.040, 0.998), (1.075, 1.000), (1.100, 1.000)])
def test_what_is_said_of_sealing_agrees_with_the_sorbate(original: float, end: float) -> None:
    """Where sorbate is not enough alone, standing still is called no proof, and what holds it is named."""
    result = s.sweeten(composition(original, end).of_volume(18.0), end + 0.012, honey())
    text = " ".join(c.text for c in result.cautions if c.hazard is Hazard.PRESSURE)
    enough = sorbate_dose(18.0, alcohol_abv=result.abv, ph=3.3).reliance is Reliance.ENOUGH
    assert ("proves nothing" not in text) == enough
    for way in ("filtered sterile", "pasteurised", "cold", "yeast leaves alone"):
        assert (way not in text) == enough
    assert ("where sorbate with sulfite is enough" in text) == enough
    assert "only a gravity that stands still may be closed up" not in text


def test_refermenting_the_honey_ends_near_the_dry_gravity() -> None:
    """Were all of the new sugar to ferment, the mead would end within 3 points of where it stood."""
    assert with_honey(1.010).refermented_sg == pytest.approx(0.998, abs=3e-3)


def test_each_of_several_sweeteners_reaches_the_target() -> None:
    """The usual sweeteners are worked out side by side; sugar weighs least, for it brings no water."""
    results = s.sweeten_with_each(BASE, 1.010, s.usual_sweeteners())
    assert [r.sweetener.name for r in results] == ["honey", "sugar", "dextrose", "lactose"]
    assert min(results, key=lambda r: r.mass_g).sweetener is SUGAR


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (partial(s.sweeten, BASE, 0.990, SUGAR), "target gravity 0.99 is outside 0.998"),
        (partial(s.sweeten, BASE, 2.0, SUGAR), "target gravity 2 is outside"),
        (partial(s.sweeten, BASE, 1.010, SUGAR, 10.0), "volume 18 L is outside 0 to 10 L"),
        (partial(s.sweeten, BASE, 1.100, juice(10.0)), "cannot be reached"),
        (partial(s.sweeten, BASE, float("nan"), SUGAR), "target gravity nan"),
        (partial(s.sweeten, Liquid(0.0), 1.01, SUGAR), "empty"),
    ],
)
def test_impossible_sweetening_is_refused(call: Callable[[], object], says: str) -> None:
    """A target that sweetening cannot reach is refused by name, with the range."""
    with pytest.raises(QuantityError, match=says):
        call()


@given(st.floats(0.5, 1_000.0), st.floats(1.0, 1.05), st.floats(0.5, 15.0))
def test_a_full_vessel_is_taken(volume_l: float, gravity: float, abv: float) -> None:
    """A batch that fills its vessel to the brim, as written, is sweetened after taking some out."""
    base = composition_by_strength(abv, gravity).of_volume(volume_l)
    result = s.sweeten(base, gravity + 0.01, honey(), volume_l, 0.0)
    assert result.fits is False
    assert result.volume_l == pytest.approx(volume_l)
    assert result.from_volume_l + result.draw_off_l == pytest.approx(volume_l)
    with pytest.raises(QuantityError, match="volume"):
        s.sweeten(base, gravity + 0.01, honey(), 0.999 * volume_l)


@pytest.mark.parametrize("volume_l", [5.0, 10.0, 19.0, 20.0, 23.0, 6 * 3.785411784])
def test_usual_full_vessels_are_taken(volume_l: float) -> None:
    """The sizes that cellars have, with the strength from both gravities and given."""
    for base in (composition(1.040, 0.998), composition_by_strength(5.5, 0.998)):
        assert s.sweeten(base.of_volume(volume_l), 1.010, honey(), volume_l).draw_off_l > 0.0
        dry = s.sweeten(base.of_volume(volume_l), 0.998, honey(), volume_l)
        assert dry.fits
        assert dry.draw_off_l == 0.0
