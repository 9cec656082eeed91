"""Alcohol, attenuation and final gravity against Balling's balance and published worked examples."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import QuantityError
from monitor.must import alcohol as a
from monitor.must.density import corrected_sg, sg_from_plato
from monitor.must.liquid import Liquid, unfermented


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str


BALLING = "Balling with the ASBC cubic for Plato, worked example (Plato scales differ by 0.01)"
SIMPLE = "131.25 times the fall in gravity, course formula sheet (exact)"
TERNARY = "mass balance with Balling yields, OIML R 22 and SPS-4, evaluated apart (printed digits)"
NIELSEN = "H. Nielsen et al., on Balling's formula: OE = 100 (2.0665 A + RE)/(100 + 1.0665 A)"
HONEY_SHARE = "final gravity by fermentable share, mass balance of the US mean honey (printed to 0.0001)"


def original_extract(abw: float, real_extract: float) -> float:
    """Balling's forward equation, as published; what `attenuation` must be consistent with."""
    return 100.0 * (2.0665 * abw + real_extract) / (100.0 + 1.0665 * abw)


WORKED = [
    *(
        Check(lambda og=og, fg=fg: a.attenuation(og, fg).abv, abv, 0.013, BALLING)
        for og, fg, abv in (
            (1.040, 1.010, 3.969),
            (1.040, 1.000, 5.285),
            (1.040, 0.998, 5.547),
            (1.040, 0.994, 6.072),
            (1.050, 1.010, 5.316),
            (1.060, 1.000, 8.001),
            (1.080, 1.000, 10.768),
            (1.100, 1.000, 13.585),
        )
    ),
    *(
        Check(lambda og=og, fg=fg: a.attenuation(og, fg).real_extract, re, 0.01, BALLING)
        for og, fg, re in ((1.040, 1.010, 3.905), (1.040, 0.994, 0.527), (1.080, 1.000, 3.493))
    ),
    *(
        Check(lambda og=og, fg=fg: 100.0 * a.attenuation(og, fg).apparent_attenuation, adf, 0.15, BALLING)
        for og, fg, adf in ((1.040, 1.010, 74.4), (1.040, 0.998, 105.2), (1.040, 0.994, 115.6))
    ),
    *(
        Check(lambda og=og, fg=fg: 100.0 * a.attenuation(og, fg).real_attenuation, rdf, 0.15, BALLING)
        for og, fg, rdf in ((1.040, 1.010, 60.9), (1.040, 0.998, 86.2), (1.060, 1.000, 81.9))
    ),
    Check(lambda: a.attenuation(1.040, 0.998).abw, 4.395, 0.01, BALLING),
    *(
        Check(partial(a.simple_abv, og, fg), abv, 6e-4, SIMPLE)
        for og, fg, abv in ((1.040, 0.998, 5.5125), (1.060, 1.000, 7.875), (1.100, 1.000, 13.125))
    ),
]

PATH = [
    Check(lambda: a.composition(1.040, 0.998).abv, 5.474, 6e-4, TERNARY),
    Check(lambda: a.composition(1.040, 0.998).abw, 4.337, 6e-4, TERNARY),
    Check(lambda: a.composition(1.040, 0.998).real_extract, 1.504, 6e-4, TERNARY),
    Check(lambda: a.composition(1.040, 0.998).water_g * 18.0, 16884.3, 0.06, TERNARY),
    Check(lambda: a.composition(1.040, 0.998).ethanol_g * 18.0, 777.7, 0.06, TERNARY),
    Check(lambda: a.composition(1.040, 0.998).extract_g * 18.0, 269.7, 0.06, TERNARY),
    *(
        Check(partial(a.expected_final_gravity_sg, 1.040, 0.8563 * x), sg, 1.1e-5, TERNARY + f", x = {x:.2f}")
        for x, sg in (
            (0.10, 1.03577),
            (0.25, 1.02945),
            (1.0 / 3.0, 1.02594),
            (0.50, 1.01893),
            (0.75, 1.00846),
            (0.90, 1.00218),
            (1.00, 0.99800),
        )
    ),
    *(
        Check(partial(a.expected_final_gravity_sg, og, share), sg, 6e-5, HONEY_SHARE)
        for og, share, sg in (
            (1.030, 0.855, 0.9985),
            (1.040, 0.855, 0.9981),
            (1.040, 0.943, 0.9938),
            (1.040, 1.000, 0.9910),
            (1.060, 0.800, 1.0015),
            (1.060, 0.900, 0.9942),
            (1.080, 0.943, 0.9886),
            (1.100, 0.855, 0.9969),
            (1.100, 1.000, 0.9794),
        )
    ),
    *(
        Check(
            lambda og=og: a.composition(og, a.expected_final_gravity_sg(og, 0.86)).abv,
            abv,
            0.02,
            "original gravity at which 86 % fermented gives this strength (gravity given to 0.0001)",
        )
        for og, abv in ((1.0580, 8.0), (1.0722, 10.0), (1.0864, 12.0), (1.1004, 14.0), (1.1281, 18.0))
    ),
]

