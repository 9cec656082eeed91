"""From a sheet and what was measured to what a plan is worked out from."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.batch.facts import facts_of, unfermentable_share
from monitor.batch.journal import entry
from monitor.batch.sheet import Sheet, Vessel
from monitor.errors import InputError
from monitor.ferment.event import JournalKind
from monitor.ferment.premise import Must, MustKind
from monitor.must.alcohol import attenuation, composition
from monitor.must.liquid import unfermented


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
    assert not facts_of(replace(sheet, carbonation_volumes=0.0), gravity_sg=0.998).volumes_assumed
    assert (facts.vessel_l, facts.sweeten_to_sg, facts.ph) == (20.0, 1.010, 3.4)


def test_what_is_unknown_stays_unknown(sheet: Sheet) -> None:
    """No expectation is None, nor is a temperature or a dose made up; one that no mead has is none."""
    facts = facts_of(sheet, gravity_sg=0.998)
    assert facts.expected_final_gravity_sg is None
    assert facts.temperature_c is None
    assert facts_of(sheet, gravity_sg=0.998, temperature_c=85.0).temperature_c is None
    assert not facts.stabilised
    assert facts.free_so2_mg_l is None
    assert facts.sorbate_g is None
    assert (facts.volumes_assumed, facts.keg_assumed) == (True, True)


def test_added_sugar_is_counted_where_the_float_read_it(sheet: Sheet) -> None:
    """After a feed the original gravity alone no longer tells the alcohol; with the rise it does."""
    fed = facts_of(sheet, gravity_sg=0.998, added_points=12.0)
    assert (fed.original_gravity_sg, fed.added_points) == (1.040, 12.0)
    assert facts_of(sheet, gravity_sg=0.998, added_points=math.nan).original_gravity_sg is None


def test_a_wish_that_is_met_asks_for_nothing(sheet: Sheet) -> None:
    """A batch that stands at its target or above it is not sweetened, and the target is kept in sight."""
    for gravity_sg in (1.010, 1.012):
        facts = facts_of(sheet, gravity_sg=gravity_sg)
        assert (facts.sweeten_to_sg, facts.passed_sg) == (None, 1.010)
    assert facts_of(sheet, gravity_sg=0.998).passed_sg is None


@pytest.mark.parametrize(
    ("kind", "name", "drink"),
    [
        (MustKind.HONEY, "Porch", "mead"),
        (MustKind.HONEY, "Wine barrel", "mead"),
        (MustKind.MALT, "Porch", "beer"),
        (MustKind.FRUIT, "Orchard Cider 2", "cider"),
        (MustKind.FRUIT, "Elder wine", "wine"),
        (MustKind.FRUIT, "Plum mead", "batch"),
        (MustKind.FRUIT, "Porch", "batch"),
        (MustKind.SUGAR, "Porch", "batch"),
        (None, "Heather mead", "mead"),
        (None, "Cider or wine", "batch"),
        (None, "Ciderhouse", "batch"),
    ],
)
def test_a_batch_is_called_by_its_kind(sheet: Sheet, kind: MustKind | None, name: str, drink: str) -> None:
    """The must decides, the name where it leaves several; what is not known is a batch."""
    called = replace(sheet, name=name, must=replace(sheet.must, kind=kind))
    assert facts_of(called, gravity_sg=0.998).drink == drink


def test_what_is_missing_is_named(sheet: Sheet) -> None:
    """Without a gravity or a volume there is no plan, and the error says which."""
    with pytest.raises(InputError, match="gravity"):
        facts_of(sheet, gravity_sg=None)
    bare = Sheet(slug="bare", name="Bare", pitched_ms=0)
    with pytest.raises(InputError, match="volume"):
        facts_of(bare, gravity_sg=0.998)


def test_the_journal_tells_of_stabilising(sheet: Sheet) -> None:
    """An entry is known; the grams in its words are not read."""
    done = entry(JournalKind.STABILISED, done_ms=5, at_ms=5, note="1.82 g metabisulfite")
    racked = entry(JournalKind.RACKED, done_ms=6, at_ms=6)
    facts = facts_of(sheet, gravity_sg=0.998, journal=[done, racked])
    assert facts.stabilised
    assert facts.free_so2_mg_l is None
    assert not facts_of(sheet, gravity_sg=0.998, journal=[racked]).stabilised


def test_what_a_must_leaves_goes_by_its_kind() -> None:
    """Honey a tenth and its glycerol (White 1962: 5.7 to 14.5 %), sugar less, malt two fifths.

    Ordinary worts attenuate by 75 to 80 % apparently (common practice): by Balling 0.34 to 0.39 of their
    extract stays.
    """
    shares = {kind: unfermentable_share(Must(kind)) for kind in (None, *MustKind)}
    assert shares[MustKind.SUGAR] < shares[MustKind.HONEY] < shares[MustKind.FRUIT] < shares[MustKind.MALT]
    assert 0.057 < shares[MustKind.HONEY] < 0.145
    assert 0.34 <= shares[MustKind.MALT] <= 0.40
    assert shares[None] == pytest.approx(shares[MustKind.HONEY], abs=0.002)


def test_an_early_end_leaves_sugar_but_in_malt() -> None:
    """A maker's 70 to 80 % tell the dextrins of a wort; of honey they tell a yeast that gave up."""
    early = unfermentable_share(Must(MustKind.HONEY, 1.100, 18.0, (0.70, 0.80)))
    assert early == unfermentable_share(Must(MustKind.HONEY))
    wort = unfermentable_share(Must(MustKind.MALT, 1.050, 18.0, (0.70, 0.80)))
    # real extract by Balling of 1.050 that fell by three quarters, and by the densities
    ended = attenuation(1.050, 1.0125)
    assert wort == pytest.approx(ended.real_extract / ended.original_extract, abs=0.008)
    dense = composition(1.050, 1.0125).extract_g / unfermented(1.050).extract_g
    assert wort == pytest.approx(dense, abs=0.01)


def test_sugar_on_the_way_leaves_little() -> None:
    """Half of it added later: half of what honey leaves, and 4 % of the rest (common practice)."""
    must = Must(MustKind.HONEY, 1.040, 18.0)
    honey = unfermentable_share(must)
    assert unfermentable_share(must, 40.0) == pytest.approx((honey + 0.04) / 2.0)
    assert unfermentable_share(must, math.nan) == honey
