"""Nutrients against makers' factors, exact nitrogen contents and legal limits."""

from __future__ import annotations

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cellar import nutrient as n
from monitor.cellar.nutrient import (
    DIAMMONIUM_PHOSPHATE,
    YEAST_AUTOLYSATE,
    Demand,
    FeedTiming,
    Nutrient,
    Split,
)
from monitor.errors import QuantityError

from .checks import Check

MASSES = "IUPAC masses (half a printed digit)"
FACTORS = (
    "common practice, 0.75/0.90/1.25 mg N per g sugar times SPS-4 sugar, worked out apart (printed digits)"
)
CHECKS = [
    Check(lambda: DIAMMONIUM_PHOSPHATE.nitrogen_mg_per_g, 212.1, 0.1, MASSES),
    Check(partial(n.yan_from_mg_l, DIAMMONIUM_PHOSPHATE, 1.0), 212.0, 0.5, f"{MASSES}, 1 g/L"),
    Check(partial(n.grams_per_l_for, DIAMMONIUM_PHOSPHATE, 100.0), 0.471, 5e-4, f"{MASSES}, 100 mg N/L"),
    Check(
        partial(n.yan_from_mg_l, DIAMMONIUM_PHOSPHATE, 0.1),
        22.5,
        1.4,
        "winery field value: 100 ppm bring 22.5 ppm N, quoted second-hand (known 6 % high)",
    ),
    Check(
        partial(n.yan_from_mg_l, YEAST_AUTOLYSATE, 1.0),
        40.0,
        1e-9,
        "common practice: yeast autolysate about 4 % assimilable by assay (exact)",
    ),
    *(
        Check(partial(n.yan_needed_mg_l, og, demand), yan, 0.6, FACTORS)
        for og, row in (
            (1.040, (78, 93, 130)),
            (1.060, (117, 140, 195)),
            (1.080, (156, 188, 261)),
            (1.100, (196, 235, 326)),
        )
        for demand, yan in zip(Demand, row, strict=True)
    ),
    Check(
        partial(n.sugar_break_sg, 1.040, 0.998),
        1.026,
        5e-4,
        "common practice: third of the fall of 1.040 -> 0.998",
    ),
    *(
        Check(
            partial(n.sugar_break_sg, 1.040, 0.998, share), sg, 1e-4, "mass balance along the ferment (1e-4)"
        )
        for share, sg in (
            (0.10, 1.03577),
            (0.25, 1.02945),
            (1 / 3, 1.02594),
            (0.50, 1.01893),
            (0.75, 1.00846),
        )
    ),
    Check(
        lambda: n.PHOSPHATE_LIMITS[0].most_g_l,
        8 * 453.59237 / 3785.411784,
        0.002,
        "27 CFR 24.246, 8 lb in 1000 US gal, from memory (rounding in the rule)",
    ),
    Check(
        lambda: n.PHOSPHATE_LIMITS[1].most_g_l,
        1.0,
        0.0,
        "wine encyclopaedia: the EU limit on diammonium phosphate is 1 g/L (exact)",
    ),
]


@pytest.mark.parametrize("check", CHECKS)
def test_published_values(check: Check) -> None:
    """Needs, contents and the sugar break agree with what is published or practised."""
    check.hold()


gravities = st.floats(1.010, 1.150)
PRODUCTS = (DIAMMONIUM_PHOSPHATE, YEAST_AUTOLYSATE, Nutrient("another", 80.0, effectiveness=2.0))


@given(st.floats(0.0, 500.0), st.sampled_from(PRODUCTS))
def test_grams_undo_nitrogen(yan: float, product: Nutrient) -> None:
    """The grams for so much nitrogen bring just that much."""
    assert n.yan_from_mg_l(product, n.grams_per_l_for(product, yan)) == pytest.approx(yan)


@given(gravities, st.sampled_from(Demand), st.floats(0.0, 1.0), st.floats(1.0, 100.0), st.sampled_from(Split))
def test_a_plan_brings_the_nitrogen_needed(
    og: float, demand: Demand, share: float, volume_l: float, split: Split
) -> None:
    """The feeds of any blend and split add up to the nitrogen that was lacking."""
    blend = ((DIAMMONIUM_PHOSPHATE, share), (YEAST_AUTOLYSATE, 1.0 - share))
    plan = n.nutrient_plan(volume_l, og, demand=demand, blend=blend, split=split)
    brought = sum(
        portion.grams / volume_l * portion.nutrient.nitrogen_mg_per_g
        for feed in plan.feeds
        for portion in feed.portions
    )
    assert brought == pytest.approx(plan.yan_needed_mg_l, rel=1e-9)
    assert sum(feed.share for feed in plan.feeds) == pytest.approx(1.0)


