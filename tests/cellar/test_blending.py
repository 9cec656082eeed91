"""Blends and dilutions: what is poured together is neither lost nor made."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import blending as b
from monitor.errors import QuantityError
from monitor.must.alcohol import composition
from monitor.must.liquid import Liquid, water


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str


DRY = composition(1.040, 0.998).of_volume(18.0)
SWEET = composition(1.110, 1.030).of_volume(5.0)
DILUTED = "worked example, 18 L from 1.040 at 0.998 and 9 L of water, evaluated apart (digits given)"
CHECKS = [
    Check(lambda: b.blend([DRY, water(9.0)]).volume_l, 27.0032, 6e-5, DILUTED),
    Check(lambda: b.blend([DRY, water(9.0)]).gravity_sg, 0.99855, 6e-6, DILUTED),
    Check(lambda: b.blend([DRY, water(9.0)]).abv, 3.6492, 6e-5, DILUTED),
    Check(lambda: b.blend([DRY, water(9.0)]).shrinks_l, -0.0032, 6e-5, DILUTED),
    Check(lambda: b.dilute_to_strength(DRY, 3.6492).water_l, 9.0, 1e-3, DILUTED),
]


@pytest.mark.parametrize("check", CHECKS)
def test_the_worked_example_is_met(check: Check) -> None:
    """Volume, gravity and strength of the dilution agree with the worked example."""
    assert check.compute() == pytest.approx(check.expected, abs=check.tolerance), check.source


liquids = st.builds(
    lambda og, fall, volume: composition(og, og - fall).of_volume(volume),
    st.floats(1.035, 1.12),
    st.floats(0.0, 0.035),
    st.floats(0.1, 100.0),
)


@given(liquids, liquids, liquids)
def test_blending_commutes_and_associates(one: Liquid, two: Liquid, three: Liquid) -> None:
    """Neither the order nor the grouping of pouring together matters."""
    forth = b.blend([one, two, three])
    back = b.blend([three, b.blend([two, one]).liquid])
    assert forth.gravity_sg == pytest.approx(back.gravity_sg, abs=1e-12)
    assert forth.volume_l == pytest.approx(back.volume_l, rel=1e-12)
    assert forth.abv == pytest.approx(back.abv, rel=1e-9, abs=1e-12)


@given(liquids, liquids)
def test_masses_close(one: Liquid, two: Liquid) -> None:
    """Mass, ethanol and extract of the blend are the sums of its parts to 1e-9."""
    mixed = b.blend([one, two]).liquid
    assert mixed.total_g == pytest.approx(one.total_g + two.total_g, rel=1e-9)
    assert mixed.ethanol_g == pytest.approx(one.ethanol_g + two.ethanol_g, rel=1e-9)
    assert mixed.extract_g == pytest.approx(one.extract_g + two.extract_g, rel=1e-9)


@given(liquids)
def test_a_blend_of_the_same_is_the_same(one: Liquid) -> None:
    """A batch blended with itself keeps gravity and strength and loses no volume."""
    twice = b.blend([one, one])
    assert twice.gravity_sg == pytest.approx(one.sg, abs=1e-12)
    assert twice.shrinks_l == pytest.approx(0.0, abs=1e-9)


@given(st.floats(0.05, 0.95))
def test_the_ratio_for_a_gravity_reaches_it(share: float) -> None:
    """The amount found for a gravity between the two gives that gravity."""
    target = DRY.sg + share * (SWEET.sg - DRY.sg)
    ratio = b.blend_to_gravity(DRY, SWEET, target)
    assert ratio.blend.gravity_sg == pytest.approx(target, abs=1e-8)
    again = b.blend([DRY, SWEET.of_volume(ratio.second_l)])
    assert again.gravity_sg == pytest.approx(target, abs=1e-8)
    assert ratio.first_l == pytest.approx(18.0, rel=1e-9)


@given(st.floats(0.05, 0.95))
def test_the_ratio_for_a_strength_reaches_it(share: float) -> None:
    """The amount found for a strength between the two gives that strength."""
    target = DRY.abv + share * (SWEET.abv - DRY.abv)
    ratio = b.blend_to_strength(DRY, SWEET, target)
    assert ratio.blend.abv == pytest.approx(target, abs=1e-8)


def test_nothing_is_added_where_the_first_is_there_already() -> None:
    """The first part's own gravity or strength as target needs none of the second."""
    assert b.blend_to_gravity(DRY, SWEET, DRY.sg).second_l == 0.0
    assert b.blend_to_strength(DRY, SWEET, DRY.abv).second_l == 0.0


def test_water_raises_a_dry_mead() -> None:
    """A mead lighter than water comes nearer to 1.000 from below."""
    thinner = b.dilute_to_gravity(DRY, 0.999)
    assert thinner.blend.gravity_sg == pytest.approx(0.999, abs=1e-9)
    assert thinner.water_l > 0.0


def test_every_blend_is_warned_of() -> None:
    """Blend, ratio and dilution carry the warning that a blend can ferment again."""
    for advised in (
        b.blend([DRY, SWEET]),
        b.blend_to_gravity(DRY, SWEET, 1.005),
        b.dilute_to_strength(DRY, 4.0),
    ):
        assert any("ferment again" in caution.text for caution in advised.cautions)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (partial(b.blend, []), "number of parts 0 is outside 1 to 20"),
        (partial(b.blend, [DRY] * 21), "number of parts 21"),
        (partial(b.blend, [DRY, Liquid(0.0)]), "no volume"),
        (partial(b.blend_to_gravity, DRY, SWEET, 1.2), "target gravity 1.2 is outside 0.998 to 1.03"),
        (lambda: b.blend_to_gravity(DRY, SWEET, SWEET.sg), "second part alone"),
        (lambda: b.blend_to_strength(DRY, SWEET, SWEET.abv), "second part alone"),
        (partial(b.dilute_to_strength, DRY, 8.0), "target strength 8 % vol is outside 0 to 5.47"),
        (partial(b.dilute_to_gravity, DRY, 1.01), "is outside 0.998 to 1"),
    ],
)
def test_impossible_blends_are_refused(call: Callable[[], object], says: str) -> None:
    """A target outside the parts, or a part without volume, is refused by name."""
    with pytest.raises(QuantityError, match=says):
        call()
