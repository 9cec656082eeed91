"""Musts built, read back and corrected, against published honey points and makers' practice."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import building as b
from monitor.cellar.caution import Hazard
from monitor.errors import QuantityError
from monitor.must.honey import LACTOSE, SUGAR, Sweetener, honey, juice
from monitor.must.liquid import Liquid, unfermented
from monitor.units import LB_KG, US_GAL_L


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str


def points_of(pounds: float, gallons: float, moisture: float = 0.172) -> float:
    """Gravity points of so many pounds of honey made up to so many US gallons."""
    mass_g = pounds * LB_KG * 1e3
    low, high = 1.0, 1.2
    for _ in range(50):
        middle = (low + high) / 2.0
        if b.honey_used(gallons * US_GAL_L, middle, honey(moisture)).honey_g < mass_g:
            low = middle
        else:
            high = middle
    return (low - 1.0) * 1e3


def honey_kg(target_sg: float, volume_l: float) -> float:
    return b.build_must(target_sg, volume_l).portions[0].mass_g / 1e3


BALANCE = "mass balance with SPS-4 solids of 17.2 % honey, evaluated apart (digits given)"
PRACTICE = "common practice: 5.5 to 6 lb of honey made up to 4.8 US gal reads 1.040 to 1.045 (5 points)"
CHECKS = [
    Check(partial(points_of, 5.5, 4.8), 43.8, 0.06, BALANCE),
    Check(partial(points_of, 6.0, 4.8), 47.7, 0.06, BALANCE),
    Check(partial(points_of, 5.5, 4.8, 0.20), 42.3, 0.06, BALANCE),
    Check(partial(points_of, 6.0, 4.8, 0.20), 46.1, 0.06, BALANCE),
    Check(partial(points_of, 5.5, 4.8), 40.0, 5.0, PRACTICE),
    Check(partial(points_of, 6.0, 4.8), 45.0, 5.0, PRACTICE),
    Check(partial(honey_kg, 1.040, 4.8 * US_GAL_L), 2.279, 6e-4, BALANCE),
    Check(partial(honey_kg, 1.045, 4.8 * US_GAL_L), 2.565, 6e-4, BALANCE),
    Check(partial(honey_kg, 1.040, 5.0), 0.627, 6e-4, BALANCE),
    Check(partial(honey_kg, 1.045, 5.0), 0.706, 6e-4, BALANCE),
    Check(partial(points_of, 4.0, 5.0), 30.6, 0.06, "4 lb made up to 5 US gal, mass balance"),
    Check(partial(points_of, 4.0, 5.0), 30.0, 1.0, "common practice: about 4 lb lifts about 5 gal to 1.030"),
    Check(partial(points_of, 1.0, 1.0), 38.22, 0.006, "1 lb in 1 US gal at 17.2 %, honey points table"),
    Check(
        lambda: b.build_must(1.040, 1.0, SUGAR).portions[0].mass_g, 103.86, 0.01, "SPS-4: 103.9 g/L at 1.040"
    ),
    Check(
        lambda: b.build_must(1.040, 10.0, honey(0.172, 0.855)).expected_final_gravity_sg,
        0.9981,
        6e-5,
        "final gravity by fermentable share 0.855, mass balance of the US mean honey",
    ),
    Check(
        lambda: b.build_must(1.060, 10.0, honey(0.172, 0.943)).expected_abv,
        9.09,
        6e-3,
        "strength by fermentable share 0.943, mass balance of the US mean honey",
    ),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_musts_are_met(check: Check) -> None:
    """Weights and gravities agree with the published balance, and with practice within its spread."""
    assert check.compute() == pytest.approx(check.expected, abs=check.tolerance), check.source


sweeteners = st.sampled_from([honey(), honey(0.2), SUGAR, juice(60.0)])
targets = st.floats(1.005, 1.15)
volumes = st.floats(0.5, 500.0)


@given(targets, volumes, sweeteners)
def test_ingredients_close_the_balance(target: float, volume: float, sweetener: Sweetener) -> None:
    """All that is weighed and poured adds up to the mass of the must, which has the gravity asked for."""
    recipe = b.build_must(target, volume, sweetener)
    poured = recipe.portions[0].liquid.plus(Liquid(recipe.water_l * 998.2031))
    assert poured.total_g == pytest.approx(unfermented(target, volume).total_g, rel=1e-7)
    assert poured.sg == pytest.approx(target, abs=1e-7)
    assert poured.volume_l == pytest.approx(volume, rel=1e-7)


@given(targets, volumes)
def test_reading_a_must_back_gives_its_honey(target: float, volume: float) -> None:
    """The honey that a must was built with is the honey read from its volume and gravity."""
    built = b.build_must(target, volume)
    used = b.honey_used(volume, target)
    assert used.honey_g == pytest.approx(built.portions[0].mass_g, rel=1e-9)
    assert used.least_g < used.honey_g < used.most_g
    assert b.implied_moisture(used.honey_g, volume, target) == pytest.approx(0.172, abs=1e-9)


@given(targets, targets, volumes)
def test_a_correction_reaches_its_target(start: float, target: float, volume: float) -> None:
    """Must and addition together have the target gravity and the volume that was said."""
    fix = b.correct_must(volume, start, target)
    end = unfermented(start, volume).plus(Liquid(fix.water_l * 998.2031))
    if fix.addition is not None:
        end = end.plus(fix.addition.liquid)
    assert end.sg == pytest.approx(target, abs=1e-6)
    assert end.volume_l == pytest.approx(fix.volume_l, rel=1e-6)


@given(st.floats(1.02, 1.06), st.floats(1.061, 1.12))
def test_a_correction_that_overflows_is_made_after_drawing_off(start: float, target: float) -> None:
    """What is left after drawing off, with its smaller addition, fills the vessel and has the target."""
    fix = b.correct_must(20.0, start, target, vessel_l=20.0)
    assert fix.addition is not None
    end = unfermented(start, 20.0 - fix.draw_off_l).plus(fix.addition.liquid)
    assert end.sg == pytest.approx(target, abs=1e-6)
    assert end.volume_l == pytest.approx(20.0, rel=1e-6)
    assert fix.free_l == pytest.approx(0.0, abs=1e-6)


def test_headroom_is_left_in_the_vessel() -> None:
    """Without a volume the vessel is filled but for the headroom."""
    recipe = b.build_must(1.040, vessel_l=20.0, headroom_l=1.5)
    assert recipe.volume_l == 18.5
    assert recipe.free_l == 1.5


def test_juice_brings_sugar_and_water() -> None:
    """Juice that goes in anyway lessens honey and water by what it holds."""
    plain = b.build_must(1.045, 10.0)
    fruity = b.build_must(1.045, 10.0, others=(b.Portion(juice(12.0), 3000.0),))
    saved_g = plain.portions[0].mass_g - fruity.portions[0].mass_g
    assert saved_g * 0.828 == pytest.approx(360.0, abs=1e-6)
    assert fruity.water_l < plain.water_l
    assert b.must_fermentable_share(fruity.portions) == pytest.approx(0.9, abs=0.02)


def test_the_yeasts_tolerance_caps_the_strength() -> None:
    """A must stronger than its yeast is expected to stay at the yeast's strength and sweet."""
    recipe = b.build_must(1.130, 10.0, alcohol_tolerance_abv=12.0)
    assert recipe.expected_abv == 12.0
    assert recipe.expected_final_gravity_sg > 1.02