CUTAIA = "Cutaia, Reid & Speers, J. Inst. Brew. 115 (2009) 318, table III: measured means of"
BREWS = (  # how many brews; original and apparent extract, alcohol and real extract in per cent by mass
    (92, 14.08, 3.11, 4.72, 5.28),
    (112, 14.54, 2.53, 5.14, 4.88),
    (71, 17.67, 2.45, 6.56, 5.38),
    (221, 11.34, 2.01, 3.82, 3.80),
    (36, 12.75, 2.79, 4.21, 4.74),
)


def balling_abw(oe: float, ae: float) -> float:
    """Alcohol by mass of two extracts in degrees Plato, by Balling."""
    return a.attenuation(sg_from_plato(oe), sg_from_plato(ae)).abw


def mixture(oe: float, ae: float) -> Liquid:
    """The liquid between two extracts in degrees Plato, by the density of the mixture."""
    return a.composition(sg_from_plato(oe), sg_from_plato(ae))


MEASURED = [
    *(
        Check(partial(balling_abw, oe, ae), abw, 0.12, f"{CUTAIA} {n} brews, alcohol (fixed yields: 0.12)")
        for n, oe, ae, abw, _ in BREWS
    ),
    *(
        Check(
            lambda oe=oe, ae=ae: mixture(oe, ae).abw,
            abw,
            0.12,
            f"{CUTAIA} {n} brews, alcohol (fixed yields: 0.12)",
        )
        for n, oe, ae, abw, _ in BREWS
    ),
    *(
        Check(
            lambda oe=oe, ae=ae: mixture(oe, ae).real_extract,
            re,
            0.035,
            f"{CUTAIA} {n} brews, real extract (0.035: theirs follows from alcohol and apparent extract)",
        )
        for n, oe, ae, _, re in BREWS
    ),
]

EU_1169 = "Regulation (EU) 1169/2011 Annex XIV, conversion factors, from memory (exact)"
ENERGY = [
    Check(
        lambda: a.energy(Liquid(900.0, 40.0, 0.0), Liquid(900.0, 40.0).volume_l).kcal, 280.0, 1e-9, EU_1169
    ),
    Check(lambda: a.energy(Liquid(900.0, 40.0, 0.0), Liquid(900.0, 40.0).volume_l).kj, 1160.0, 1e-9, EU_1169),
    Check(
        lambda: a.energy(unfermented(1.04), 1.0).kcal,
        4.0 * 103.86,
        0.2,
        EU_1169 + "; SPS-4: 103.9 g/L at 1.040",
    ),
    Check(
        lambda: a.energy(unfermented(1.04), 1.0).kj,
        17.0 * 103.86,
        0.9,
        EU_1169 + "; SPS-4: 103.9 g/L at 1.040",
    ),
    Check(lambda: a.CO2_PER_EXTRACT, 0.4629, 5e-5, "Balling: 0.9565 g of CO2 from 2.0665 g of extract"),
]


@pytest.mark.parametrize("check", [*WORKED, *PATH, *MEASURED, *ENERGY])
def test_published_alcohol_values_are_met(check: Check) -> None:
    """Every alcohol, extract and final gravity agrees with its published source within the tolerance."""
    assert check.compute() == pytest.approx(check.expected, abs=check.tolerance), check.source


@pytest.mark.parametrize(
    ("abw", "real_extract", "expected"),
    [(4.0, 4.0, 11.7641), (4.22, 5.78, 13.8761), (3.65, 4.63, 11.7166), (5.0, 3.0, 12.6575)],
)
def test_balling_as_published_gives_the_published_values(
    abw: float, real_extract: float, expected: float
) -> None:
    """The published forward equation, which the property below leans on, is written down rightly."""
    assert original_extract(abw, real_extract) == pytest.approx(expected, abs=6e-5), NIELSEN


@given(st.floats(1.001, 1.15), st.floats(0.99, 1.0))
def test_attenuation_satisfies_ballings_equation(og: float, share: float) -> None:
    """Alcohol and real extract put into Balling's own equation give back the original extract."""
    found = a.attenuation(og, og * share)
    assert original_extract(found.abw, found.real_extract) == pytest.approx(found.original_extract, abs=1e-9)


@given(st.floats(1.005, 1.15), st.floats(0.0, 1.0))
def test_fermenting_conserves_mass(og: float, share: float) -> None:
    """What leaves the liquid is the CO2 and yeast of Balling's balance, and water stays."""
    must = unfermented(og)
    consumed = share * must.extract_g
    after = a.fermented(must, consumed)
    gone = must.total_g - after.total_g
    assert gone == pytest.approx(consumed * (0.9565 + 0.11) / 2.0665, abs=1e-9)
    assert after.water_g == must.water_g


@given(st.floats(1.01, 1.15), st.floats(0.01, 0.99))
def test_composition_undoes_the_final_gravity(og: float, share: float) -> None:
    """The composition found from two gravities has the gravity it was found from, in one litre."""
    fg = a.expected_final_gravity_sg(og, share)
    liquid = a.composition(og, fg)
    assert liquid.sg == pytest.approx(fg, abs=1e-9)
    assert liquid.volume_l == pytest.approx(1.0, abs=1e-9)


