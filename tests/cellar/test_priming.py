"""Priming sugar: the weight where it is safe, and every reason where it is not."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar.carbonation import PrimingSugar
from monitor.cellar.caution import Hazard
from monitor.cellar.pressure import USUAL_LIMIT_KPA, Vessel, bottle_gauge_kpa, sealed_gauge_kpa
from monitor.cellar.priming import (
    VOLUMES_PER_POINT,
    BottlingState,
    Priming,
    PrimingRefusal,
    RefusalReason,
    priming,
)
from monitor.errors import QuantityError
from monitor.ferment.emission import Phase

from .checks import Check

READY = BottlingState(
    phase=Phase.FINISHED,
    gravity_sg=0.997,
    expected_final_gravity_sg=0.996,
    volume_l=18.0,
    warmest_c=20.0,
)


def primed(state: BottlingState, volumes: float, sugar: PrimingSugar = PrimingSugar.SUCROSE) -> Priming:
    result = priming(state, volumes, sugar, vessel=Vessel.SPARKLING_WINE_BOTTLE)
    assert isinstance(result, Priming)
    return result


def refused(state: BottlingState, vessel: Vessel = Vessel.SPARKLING_WINE_BOTTLE) -> PrimingRefusal:
    result = priming(state, 2.5, vessel=vessel)
    assert isinstance(result, PrimingRefusal)
    return result


STOICHIOMETRY = (
    "stoichiometry, g/L per volume, times volumes wanted less 0.86 residual (half a printed digit)"
)
CHECKS = [
    Check(lambda: primed(READY, 2.5).sugar_g_per_l, (2.5 - 0.86) * 3.84, 0.02, STOICHIOMETRY),
    Check(
        lambda: primed(READY, 2.5, PrimingSugar.GLUCOSE_MONOHYDRATE).sugar_g_per_l,
        (2.5 - 0.86) * 4.45,
        0.02,
        STOICHIOMETRY,
    ),
    Check(
        lambda: primed(READY, 2.5, PrimingSugar.HONEY).sugar_g_per_l, (2.5 - 0.86) * 5.43, 0.02, STOICHIOMETRY
    ),
    Check(
        lambda: primed(READY, 2.5).sugar_g_per_l,
        6.5,
        1.0,
        "common practice, from memory: 5.5 to 7.5 g/L of table sugar for a lively beer",
    ),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Sugar weights follow the stoichiometry and lie where makers' habit has them."""
    check.hold()


def test_an_unfinished_batch_gets_no_weight() -> None:
    """In every phase but finished the answer is a refusal that says why."""
    for phase in Phase:
        result = priming(replace(READY, phase=phase), 2.5, vessel=Vessel.SPARKLING_WINE_BOTTLE)
        assert isinstance(result, Priming if phase is Phase.FINISHED else PrimingRefusal)
    assert refused(replace(READY, phase=Phase.STALLED)).reasons == (RefusalReason.NOT_FINISHED,)


def test_a_stabilised_batch_gets_no_weight() -> None:
    """Stabilised yeast cannot carbonate, sweetened or not."""
    for sweetened in (False, True):
        state = replace(READY, stabilised=True, sweetened=sweetened, gravity_sg=1.010)
        assert refused(state).reasons == (RefusalReason.STABILISED,)


def test_unstabilised_sugar_gets_no_weight() -> None:
    """Sweetened without stabilising, or more than two points above its end, a batch would burst its
    bottles."""
    sweetened = refused(replace(READY, sweetened=True))
    assert sweetened.reasons == (RefusalReason.SUGAR_LEFT,)
    high = refused(replace(READY, gravity_sg=1.004))
    assert high.reasons == (RefusalReason.SUGAR_LEFT,)
    assert "8 points" in high.sentences[0]
    # a point is 1.054 g/L of gas where all of the sugar becomes alcohol and gas: 0.53 volumes (mass balance)
    assert "up to 4.6 volumes" in high.sentences[0]
    assert VOLUMES_PER_POINT >= 0.53


def test_two_points_are_the_hydrometers() -> None:
    """Two points above the expected end are still the end, and reckoned with in the worst pressure; three are
    not."""
    result = primed(replace(READY, gravity_sg=0.998), 2.5)
    assert result.worst_gauge_kpa > result.warm_gauge_kpa > result.gauge_kpa
    assert refused(replace(READY, gravity_sg=0.999)).reasons == (RefusalReason.SUGAR_LEFT,)


def test_an_unknown_end_gets_no_weight() -> None:
    """Without an expected final gravity nobody knows what sugar is left."""
    assert refused(replace(READY, expected_final_gravity_sg=None)).reasons == (RefusalReason.END_UNKNOWN,)