def _gas(recipe: b.Recipe) -> str:
    return next(one.text for one in recipe.cautions if one.hazard is Hazard.CARBON_DIOXIDE)


def test_the_gas_is_that_of_the_end_told() -> None:
    """18 L to 14 % vol: 18 x 0.14 x 0.789 = 1.99 kg of ethanol (0.789 kg/L, CRC Handbook) at 0.956 g of CO2 a
    gram (Balling; 44.01/46.07 by exact masses) are 1.90 kg, and 1 % less for the liquid that shrinks.

    The air is reckoned with all of the sugar: 3150 g, 1.72 m3 at 24.06 L/mol, half a per cent of 344.
    """
    text = _gas(b.build_must(1.160, 18.0, alcohol_tolerance_abv=14.0))
    by_hand_g = 0.789 * 0.956 * 18_000.0 * 0.14
    assert float(text.split(" about ")[1].split(" g")[0]) == pytest.approx(by_hand_g, rel=0.02)
    assert "up to the end that is told" in text
    assert "stands more than was said, up to 3150 g, 1.7 m3" in text
    assert "foul 340 m3" in text
    for tolerance in (None, 25.0):
        whole = _gas(b.build_must(1.160, 18.0, alcohol_tolerance_abv=tolerance))
        assert "about 3150 g" in whole
        assert "end that is told" not in whole


@pytest.mark.parametrize(
    ("gravity", "tolerance", "doubted"),
    [
        (1.042, None, False),
        (1.100, None, False),
        (1.115, None, True),
        (1.150, None, True),
        (1.150, 14.0, False),
        (1.150, 18.0, False),
        (1.150, 25.0, True),
    ],
)
def test_a_strength_that_few_yeasts_reach_is_doubted(
    gravity: float, tolerance: float | None, doubted: bool
) -> None:
    """Most yeasts stop at 14 to 18 % vol (common practice): beyond, the must stays sweet and stuck.

    By the rule of 131.25 a fall to 0.995 makes 13.8 % from 1.100, 15.8 from 1.115 and 20.3 from 1.150.
    """
    recipe = b.build_must(gravity, 18.0, alcohol_tolerance_abv=tolerance)
    told = [one.text for one in recipe.cautions if "sweet and stuck" in one.text]
    assert bool(told) == doubted
    assert all(text.startswith(f"{recipe.expected_abv:.1f} % vol") for text in told)
    assert all(("--tolerance" in text) == (tolerance is None) for text in told)


