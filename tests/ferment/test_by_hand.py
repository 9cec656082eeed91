"""Hand samples alone: their last word, whether they stay the same, what sugar they show."""

from __future__ import annotations

import math

import pytest

from monitor.ferment.by_hand import added, last_word
from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.hand_course import same
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must, Premise
from monitor.units import MS_PER_DAY, Quantity

DAY = MS_PER_DAY


def entry(kind: JournalKind, day: float) -> JournalEntry:
    """Something that was done on a day."""
    return JournalEntry(kind, round(day * DAY), round(day * DAY))


def sample(day: float, value_sg: float) -> Reading:
    """A hand sample of a day."""
    return Reading("hand.porch", Quantity.SAMPLE_GRAVITY, round(day * DAY), value_sg, round(day * DAY))


def read(day: float, value_sg: float) -> Reading:
    """A float's reading of a day."""
    return Reading("float", Quantity.GRAVITY, round(day * DAY), value_sg, round(day * DAY))


def told(*events: Event, until_day: float) -> Pipeline:
    """A pipeline that has been told these, in order of time, up to a day."""
    pipeline = Pipeline(Premise(0, Must(original_gravity_sg=1.052)))
    for event in (*sorted(events, key=lambda one: one.at_ms), Tick(round(until_day * DAY) + 1)):
        pipeline.step(event)
    return pipeline


def test_a_point_apart_is_the_same() -> None:
    """0.998 and 0.999 are a point apart, whatever the machine's fractions say."""
    assert same((0.999 - 1.0) * 1000.0, (0.998 - 1.0) * 1000.0)
    assert not same(0.0, 1.1)


def test_the_last_sample_speaks_until_the_float_is_heard_again() -> None:
    """Its age, and for how long the ones before it read the same."""
    samples = [(0, 40.0), (7 * DAY, -2.0), (10 * DAY, -2.0)]
    word = last_word(samples, [], None, 11 * DAY)
    assert (word.points, word.hours, word.same_hours) == (-2.0, 24.0, 72.0)
    assert last_word(samples, [], 9 * DAY, 11 * DAY).points == -2.0
    assert math.isnan(last_word(samples, [], 10 * DAY + 1, 11 * DAY).points)
    assert math.isnan(last_word([], [], None, DAY).points)


def test_samples_on_both_sides_of_sugar_are_not_the_same() -> None:
    """Sugar between two equal samples: the second begins anew."""
    samples = [(7 * DAY, 10.0), (10 * DAY, 10.0)]
    assert last_word(samples, [entry(JournalKind.SWEETENED, 8)], None, 11 * DAY).same_hours == 0.0


def test_samples_before_and_after_tell_the_sugar() -> None:
    """0.999 and 1.010 around honey are 11 points; two additions between the same samples count once."""
    samples = [(7 * DAY, -1.0), (14 * DAY, 10.0)]
    honey = [entry(JournalKind.SWEETENED, 13), entry(JournalKind.SWEETENED, 13.5)]
    assert added(samples, honey) == pytest.approx(11.0)
    assert added(samples, []) == 0.0


@pytest.mark.parametrize(
    "samples", [[(7 * DAY, -1.0)], [(14 * DAY, 10.0)], [(7 * DAY, 9.0), (14 * DAY, -1.0)], []]
)
def test_sugar_that_no_samples_show_is_unknown(samples: list[tuple[int, float]]) -> None:
    """One side missing, or a fall nevertheless: not a number, and not none."""
    assert math.isnan(added(samples, [entry(JournalKind.SWEETENED, 13)]))


def test_what_ferments_asks_for_samples_within_a_day() -> None:
    """Sugar to ferment is not told from samples days apart; nor where other sugar lies between them."""
    near, far = [(9.5 * DAY, 5.0), (10.5 * DAY, 15.0)], [(7 * DAY, 5.0), (10.5 * DAY, 15.0)]
    feed = [entry(JournalKind.SUGAR_ADDITION, 10)]
    assert added([(round(at), value) for at, value in near], feed) == pytest.approx(10.0)
    assert math.isnan(added([(round(at), value) for at, value in far], feed))
    other = [entry(JournalKind.SUGAR_ADDITION, 10.2)]
    assert math.isnan(added([(round(at), value) for at, value in near], feed, other))