@given(gravities, st.floats(0.001, 0.03))
def test_more_sugar_needs_more(og: float, more: float) -> None:
    """The need rises with gravity and with the yeast's demand."""
    low, medium, high = (n.yan_needed_mg_l(og, demand) for demand in Demand)
    assert low < medium < high
    assert n.yan_needed_mg_l(og + more, Demand.LOW) > low


def test_feeds_come_after_the_lag_and_at_the_break() -> None:
    """Half after 24 h, half at the third sugar break; or quarters at 24, 48 and 72 h and the break."""
    two = n.nutrient_plan(18.0, 1.040, final_gravity_sg=0.998)
    assert [feed.after_pitching_h for feed in two.feeds] == [24.0, None]
    assert two.feeds[-1].at_gravity_sg == pytest.approx(1.026)
    four = n.nutrient_plan(18.0, 1.040, split=Split.FOUR)
    assert [feed.after_pitching_h for feed in four.feeds] == [24.0, 48.0, 72.0, None]
    assert {feed.share for feed in four.feeds} == {0.25}


def test_a_usual_session_must() -> None:
    """18 L of 1.040 at medium demand: 93.5 mg/L, half from phosphate (4.0 g) and half from autolysate (21
    g)."""
    plan = n.nutrient_plan(18.0, 1.040)
    assert plan.sugar_g_l == pytest.approx(103.9, abs=0.1)
    grams = [sum(feed.portions[i].grams for feed in plan.feeds) for i in range(2)]
    assert grams == [pytest.approx(3.97, abs=0.02), pytest.approx(21.0, abs=0.1)]
    assert plan.limits_exceeded == ()


def test_what_the_must_holds_is_taken_off() -> None:
    """Nitrogen that is there already is not fed again, and enough of it leaves feeds of zero grams."""
    assert n.nutrient_plan(18.0, 1.040, must_yan_mg_l=20.0).yan_added_mg_l == pytest.approx(73.5, abs=0.1)
    rich = n.nutrient_plan(18.0, 1.040, must_yan_mg_l=300.0)
    assert rich.yan_added_mg_l == 0.0
    assert {portion.grams for feed in rich.feeds for portion in feed.portions} == {0.0}


def test_phosphate_limits_are_named() -> None:
    """A strong must fed on phosphate alone passes both limits, and is told of autolysate."""
    plan = n.nutrient_plan(18.0, 1.100, demand=Demand.HIGH, blend=((DIAMMONIUM_PHOSPHATE, 1.0),))
    assert plan.ammonium_phosphate_g_l == pytest.approx(1.54, abs=0.01)
    assert [limit.place for limit in plan.limits_exceeded] == ["US", "EU"]
    assert "autolysate" in plan.cautions[0].text


@pytest.mark.parametrize(
    ("present_sg", "expected"),
    [
        (1.040, FeedTiming.IN_TIME),
        (1.026, FeedTiming.IN_TIME),
        (1.0255, FeedTiming.WITH_CARE),
        (1.019, FeedTiming.WITH_CARE),
        (1.0185, FeedTiming.TOO_LATE),
        (0.998, FeedTiming.TOO_LATE),
    ],
)
def test_late_feeds_are_warned_of(present_sg: float, expected: FeedTiming) -> None:
    """Common practice: full feeds to the third of the fall, none past the half."""
    assert n.feed_timing(1.040, 0.998, present_sg) is expected


def test_every_plan_warns_of_late_feeds_and_foam() -> None:
    """Cautions on late additions and on foaming travel with the plan."""
    texts = " ".join(caution.text for caution in n.nutrient_plan(18.0, 1.040).cautions)
    assert "none past half" in texts
    assert "foam" in texts


def test_blends_must_be_whole() -> None:
    """Shares that do not add up to one, or below zero, raise QuantityError."""
    for shares in ((0.5, 0.4), (1.5, -0.5)):
        blend = tuple(zip((DIAMMONIUM_PHOSPHATE, YEAST_AUTOLYSATE), shares, strict=True))
        with pytest.raises(QuantityError, match="shares"):
            n.nutrient_plan(18.0, 1.040, blend=blend)


def test_impossible_values_are_refused() -> None:
    """SG 2, rising gravities, no volume and a product without nitrogen raise QuantityError."""
    with pytest.raises(QuantityError, match="original gravity"):
        n.yan_needed_mg_l(2.0, Demand.LOW)
    with pytest.raises(QuantityError, match="final gravity"):
        n.sugar_break_sg(1.040, 1.050)
    with pytest.raises(QuantityError, match="volume"):
        n.nutrient_plan(0.0, 1.040)
    with pytest.raises(QuantityError, match="nitrogen of chalk"):
        n.grams_per_l_for(Nutrient("chalk", 0.0), 100.0)
