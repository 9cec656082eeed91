"""From a sheet and what was measured to what a plan is worked out from."""

from __future__ import annotations

import math

import pytest

from monitor.batch.facts import ROOM_C, facts_of
from monitor.batch.sheet import Sheet, Vessel
from monitor.errors import InputError
from monitor.ferment.premise import Must, MustKind


@pytest.fixture
def sheet() -> Sheet:
    """A session mead to be sweetened to 1.010."""
    return Sheet(
        slug="porch",
        name="Porch",
        pitched_ms=0,
        must=Must(MustKind.HONEY, 1.040, 18.0),
        vessel=Vessel(20.0),
        sweeten_to_sg=1.010,
        sample_ph=3.4,
    )


def test_the_batchs_own_numbers_are_taken(sheet: Sheet) -> None:
    """Volume, gravity, temperature, expected end, vessel and wish, as they are."""
    facts = facts_of(sheet, gravity_sg=0.998, temperature_c=0.0, expected_points=-2.0)
    assert (facts.volume_l, facts.gravity_sg, facts.temperature_c) == (18.0, 0.998, 0.0)
    assert facts.expected_final_gravity_sg == pytest.approx(0.998)
    assert (facts.vessel_l, facts.sweeten_to_sg, facts.ph) == (20.0, 1.010, 3.4)


def test_what_is_unknown_stays_unknown(sheet: Sheet) -> None:
    """No expectation is None, no temperature is a room's."""
    facts = facts_of(sheet, gravity_sg=0.998)
    assert facts.expected_final_gravity_sg is None
    assert facts.temperature_c == ROOM_C


def test_added_sugar_is_counted_where_the_float_read_it(sheet: Sheet) -> None:
    """After a feed the original gravity alone no longer tells the alcohol; with the rise it does."""
    fed = facts_of(sheet, gravity_sg=0.998, added_points=12.0)
    assert (fed.original_gravity_sg, fed.added_points) == (1.040, 12.0)
    assert facts_of(sheet, gravity_sg=0.998, added_points=math.nan).original_gravity_sg is None


def test_a_wish_that_is_met_asks_for_nothing(sheet: Sheet) -> None:
    """A batch that stands above its target is not sweetened."""
    assert facts_of(sheet, gravity_sg=1.012).sweeten_to_sg is None


def test_what_is_missing_is_named(sheet: Sheet) -> None:
    """Without a gravity or a volume there is no plan, and the error says which."""
    with pytest.raises(InputError, match="gravity"):
        facts_of(sheet, gravity_sg=None)
    bare = Sheet(slug="bare", name="Bare", pitched_ms=0)
    with pytest.raises(InputError, match="volume"):
        facts_of(bare, gravity_sg=0.998)
