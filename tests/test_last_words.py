"""Where an ended batch stood, from the store alone."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from monitor.batch.journal import hand_sample
from monitor.batch.sheet import Sheet
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.premise import Must
from monitor.last_words import LastWords, doubt, last_words
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

PITCHED_MS = 1_767_463_200_000
END_MS = PITCHED_MS + 20 * MS_PER_DAY
SHEET = Sheet(
    slug="porch",
    name="Porch",
    pitched_ms=PITCHED_MS,
    must=Must(None, 1.040, 18.0),
    gravity_sensor="float",
    ended_ms=END_MS,
)


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with a float that reads 1.000 from day 10 to day 20, of a fall before it."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        opened.batches.start(SHEET, at_ms=PITCHED_MS)
        moments = range(PITCHED_MS, END_MS, MS_PER_HOUR)
        values = (max(1.040 - 0.004 * (at - PITCHED_MS) / MS_PER_DAY, 1.000) for at in moments)
        opened.readings.commit(
            [Reading("float", Quantity.GRAVITY, at, v, at) for at, v in zip(moments, values, strict=True)]
        )
        yield opened


def take(store: SqlStore, day: float, gravity_sg: float) -> int:
    """Write down a hand sample; when it was taken."""
    at_ms = PITCHED_MS + round(day * MS_PER_DAY)
    sample = hand_sample(SHEET, gravity_sg=gravity_sg, time_ms=at_ms, received_ms=at_ms)
    store.readings.record_sample("porch", sample)
    return at_ms


def stood(store: SqlStore, *journal: JournalEntry, sensor: str | None = "float") -> LastWords:
    """What is told of it."""
    return last_words(store, SHEET, sensor, journal)


def sweetened(day: float) -> JournalEntry:
    """Honey that went in."""
    at_ms = PITCHED_MS + round(day * MS_PER_DAY)
    return JournalEntry(JournalKind.SWEETENED, at_ms, at_ms)


def test_the_floats_last_day_is_corrected_by_hand_samples(store: SqlStore) -> None:
    """The float reads 1.000, the maker's sample of day 12 read 1.004: it ended at 1.004."""
    take(store, 12.0, 1.004)
    found = stood(store)
    assert found.gravity_sg == pytest.approx(1.004)
    assert (found.sampled_ms, found.added_points) == (None, 0.0)
    assert found.offset_points == pytest.approx(4.0)


def test_a_sample_near_the_end_goes_before_the_float(store: SqlStore) -> None:
    """Taken a day before the end it is the word."""
    at_ms = take(store, 19.0, 1.002)
    assert stood(store).sampled_ms == at_ms
    assert stood(store).gravity_sg == pytest.approx(1.002)


def test_without_a_float_the_last_sample_is_the_end_and_tells_the_honey(store: SqlStore) -> None:
    """0.999 on day 10, honey on day 11, 1.010 on day 12: it ended at 1.010, with 11 points added."""
    take(store, 10.0, 0.999)
    at_ms = take(store, 12.0, 1.010)
    found = stood(store, sweetened(11.0), sensor=None)
    assert found.gravity_sg == pytest.approx(1.010)
    assert found.sampled_ms == at_ms
    assert found.added_points == pytest.approx(11.0)


def test_what_nobody_measured_is_unknown(store: SqlStore) -> None:
    """No float, no sample: no gravity, and honey of unknown weight."""
    found = stood(store, sweetened(11.0), sensor=None)
    assert found.gravity_sg is None
    assert math.isnan(found.added_points)


def test_a_sample_far_off_the_float_is_doubted(store: SqlStore) -> None:
    """1.016 on a float at 1.000 is doubted, 1.003 is not; with another 1.016 the float is."""
    at_ms = PITCHED_MS + 15 * MS_PER_DAY

    def said(gravity_sg: float) -> str:
        return doubt(
            store, SHEET, hand_sample(SHEET, gravity_sg=gravity_sg, time_ms=at_ms, received_ms=at_ms)
        )

    assert said(1.016) == "That is 16 points above what the float reads: measure again, or take it back."
    assert "10 points below" in said(0.990)
    assert said(1.003) == ""
    take(store, 14.0, 1.016)
    assert said(1.016) == ""
    late = hand_sample(SHEET, gravity_sg=1.016, time_ms=END_MS + MS_PER_DAY, received_ms=END_MS + MS_PER_DAY)
    assert doubt(store, SHEET, late) == ""