@pytest.mark.parametrize("vessel", [Vessel.STILL_WINE_BOTTLE, Vessel.CLIP_TOP_JAR, Vessel.CARBOY])
def test_vessels_made_for_no_pressure_get_no_weight(vessel: Vessel) -> None:
    """Still-wine bottles, jars and carboys are never primed."""
    assert refused(READY, vessel).reasons == (RefusalReason.VESSEL,)


def test_all_reasons_are_told_at_once() -> None:
    """A batch that is wrong in several ways hears of each, with one sentence a reason."""
    state = replace(READY, phase=Phase.ACTIVE, sweetened=True, gravity_sg=1.020)
    result = refused(state, Vessel.CARBOY)
    assert result.reasons == (
        RefusalReason.NOT_FINISHED,
        RefusalReason.SUGAR_LEFT,
        RefusalReason.SUGAR_LEFT,
        RefusalReason.VESSEL,
    )
    assert len(result.sentences) == len(result.reasons)
    assert any(caution.hazard is Hazard.PRESSURE for caution in result.cautions)


def test_a_weight_never_comes_without_warning() -> None:
    """The result of a safe priming still warns of bursting bottles and of uneven mixing."""
    texts = " ".join(caution.text for caution in primed(READY, 2.5).cautions)
    assert "throws glass" in texts
    assert "evenly" in texts
    assert "cannot end below 0.996" in texts


def test_a_bottle_over_its_figure_at_the_worst_gets_no_weight() -> None:
    """A beer bottle below its figure at 20 degC, but above it warm and with what could still ferment, is
    refused with the reason; a stronger one is not."""
    state = replace(READY, gravity_sg=0.998)
    assert sealed_gauge_kpa(2.5, 20.0) < USUAL_LIMIT_KPA[Vessel.BEER_BOTTLE]
    result = priming(state, 2.5, PrimingSugar.HONEY, vessel=Vessel.BEER_BOTTLE)
    assert isinstance(result, PrimingRefusal)
    assert result.reasons == (RefusalReason.VESSEL,)
    assert "in a warm place" in result.sentences[0]
    primed(state, 2.5, PrimingSugar.HONEY)


@given(st.sampled_from(list(Vessel)), st.sampled_from(list(PrimingSugar)), st.floats(1.0, 6.0))
def test_no_weight_above_the_usual_figure(vessel: Vessel, sugar: PrimingSugar, volumes: float) -> None:
    """Where a weight is given, the worst pressure lies within what such a vessel is usually worked at."""
    result = priming(READY, volumes, sugar, vessel=vessel)
    assert isinstance(result, PrimingRefusal) or result.worst_gauge_kpa <= USUAL_LIMIT_KPA[vessel]


def test_honey_may_make_more_gas_than_a_mean_one() -> None:
    """15.5 % of water and 94.3 % of the solids (the high reading of White et al.) make 0.3893 g/g of gas:
    2.28 volumes where a mean honey makes 2.14; the worst pressure is that of the first."""
    state = replace(READY, gravity_sg=0.996)
    honey, sucrose = primed(state, 3.0, PrimingSugar.HONEY), primed(state, 3.0)
    most = honey.sugar_g_per_l * 0.845 * 0.943 * 0.4886 / 1.9768
    assert most == pytest.approx(2.28, abs=0.02)
    assert honey.worst_gauge_kpa == pytest.approx(
        bottle_gauge_kpa(honey.residual_volumes + most, 30.0), rel=0.002
    )
    assert sucrose.worst_gauge_kpa == sucrose.warm_gauge_kpa < honey.worst_gauge_kpa


@given(st.floats(1.0, 3.0), st.floats(0.01, 0.5), st.floats(1.0, 100.0))
def test_sugar_grows_with_gas_and_volume(volumes: float, more: float, volume_l: float) -> None:
    """More gas wants more sugar, and twice the volume twice as much."""
    state = replace(READY, volume_l=volume_l)
    weight = primed(state, volumes).sugar_g
    assert primed(state, volumes + more).sugar_g > weight
    assert primed(replace(READY, volume_l=2 * volume_l), volumes).sugar_g == pytest.approx(2 * weight)


@pytest.mark.parametrize(
    ("change", "volumes", "named"),
    [
        ({"volume_l": 0.0}, 2.5, "volume"),
        ({"gravity_sg": 2.0}, 2.5, "gravity"),
        ({"warmest_c": 80.0}, 2.5, "warmest temperature"),
        ({"expected_final_gravity_sg": 0.5}, 2.5, "expected final gravity"),
        ({}, 0.5, "carbonation"),
        ({}, 7.0, "carbonation"),
    ],
)
def test_impossible_values_are_refused(change: dict[str, float], volumes: float, named: str) -> None:
    """Impossible figures raise QuantityError that names them, whatever else would be refused."""
    with pytest.raises(QuantityError, match=named):
        priming(replace(READY, **change), volumes, vessel=Vessel.BEER_BOTTLE)  # type: ignore[arg-type]