def test_hand_samples_alone_are_told_in_words() -> None:
    """Two equal ones three days apart are said to be the maker's own sign, and no verdict is made of them."""
    course = [(0.0, 1.052), (4.0, 1.020), (8.0, 1.002), (11.0, 0.998), (14.0, 0.998)]
    pipeline = told(*(sample(*one) for one in course), until_day=15.0)
    snapshot = pipeline.snapshot
    assert snapshot.phase == "unknown"
    assert "0.9980, 24 h ago" in snapshot.reason
    assert "3 days apart are equal within a point" in snapshot.reason
    assert snapshot.evidence.shown_points == pytest.approx(-2.0)
    assert snapshot.evidence.by_hand_ms == 14 * DAY
    assert snapshot.open_alerts == () or all(one.kind != "finished" for one in snapshot.open_alerts)
    falling = told(*(sample(*one) for one in course[:3]), until_day=8.5)
    assert "tells whether it still falls" in falling.snapshot.reason


def test_a_sample_after_the_float_was_taken_out_is_the_gravity_and_tells_the_honey() -> None:
    """A float heard up to day 12 and racked away; sweetened between samples of 0.999 and 1.010: 11 points."""
    course = [read(hour / 24.0, max(1.052 - 0.0002 * hour, 0.9985)) for hour in range(12 * 24)]
    deeds = [entry(JournalKind.RACKED, 12.1), entry(JournalKind.SWEETENED, 15)]
    events = [*course, *deeds, sample(11.9, 0.999), sample(14.9, 0.999), sample(15.1, 1.010)]
    evidence = told(*events, until_day=18.0).snapshot.evidence
    assert evidence.shown_points == pytest.approx(10.0)
    assert evidence.added_points == pytest.approx(11.0)
    assert math.isnan(told(*events[:-1], until_day=18.0).snapshot.evidence.added_points)


def test_a_float_that_goes_on_reading_keeps_its_word() -> None:
    """A sample is the gravity until the next reading, then the level is, corrected by it."""
    course = [read(hour / 24.0, 1.040) for hour in range(3 * 24)]
    taken = sample(2.0 + 1 / 48, 1.042)
    before = told(*(one for one in course if one.time_ms <= 2 * DAY), taken, until_day=2.0 + 1 / 40)
    assert before.snapshot.evidence.shown_points == pytest.approx(42.0)
    after = told(*course, taken, until_day=3.0 - 1 / 24).snapshot.evidence
    assert math.isnan(after.by_hand_points)
    assert after.shown_points == after.level_points == pytest.approx(42.0, abs=0.2)


def test_what_the_float_read_is_kept_when_hand_samples_tell_the_rest() -> None:
    """Fed by 20 points under the float, sweetened by 11 when it was out: 31 all together."""
    course = [
        read(hour / 24.0, max(1.052 - 0.0002 * hour, 1.000) + (0.020 if hour >= 121 else 0.0))
        for hour in range(14 * 24)
    ]
    deeds = [entry(JournalKind.SUGAR_ADDITION, 5.0), entry(JournalKind.SWEETENED, 20)]
    taken = [sample(19.9, 1.019), sample(20.1, 1.030)]
    evidence = told(*course, *deeds, *taken, until_day=21.0).snapshot.evidence
    assert evidence.added_points == pytest.approx(31.0, abs=1.5)


def test_a_fall_between_samples_is_told() -> None:
    """1.0217 two days ago and 1.0120 now: 9.7 points, and no word of waiting for another."""
    stands = told(sample(5, 1.0217), sample(7, 1.0120), until_day=7).snapshot
    assert "reads 1.0120, just now; it fell 9.7 points in 48 h since the one before it" in stands.reason
    assert "still fermenting" in stands.reason
    assert "tells whether" not in stands.reason
    sugar = entry(JournalKind.SUGAR_ADDITION, 6)
    fed = told(sample(5, 1.0217), sugar, sample(7, 1.0120), until_day=7).snapshot
    assert "it fell" not in fed.reason
