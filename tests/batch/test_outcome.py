"""Where an ended batch ended, and which batches tell nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batch.outcome import REST_DAYS, outcome_of
from monitor.batch.sheet import Sheet
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.offset import SAMPLE_SD, UNKNOWN_SD
from monitor.ferment.premise import Must, MustKind
from monitor.ferment.series import Floats
from monitor.units import MS_PER_DAY

SHEET = Sheet(
    slug="porch",
    name="Porch",
    pitched_ms=0,
    must=Must(MustKind.HONEY, 1.046),
    gravity_sensor="float-a",
    recipe="1.2 kg of heather honey",
    ended_ms=20 * MS_PER_DAY,
)
FINISHES = ((12 * MS_PER_DAY, 20 * MS_PER_DAY),)


def deed(kind: JournalKind, day: float) -> JournalEntry:
    """Something done on a day."""
    return JournalEntry(kind, round(day * MS_PER_DAY), round(day * MS_PER_DAY), "")


def course(original: float = 46.0, final: float = -2.0, days: int = 20) -> Floats:
    """Hourly levels of a smooth fall that is over after ten days."""
    return final + (original - final) * np.exp(-np.arange(days * 24) / 36.0)


def test_the_last_hand_sample_since_the_finish_is_the_end() -> None:
    """It is believed before the float, with a hydrometer's error; what was read before it does not count."""
    samples = [(13 * MS_PER_DAY, -1.0), (19 * MS_PER_DAY, -1.5), (5 * MS_PER_DAY, 8.0)]
    told = outcome_of(SHEET, [], finishes=FINISHES, samples=samples, float_points=course())
    assert told is not None
    assert told.final_gravity_sg == pytest.approx(0.9985)
    assert told.error_points == SAMPLE_SD
    assert told.attenuation == pytest.approx(47.5 / 46.0)  # check: (46 - -1.5) / 46
    assert (told.recipe, told.kind) == (SHEET.recipe, MustKind.HONEY)


def test_a_float_is_put_right_by_the_sample_before_pitching() -> None:
    """One that reads three points high all along ends three points high: the original gravity says so."""
    told = outcome_of(SHEET, [], finishes=FINISHES, float_points=course() + 3.0)
    assert told is not None
    # the float's first hours are past the pitch: within a point, and nearly as unsure as an unchecked one
    assert (told.final_gravity_sg - 1.0) * 1000.0 == pytest.approx(-2.0, abs=2.6)
    assert 1.0 < told.error_points <= UNKNOWN_SD


def test_a_day_of_cleaning_does_not_move_the_end() -> None:
    """The float's last hours in a sink of water are outvoted by the days before."""
    washed = course()
    washed[-24:] = 0.0
    clean = outcome_of(SHEET, [], finishes=FINISHES, float_points=course())
    told = outcome_of(SHEET, [], finishes=FINISHES, float_points=washed)
    assert clean is not None
    assert told is not None
    assert REST_DAYS * 24 > 2 * 24
    assert told.final_gravity_sg == pytest.approx(clean.final_gravity_sg, abs=1e-4)


@pytest.mark.parametrize(
    "kind", [JournalKind.SWEETENED, JournalKind.SUGAR_ADDITION, JournalKind.INFUSION_IN, JournalKind.PACKAGED]
)
def test_what_the_maker_does_after_the_finish_changes_nothing(kind: JournalKind) -> None:
    """Sweetened to 1.012, primed or flavoured on the day 15: the gravity before that is the ferment's own."""
    sweet = course()
    sweet[15 * 24 :] = 12.0
    samples = [(14 * MS_PER_DAY, -2.0), (16 * MS_PER_DAY, 12.0)]
    told = outcome_of(SHEET, [deed(kind, 15.0)], finishes=FINISHES, samples=samples, float_points=sweet)
    assert told is not None
    assert told.final_gravity_sg == pytest.approx(0.998)
    told = outcome_of(SHEET, [deed(kind, 15.0)], finishes=FINISHES, float_points=sweet)
    assert told is not None
    assert told.final_gravity_sg == pytest.approx(0.998, abs=3e-3)


def test_a_sample_after_stabilising_counts_until_it_is_sweetened() -> None:
    """Sulfite and sorbate leave the gravity as it is; what was stabilised too early never finished."""
    deeds = [deed(JournalKind.STABILISED, 14.0), deed(JournalKind.SWEETENED, 17.0)]
    samples = [(15 * MS_PER_DAY, -1.5), (18 * MS_PER_DAY, 12.0)]
    told = outcome_of(SHEET, deeds, finishes=FINISHES, samples=samples, float_points=course())
    assert told is not None
    assert told.final_gravity_sg == pytest.approx(0.9985)
    arrested = [deed(JournalKind.STABILISED, 4.0)]
    same = [(14 * MS_PER_DAY, 9.0), (18 * MS_PER_DAY, 9.0)]
    assert outcome_of(SHEET, arrested, finishes=(), samples=same, float_points=course(final=9.0)) is None