@given(st.floats(1.02, 1.12), st.floats(0.1, 0.9))
def test_more_fermentable_ends_lower(og: float, share: float) -> None:
    """A larger fermentable share ends at a lower gravity and with more alcohol."""
    high, low = a.expected_final_gravity_sg(og, share), a.expected_final_gravity_sg(og, share + 0.05)
    assert low < high
    assert a.composition(og, low).abv > a.composition(og, high).abv


@given(st.floats(1.02, 1.12), st.floats(0.1, 0.9), st.floats(5.0, 32.0))
def test_reading_in_a_ferment_is_corrected_by_what_it_holds(og: float, share: float, t: float) -> None:
    """A reading at any temperature is brought to the gravity that the same liquid has at 20 degC."""
    must = unfermented(og)
    liquid = a.fermented(must, share * must.extract_g)
    water = 998.2031
    reading = liquid.total_g / liquid.volume_at_l(t) * (1.0 + 25e-6 * (t - 20.0)) / water
    assert a.corrected_ferment_sg(reading, t, og) == pytest.approx(liquid.sg, abs=1e-7)


def test_reading_above_the_original_gravity_is_corrected_as_sugar() -> None:
    """Where the ferment cannot explain the reading, the plain correction is given."""
    assert a.corrected_ferment_sg(1.045, 25.0, 1.040) == corrected_sg(1.045, 25.0)


def test_both_ways_agree_to_a_tenth_for_a_session_mead() -> None:
    """Balling and the mixture's density differ by under 0.1 per cent by volume from 1.040."""
    balling = a.attenuation(1.040, 0.998).abv
    assert 0.0 < balling - a.composition(1.040, 0.998).abv < 0.1


def test_apparent_attenuation_passes_one() -> None:
    """A mead below 1.000 has apparently attenuated by more than all of its extract; it is not clamped."""
    assert a.attenuation(1.040, 0.994).apparent_attenuation > 1.15


def test_nothing_fermented_is_no_alcohol() -> None:
    """At the original gravity there is no alcohol and no attenuation, and water ferments to water."""
    found = a.attenuation(1.040, 1.040)
    assert found.abv == pytest.approx(0.0, abs=1e-12)
    assert found.apparent_attenuation == pytest.approx(0.0, abs=1e-12)
    assert a.composition(1.040, 1.040).ethanol_g == 0.0
    assert a.attenuation(1.0, 1.0).apparent_attenuation == 0.0
    assert a.expected_final_gravity_sg(1.0, 0.9) == pytest.approx(1.0, abs=1e-12)


def test_tolerance_stops_a_strong_must() -> None:
    """A must that could pass the yeast's tolerance is expected to stop at it, sweet."""
    stopped = a.expected_final_gravity_sg(1.130, 0.94, alcohol_tolerance_abv=12.0)
    assert stopped > a.expected_final_gravity_sg(1.130, 0.94)
    assert a.composition(1.130, stopped).abv == pytest.approx(12.0, abs=1e-6)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: a.composition(1.040, 1.050), "1.0500 cannot come of 1.0400"),
        (lambda: a.composition(1.040, 0.980), "0.9910 to 1.0400"),
        (lambda: a.attenuation(2.0, 1.0), "2.0000 is outside 1.000 to 1.300"),
        (lambda: a.attenuation(0.99, 0.99), "0.9900 is outside"),
        (lambda: a.expected_final_gravity_sg(1.04, 94.0), "94 is outside 0 to 1"),
        (lambda: a.energy(unfermented(1.04), 0.0), "more than 0 L"),
    ],
)
def test_impossible_values_are_refused(call: Callable[[], object], says: str) -> None:
    """A value that cannot be is refused by name, with the range."""
    with pytest.raises(QuantityError, match=says):
        call()


def test_hardly_anything_fermented_is_nothing() -> None:
    """A gravity that lies a fraction's last digit below the original one is a must that has not begun."""
    begun = a.composition(1.0616993600078575, 1.0616993600078573)
    assert begun.ethanol_g == 0.0
    assert begun.sg == pytest.approx(1.0616993600078575, abs=1e-12)


@given(st.floats(0.0, 20.0), st.floats(0.0, 200.0))
def test_composition_by_strength_is_undone(abv: float, extract_g: float) -> None:
    """The composition of a strength and a gravity has both, and fills a litre."""
    ethanol_g = abv * 7.8923912
    liquid = Liquid(900.0, ethanol_g, extract_g)
    found = a.composition_by_strength(liquid.abv, liquid.sg)
    assert found.sg == pytest.approx(liquid.sg, abs=1e-9)
    assert found.abv == pytest.approx(liquid.abv, abs=1e-9)
    assert found.extract_g == pytest.approx(liquid.of_volume(1.0).extract_g, abs=1e-5)


@pytest.mark.parametrize(("abv", "sg"), [(40.0, 1.0), (-1.0, 1.0), (5.0, 0.985)])
def test_impossible_strength_is_refused(abv: float, sg: float) -> None:
    """A strength no ferment gives, or a gravity below that of its alcohol, is refused."""
    with pytest.raises(QuantityError):
        a.composition_by_strength(abv, sg)
