"""Honey and other sweeteners against published compositions, tables and formula masses."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import QuantityError
from monitor.must import honey as h
from monitor.must.density import sucrose_density_kg_m3
from monitor.must.liquid import Liquid, water
from monitor.units import LB_KG, US_GAL_L


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str


def sg_of(sweetener: h.Sweetener, mass_g: float, volume_l: float) -> float:
    """Gravity of so many g made up with water to a volume."""
    part = sweetener.of_mass(mass_g)
    low, high = 0.0, volume_l * 1000.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if part.plus(Liquid(middle)).volume_l < volume_l:
            low = middle
        else:
            high = middle
    return part.plus(Liquid(low)).sg


WHITE = "White et al., USDA Tech. Bull. 1261 (1962): mean of 490 US honeys (two to three digits)"
CHATAWAY = "Chataway's refractive index table with Wedmore's fit, as Bogdanov quotes it (0.03 % moisture)"
NEAT = "Wedmore and White, gravity of neat honey at 20/20, from memory (0.0005)"
POINTS = "mass balance with SPS-4 solids, honey points table (printed to 0.00001)"
IUPAC = "IUPAC masses of sucrose, glucose and water (exact)"
CHECKS = [
    Check(lambda: h.US_MEAN_HONEY.solids, 0.828, 1e-9, WHITE),
    Check(lambda: h.US_MEAN_HONEY.surely_fermentable_share, 0.855, 6e-4, WHITE),
    Check(lambda: h.US_MEAN_HONEY.most_fermentable_share, 0.943, 6e-4, WHITE),
    Check(
        lambda: h.FOUR_COUNTRY_MEAN_HONEY.surely_fermentable_share,
        0.734 / 0.828,
        1e-9,
        "Crane 1980: weighted mean of 1063 honeys, 38.6 + 32.8 + 2.0 at 17.2 % water",
    ),
    *(
        Check(lambda n=n: 100.0 * h.moisture_from_refractive_index(n), w, 0.03, CHATAWAY)
        for n, w in (
            (1.5044, 13.0),
            (1.5018, 14.0),
            (1.5002, 14.6),
            (1.4992, 15.0),
            (1.4966, 16.0),
            (1.4956, 16.4),
            (1.4940, 17.0),
            (1.4915, 18.0),
            (1.4890, 19.0),
            (1.4865, 20.0),
            (1.4840, 21.0),
            (1.4815, 22.0),
            (1.4740, 25.0),
        )
    ),
    Check(lambda: 100.0 * h.moisture_from_refractive_index(1.4940 - 5 * 0.00023, 25.0), 17.0, 0.03, CHATAWAY),
    *(
        Check(partial(h.neat_honey_sg, moisture), sg, 5e-4, NEAT)
        for moisture, sg in ((0.13, 1.4457), (0.155, 1.4323), (0.18, 1.4171), (0.20, 1.4027))
    ),
    Check(
        partial(h.neat_honey_sg, 0.17),
        1.423,
        1e-3,
        "trade specification of a honey: specific gravity 1.423 at 17 % moisture and 20 degC, read",
    ),
    *(
        Check(
            lambda m=m: h.honey(m).density_kg_m3 / 1e3 * US_GAL_L / LB_KG,
            pounds,
            0.03,
            "a beekeepers' journal, read: a US gallon weighs 11.634 to 12.057 lb (moistures: the table's"
            " ends)",
        )
        for m, pounds in ((0.13, 12.057), (0.21, 11.634))
    ),
    Check(
        lambda: h.honey(0.18).density_kg_m3 / 1e3 * US_GAL_L / LB_KG,
        12.0,
        0.4,
        "trade figure 12 lb in a US gallon of honey, range 11.63 to 12.06 (common practice)",
    ),
    *(
        Check(partial(sg_of, h.honey(moisture), 100.0, 1.0), sg, 1.1e-5, POINTS)
        for moisture, sg in ((0.155, 1.03257), (0.172, 1.03192), (0.186, 1.03138), (0.20, 1.03084))
    ),
    *(
        Check(partial(sg_of, h.honey(moisture), 1e3 * LB_KG, US_GAL_L), sg, 1.1e-5, POINTS)
        for moisture, sg in ((0.155, 1.03900), (0.172, 1.03822), (0.20, 1.03693))
    ),
    Check(partial(sg_of, h.SUGAR, 100.0, 1.0), 1.03852, 1.1e-5, POINTS),
    Check(partial(sg_of, h.SUGAR, 1e3 * LB_KG, US_GAL_L), 1.04613, 1.1e-5, POINTS),
    Check(lambda: sg_of(h.invert_syrup(100.0, 200.0), 200.0, 1.0), 1.04054, 1.1e-5, POINTS),
    Check(lambda: h.INVERSION_GAIN, 1.0526, 5e-5, IUPAC),
    Check(lambda: h.DEXTROSE.solids_share, 0.9091, 5e-5, IUPAC),
    Check(lambda: h.LACTOSE.solids_share, 0.9500, 5e-5, IUPAC),
    Check(lambda: honey_in_water().sg, 1.18606, 2e-5, "1 kg of 17.2 % honey in 1 L water, SPS-4 solids"),
    Check(lambda: honey_in_water().volume_l, 1.688, 6e-4, "1 kg of 17.2 % honey in 1 L water, SPS-4 solids"),
]


def honey_in_water() -> Liquid:
    """A kilogram of mean honey stirred into a litre of water."""
    return h.honey(0.172).of_mass(1000.0).plus(water(1.0))


@pytest.mark.parametrize("check", CHECKS)
def test_published_honey_values_are_met(check: Check) -> None:
    """Every composition, density and moisture agrees with its published source within the tolerance."""
    assert check.compute() == pytest.approx(check.expected, abs=check.tolerance), check.source


@given(st.floats(0.13, 0.21))
def test_neat_honey_is_lighter_than_sucrose_of_equal_solids(moisture: float) -> None:
    """Neat honey is 0.5 to 1.3 % lighter than the sucrose curve has it, so that curve is not used for it."""
    ratio = h.honey(moisture).density_kg_m3 / sucrose_density_kg_m3(1.0 - moisture)
    assert 0.987 < ratio < 0.995


@given(st.floats(0.12, 0.29), st.floats(0.001, 0.01))
def test_wetter_honey_is_lighter(moisture: float, step: float) -> None:
    """More moisture is less density, over the ends of the table too."""
    assert h.neat_honey_sg(moisture + step) < h.neat_honey_sg(moisture)


@given(st.floats(0.13, 0.25), st.floats(0.0, 1.0))
def test_cooking_drives_off_water_only(moisture: float, share: float) -> None:
    """Cooked honey holds the solids of the raw, whatever weight is left."""
    raw = h.honey(moisture)
    dry_g = 1000.0 * raw.solids_share
    cooked_g = dry_g + share * (1000.0 - dry_g)
    cooked = h.cooked_honey(raw, 1000.0, cooked_g)
    assert cooked.of_mass(cooked_g).extract_g == pytest.approx(dry_g, rel=1e-12)
    assert cooked.fermentable_g(cooked_g) == pytest.approx(raw.fermentable_g(1000.0), rel=1e-12)


@given(st.sampled_from([h.honey(), h.SUGAR, h.DEXTROSE, h.LACTOSE, h.juice(12.0)]), st.floats(0.0, 1e5))
def test_a_sweetener_is_water_and_solids(sweetener: h.Sweetener, mass_g: float) -> None:
    """The masses of a sweetener add up to what was weighed."""
    assert sweetener.of_mass(mass_g).total_g == pytest.approx(mass_g, rel=1e-12, abs=1e-12)


def test_lactose_feeds_no_yeast() -> None:
    """The non-fermentable sweetener has gravity but nothing to ferment, and says what it comes from."""
    assert h.LACTOSE.fermentable_g(100.0) == 0.0
    assert any("allergen" in note for note in h.LACTOSE.notes)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: h.honey(17.2), "1720 % is outside 12 to 30 %"),
        (lambda: h.honey(0.172, 1.2), "fermentable share 1.2"),
        (lambda: h.moisture_from_refractive_index(1.333), "1.470 to 1.510"),
        (lambda: h.cooked_honey(h.honey(), 1000.0, 700.0), "828 g .dry. to 1000 g"),
        (lambda: h.cooked_honey(h.honey(), 1000.0, 1100.0), "828 g .dry. to 1000 g"),
        (lambda: h.invert_syrup(1000.0, 900.0), "cannot hold"),
        (lambda: h.invert_syrup(1000.0, 1900.0, 50.0), "50 is outside 0 to 1"),
        (lambda: h.juice(120.0), "0 to 80"),
    ],
)
def test_impossible_values_are_refused(call: Callable[[], object], says: str) -> None:
    """A value that cannot be is refused by name, with the range."""
    with pytest.raises(QuantityError, match=says):
        call()