@pytest.mark.parametrize("kind", [JournalKind.SUGAR_ADDITION, JournalKind.SWEETENED])
def test_a_batch_fed_under_way_tells_nothing(kind: JournalKind) -> None:
    """Its original gravity is no measure of what went."""
    assert outcome_of(SHEET, [deed(kind, 3.0)], finishes=FINISHES, float_points=course()) is None


def test_sugar_that_nobody_wrote_down_is_seen() -> None:
    """A rise of ten points on the fourth day that stays."""
    fed = course()
    fed[96:] += 10.0 * np.exp(-np.arange(fed.size - 96) / 48.0)
    assert outcome_of(SHEET, [], finishes=FINISHES, float_points=fed) is None


def test_what_never_finished_tells_nothing() -> None:
    """No word of a finish, one taken back, a stall that the maker gave up on."""
    levels, same = course(final=14.0), [(14 * MS_PER_DAY, 14.0), (17 * MS_PER_DAY, 14.0)]
    stalls = ((9 * MS_PER_DAY, 20 * MS_PER_DAY),)
    taken_back = ((12 * MS_PER_DAY, 13 * MS_PER_DAY),)
    assert outcome_of(SHEET, [], finishes=(), float_points=levels) is None
    assert outcome_of(SHEET, [], finishes=taken_back, float_points=levels) is None
    assert outcome_of(SHEET, [], finishes=(), stalls=stalls, samples=same, float_points=levels) is None


def test_a_finish_that_came_after_one_taken_back_counts() -> None:
    """Only what stood until the maker went on does."""
    spans = ((6 * MS_PER_DAY, 7 * MS_PER_DAY), *FINISHES)
    assert outcome_of(SHEET, [], finishes=spans, float_points=course()) is not None


def test_two_equal_samples_days_apart_are_a_finish() -> None:
    """For makers without a float; a fall between them or a single day is none."""
    by_hand = replace(SHEET, gravity_sensor=None)
    day = MS_PER_DAY
    told = outcome_of(by_hand, [], finishes=(), samples=[(14 * day, -1.0), (17 * day, -1.5)])
    assert told is not None
    assert told.final_gravity_sg == pytest.approx(0.9985)
    for pair in ([(14 * day, 4.0), (17 * day, -1.5)], [(14 * day, -1.5), (15 * day, -1.5)]):
        assert outcome_of(by_hand, [], finishes=(), samples=pair) is None


@pytest.mark.parametrize(
    "samples",
    [
        [(6, 22.0), (9, 20.0), (15, 20.0)],
        [(0, 46.0), (4, 46.0)],
        [(3 * place, 8.0 - place) for place in range(7)],
    ],
)
def test_equal_samples_of_a_stall_or_a_slow_fall_tell_nothing(samples: list[tuple[int, float]]) -> None:
    """Far above its end, as pitched, or a point lower every three days: no must ends there."""
    taken = [(day * MS_PER_DAY, points) for day, points in samples]
    assert outcome_of(SHEET, [], finishes=[], samples=taken) is None


def test_an_open_batch_or_one_without_original_gravity_tells_nothing() -> None:
    """Nor does one so thin that a point is a tenth of it."""
    for sheet in (
        replace(SHEET, ended_ms=None),
        replace(SHEET, must=Must(MustKind.HONEY)),
        replace(SHEET, must=Must(MustKind.HONEY, 1.008)),
    ):
        assert outcome_of(sheet, [], finishes=FINISHES, float_points=course()) is None


_DAY = st.integers(0, 25 * MS_PER_DAY)
_POINTS = st.floats(-30.0, 120.0)


@given(
    st.lists(st.builds(deed, st.sampled_from(JournalKind), st.floats(0.0, 25.0)), max_size=4),
    st.lists(st.tuples(_DAY, st.none() | _DAY), max_size=3),
    st.lists(st.tuples(_DAY, st.none() | _DAY), max_size=2),
    st.lists(st.tuples(_DAY, _POINTS), max_size=4),
    st.none() | st.lists(_POINTS | st.just(math.nan), max_size=120),
)
def test_whatever_is_on_record_gives_an_end_below_the_beginning_or_nothing(
    journal: list[JournalEntry],
    finishes: list[tuple[int, int | None]],
    stalls: list[tuple[int, int | None]],
    samples: list[tuple[int, float]],
    levels: list[float] | None,
) -> None:
    """Any journal, alerts, samples and float: never an error, never a gravity above the original one."""
    points = None if levels is None else np.repeat(np.array(levels, float), 4)
    told = outcome_of(SHEET, journal, finishes=finishes, stalls=stalls, samples=samples, float_points=points)
    if told is not None:
        assert told.final_gravity_sg < told.original_gravity_sg
        assert told.error_points > 0.0
