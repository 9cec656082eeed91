"""Plans lie where their kind of must lies."""

from __future__ import annotations

import pytest
from numpy.random import default_rng

from monitor.ferment.premise import MustKind
from monitor.replay.kinetics import gravity_of
from monitor.replay.scenario import SCENARIOS, with_chill

# the gravities at which such musts are made (common practice)
GRAVITIES = {
    "session": (1.035, 1.050, {MustKind.HONEY}),
    "strong": (1.080, 1.120, {MustKind.HONEY}),
    "wort": (1.040, 1.065, {MustKind.MALT}),
    "cider": (1.045, 1.060, {MustKind.FRUIT}),
    "country": (1.050, 1.085, {MustKind.SUGAR}),
}


@pytest.mark.parametrize("scenario", sorted(GRAVITIES))
def test_original_gravity_is_what_its_sugars_give(scenario: str) -> None:
    """Sugars and the unfermentable rest dissolve to the gravity planned, within the range of the kind."""
    low, high, kinds = GRAVITIES[scenario]
    rng = default_rng(3)
    for _ in range(20):
        plan = SCENARIOS[scenario](rng)
        assert low <= plan.gravity_sg <= high
        assert plan.kind in kinds
        wort = plan.wort
        extract = sum(sugar.grams_l for sugar in wort.sugars) + wort.unfermentable_g_l
        zero = default_rng(0).normal(size=1) * 0.0
        assert float(gravity_of(zero + extract, zero, zero, wort.salts_kg_m3)[0]) == pytest.approx(
            plan.gravity_sg
        )
        assert all(sugar.grams_l >= 0.0 for sugar in wort.sugars)


def test_every_plan_is_fit_to_ferment() -> None:
    """Room and yeast fit together, and what should stall has something that stalls it."""
    rng = default_rng(4)
    for scenario, draw in SCENARIOS.items():
        for _ in range(10):
            plan = draw(rng)
            assert plan.strain.coldest_c < plan.room.mean_c < plan.strain.hottest_c
            assert plan.stalls == scenario.endswith("stall")
            assert (plan.sweetened_points is not None) == (scenario in ("sweetened", "restarts"))


def test_a_chill_is_a_spell_of_the_room() -> None:
    """It begins at the hour given and lasts as many days as planned."""
    plan = with_chill(SCENARIOS["cold-stall"](default_rng(5)), 100.0)
    (spell,) = plan.room.spells
    assert (spell.from_h, spell.until_h, spell.by_c) == (100.0, 100.0 + 24.0 * plan.chill_days, plan.chill_c)
