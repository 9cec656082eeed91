"""Alcohol by both gravities, later sugar counted in."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.batch.facts import facts_of
from monitor.batch.sheet import Sheet
from monitor.batch.standing import standing_document
from monitor.batch.strength import attenuated, counted_original_sg
from monitor.cellar.plan import batch_liquid
from monitor.ferment.emission import Phase
from monitor.ferment.evidence import Evidence
from monitor.ferment.pipeline import Snapshot
from monitor.ferment.premise import Must, MustKind

SHEET = Sheet(slug="porch", name="Porch", pitched_ms=0, must=Must(MustKind.HONEY, 1.040, 18.0))


def test_a_fed_batch_is_as_strong_as_the_whole_must_would_be() -> None:
    """12 points fed to 1.040 and fermented to 1.000 are a must of 1.052: 52 points at 0.131 % each are 6.8 %
    (common practice, to 0.2)."""
    fed = attenuated(SHEET, 1.000, 12.0)
    assert fed is not None
    assert fed.abv == pytest.approx(0.131 * 52.0, abs=0.2)


def test_honey_to_sweeten_makes_no_alcohol() -> None:
    """Sweetened from 1.000 to 1.012, by 12 points, it stays as strong as it was (to 0.2)."""
    dry, sweet = attenuated(SHEET, 1.000, 0.0), attenuated(SHEET, 1.012, 12.0)
    assert dry is not None
    assert sweet is not None
    assert sweet.abv == pytest.approx(dry.abv, abs=0.2)


def test_what_cannot_be_known_is_not_guessed() -> None:
    """No original gravity, no present one, a rise that nobody read, nothing fermented yet, nonsense: None."""
    assert attenuated(Sheet(slug="a", name="A", pitched_ms=0), 1.000, 0.0) is None
    assert attenuated(SHEET, None, 0.0) is None
    assert attenuated(SHEET, 1.000, math.nan) is None
    assert counted_original_sg(SHEET, math.nan) is None
    assert attenuated(SHEET, 1.041, 0.0) is None
    assert attenuated(SHEET, 1.000, 900.0) is None


@pytest.mark.parametrize("gravity_sg", [1.0255, 1.012, 0.998])
def test_the_strength_is_the_plans(gravity_sg: float) -> None:
    """What status and page say is to the last digit what the plan works with."""
    sheet = replace(SHEET, must=Must(MustKind.HONEY, 1.080, 18.0))
    made = attenuated(sheet, gravity_sg, 0.0)
    assert made is not None
    assert made.abv == pytest.approx(batch_liquid(facts_of(sheet, gravity_sg=gravity_sg)).abv, rel=1e-9)
    snapshot = Snapshot(0, Phase.ACTIVE, "", Evidence(0, level_points=(gravity_sg - 1.0) * 1000.0), (), None)
    told = standing_document(sheet, snapshot)["alcohol_abv"]
    assert told == pytest.approx(made.abv, abs=1e-4)