def test_water_is_a_must_of_gravity_one() -> None:
    """At 1.000 nothing is weighed and only water poured."""
    recipe = b.build_must(1.0, 5.0)
    assert recipe.portions[0].mass_g == pytest.approx(0.0, abs=1e-6)
    assert recipe.water_l == pytest.approx(5.0, abs=1e-9)
    assert b.must_fermentable_share(()) == 0.0


def test_nothing_to_correct_adds_nothing() -> None:
    """At the target already, neither water nor honey is asked for."""
    fix = b.correct_must(10.0, 1.040, 1.040)
    assert fix.addition is None
    assert fix.water_l == 0.0
    assert fix.volume_l == pytest.approx(10.0)


def test_a_must_carries_its_cautions() -> None:
    """Carbon dioxide, a full vessel, a strong must and raw honey are each warned of."""
    texts = {c.hazard: c.text for c in b.build_must(1.13, 19.5, vessel_l=20.0).cautions}
    assert Hazard.CARBON_DIOXIDE in texts
    all_text = " ".join(c.text for c in b.build_must(1.13, 19.5, vessel_l=20.0).cautions)
    for word in ("airlock", "blow-off", "start badly", "children"):
        assert word in all_text


def test_a_correction_carries_its_cautions() -> None:
    """Milk in lactose, spores in honey and a strong must are warned of where they go in; water brings
    none."""
    lactose = " ".join(c.text for c in b.correct_must(10.0, 1.040, 1.150, LACTOSE).cautions)
    assert "allergen" in lactose
    assert "start badly" in lactose
    assert any("children" in c.text for c in b.correct_must(10.0, 1.040, 1.060).cautions)
    assert len(b.correct_must(10.0, 1.060, 1.040, LACTOSE).cautions) == 1


def test_the_gas_of_a_must_is_said_as_room() -> None:
    """18 L of 1.042 make some 817 g: 0.45 m3 at 24.06 L/mol, half a per cent of 89 m3."""
    text = next(c.text for c in b.build_must(1.042, 18.0).cautions if c.hazard is Hazard.CARBON_DIOXIDE)
    grams = float(text.split(" about ")[1].split(" g")[0])
    assert f"{grams / 44.01 * 0.02406:.2g} m3 of gas" in text
    assert f"{grams / 44.01 * 0.02406 / 0.005:.2g} m3 of air" in text
    assert " 990 m3 of air" in " ".join(c.text for c in b.build_must(1.042, 200.0).cautions)


def test_neat_honey_has_a_volume_and_powder_has_none() -> None:
    """A portion of honey says its own volume; sugar is weighed only."""
    assert b.Portion(honey(0.18), 1417.1 * 0.9982031).own_volume_l == pytest.approx(1.0, abs=1e-6)
    assert b.Portion(SUGAR, 100.0).own_volume_l is None


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: b.build_must(2.0, 10.0), "target gravity 2 is outside 1 to 1.2"),
        (lambda: b.build_must(0.99, 10.0), "target gravity 0.99"),
        (lambda: b.build_must(1.04), "neither a volume nor a vessel"),
        (lambda: b.build_must(1.04, 19.0, vessel_l=20.0, headroom_l=2.0), "leaves 18 L"),
        (lambda: b.build_must(1.04, vessel_l=20.0, headroom_l=25.0), "headroom 25 L is outside 0 to 20 L"),
        (lambda: b.build_must(1.04, 10.0, Sweetener("water", 0.0, 0.0)), "holds no solids"),
        (lambda: b.build_must(1.02, 10.0, others=(b.Portion(SUGAR, 900.0),)), "too much sugar"),
        (lambda: b.build_must(1.10, 10.0, juice(15.0)), "too much liquid"),
        (lambda: b.build_must(1.04, 0.0), "volume 0 L"),
        (lambda: b.build_must(float("nan"), 10.0), "target gravity nan"),
        (lambda: b.honey_used(10.0, 1.5), "gravity 1.5"),
        (lambda: b.implied_moisture(100.0, 10.0, 1.040), "more solids than 100 g"),
        (lambda: b.implied_moisture(2400.0, 10.0, 1.045), "too little sugar .* 5[0-9] % water"),
        (lambda: b.implied_moisture(1150.0, 10.0, 1.0405), "too much sugar"),
        (lambda: b.correct_must(25.0, 1.04, 1.05, vessel_l=20.0), "volume 25 L is outside 0.1 to 20 L"),
        (lambda: b.correct_must(10.0, 1.04, 1.05, juice(5.0)), "cannot be reached"),
    ],
)
def test_impossible_musts_are_refused(call: Callable[[], object], says: str) -> None:
    """A value that cannot be is refused by name, with the range."""
    with pytest.raises(QuantityError, match=says):
        call()


def test_lactose_makes_gravity_that_stays() -> None:
    """A must of lactose alone is expected to end where it began, without alcohol."""
    recipe = b.build_must(1.020, 10.0, LACTOSE)
    assert recipe.expected_final_gravity_sg == pytest.approx(1.020, abs=1e-9)
    assert recipe.expected_abv == 0.0
