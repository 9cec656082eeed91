"""Hand samples in doubt: beside a float, and by the sample before."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.ferment import wording
from monitor.ferment.doubt import doubts
from monitor.ferment.emission import Phase
from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must, Premise
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, Quantity

from . import states

FLOAT = np.full(500, 12.0)
SILENT = np.full(0, np.nan)
DAY_H = 24


def at(hour: float) -> int:
    """So many hours after pitching."""
    return round(hour * MS_PER_HOUR)


def apart(
    samples: list[tuple[float, float]], points: np.ndarray, sugar_hour: float | None = None
) -> list[float]:
    """By how many points those in doubt are off."""
    sugar = [] if sugar_hour is None else [_sugar(sugar_hour)]
    taken = [(at(hour), value) for hour, value in samples]
    return [one.apart_points for one in doubts(taken, 0, points, sugar)]


def _sugar(hour: float) -> JournalEntry:
    return JournalEntry(JournalKind.SUGAR_ADDITION, at(hour), at(hour))


def test_what_is_far_off_the_float_is_in_doubt_until_another_agrees() -> None:
    """Twenty points above alone are in doubt, two of them are not: then it is the float that is off."""
    assert apart([(100, 12.5), (200, 32.0)], FLOAT) == [pytest.approx(19.5)]
    assert apart([(100, 12.5), (200, 32.0), (201, 31.0)], FLOAT) == []
    assert apart([(100, 16.0)], FLOAT) == []


def test_one_that_agrees_with_the_float_is_not_in_doubt_after_one_that_did_not() -> None:
    """The slip stays in doubt, what was taken after it is believed."""
    assert apart([(200, 32.0), (201, 12.0)], FLOAT) == [pytest.approx(20.0)]


def test_a_rise_without_sugar_is_in_doubt() -> None:
    """1.030 sixteen minutes after 1.012; with sugar between them, or by less, it is not; nor is any fall."""
    rise = [(100.0, 12.0), (100.0 + 16.0 / 60.0, 30.0)]
    assert apart(rise, SILENT) == [pytest.approx(18.0)]
    assert apart(rise, SILENT, sugar_hour=100.1) == []
    assert apart(rise, SILENT, sugar_hour=99.0) == [pytest.approx(18.0)]
    assert apart([(100, 12.0), (101, 15.0), (102, -2.0)], SILENT) == []


def _stands(*samples: tuple[float, float], float_sg: float | None = 1.012) -> Pipeline:
    events: list[Event] = []
    if float_sg is not None:
        events += [
            Reading("float", Quantity.GRAVITY, at(hour), float_sg, at(hour)) for hour in range(10 * DAY_H)
        ]
    events += [Reading("hand.a", Quantity.SAMPLE_GRAVITY, at(h), value, at(h)) for h, value in samples]
    pipeline = Pipeline(Premise(0, Must(original_gravity_sg=1.052)))
    for event in (*sorted(events, key=lambda one: one.at_ms), Tick(at(10 * DAY_H) + 1)):
        pipeline.step(event)
    return pipeline


def test_a_sample_in_doubt_is_named_at_every_look_until_it_is_settled() -> None:
    """A day later still; once another agrees with it, or ten days later, no more."""
    told = _stands((9 * DAY_H, 1.032)).snapshot
    assert told.evidence.doubt_points == pytest.approx(20.0)
    assert "hand sample taken 24 h ago reads 20 points above the float: take another" in told.reason
    assert math.isnan(_stands((9 * DAY_H, 1.032), (9 * DAY_H + 1, 1.032)).snapshot.evidence.doubt_points)
    assert math.isnan(_stands((0, 1.032), (9 * DAY_H, 1.012)).snapshot.evidence.doubt_rise_points)


def test_a_rise_by_hand_alone_is_named() -> None:
    """Without a float the sample before it speaks against it."""
    told = _stands((9 * DAY_H, 1.012), (9 * DAY_H + 0.25, 1.030), float_sg=None).snapshot
    assert "reads 18 points above the one before it, and no sugar is in the journal: take" in told.reason
    assert "tells whether it still falls" not in told.reason
    settled = _stands((8 * DAY_H, 1.012), (9 * DAY_H, 1.030), (9 * DAY_H + 1, 1.012), float_sg=None)
    assert "before anything is done" not in settled.snapshot.reason


@pytest.mark.parametrize("phase", [Phase.FINISHED, Phase.SLOWING, Phase.STALLED, Phase.ACTIVE])
def test_what_contradicts_the_float_takes_the_place_of_advice(phase: Phase) -> None:
    """No fall is foretold, no stabilising asked for, while nobody knows which of the two is right."""
    doubted = replace(states.RESTING, doubt_points=20.0, doubt_hours=0.2, left_p50=20.0, left_p95=22.0)
    for said in (wording.reason(phase, doubted), wording.finished(doubted, rests=False)):
        assert "The hand sample taken just now reads 20 points above the float: take another, or" in said
        for words in ("to fall", "stabilise", "usually ends"):
            assert words not in said
    assert "do not bottle" in wording.stalled(doubted).lower()
    assert "rouse" not in wording.stalled(doubted)


def test_minutes_old_is_just_now() -> None:
    """Nothing was taken 0 h ago."""
    assert wording.ago(16 * MS_PER_MINUTE / MS_PER_HOUR) == "just now"
    assert wording.ago(5.0) == "5 h ago"
