"""Alcohol by both gravities, later sugar counted in."""

from __future__ import annotations

import math

import pytest

from monitor.batch.sheet import Sheet
from monitor.batch.strength import attenuated, counted_original_sg
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
