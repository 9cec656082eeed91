"""A recording hour by hour."""

from __future__ import annotations

import io
from contextlib import nullcontext

import numpy as np
import pytest

from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.recording import Recording, RowFaults
from monitor.replay.track import track_of
from monitor.units import MS_PER_HOUR, ms_from_rfc3339

PITCHED_MS = ms_from_rfc3339("2026-03-01T06:00:00Z")
HEADING = "time,sensor,quantity,value,unit,received\n"


def recording(rows: str, premise: Premise | None = None) -> Recording:
    def lines():
        return nullcontext(io.StringIO(HEADING + rows))

    return Recording("r", "R", premise or Premise(PITCHED_MS), (), Truth(), lines)


def test_each_hour_has_its_least_median_and_greatest() -> None:
    """As numpy has them; an hour without a reading is not there."""
    rng = np.random.default_rng(5)
    minutes = np.sort(rng.choice(np.delete(np.arange(600), np.s_[120:180]), 200, replace=False))
    values = rng.normal(1.03, 0.001, 200).round(5)
    rows = "".join(
        f"2026-03-01T{6 + minute // 60:02d}:{minute % 60:02d}:00Z,a,gravity,{value},sg,\n"
        for minute, value in zip(minutes, values, strict=True)
    )
    found = track_of(recording(rows)).gravity
    for place, hour in enumerate([0, 1, 3, 4, 5, 6, 7, 8, 9]):
        own = values[minutes // 60 == hour]
        assert found.time_ms[place] == PITCHED_MS + hour * MS_PER_HOUR + MS_PER_HOUR // 2
        assert (found.low[place], found.median[place], found.high[place]) == pytest.approx(
            (own.min(), np.median(own), own.max())
        )
    assert len(found) == 9


def test_the_named_sensor_is_believed_or_else_the_first() -> None:
    """The other is not looked at."""
    rows = "2026-03-01T06:00:00Z,a,gravity,1.04,sg,\n2026-03-01T06:00:00Z,b,gravity,1.05,sg,\n"
    assert track_of(recording(rows)).gravity.median.tolist() == [1.04]
    assert track_of(recording(rows, Premise(PITCHED_MS, gravity_sensor="b"))).gravity.median.tolist() == [
        1.05
    ]


def test_times_that_cannot_be_are_those_of_arrival() -> None:
    """A clock a year ahead counts when it is heard; a float on the bench a week before does not."""
    rows = (
        "2026-02-20T06:00:00Z,a,gravity,1.0,sg,\n"
        "2026-03-01T06:00:00Z,a,gravity,1.04,sg,\n"
        "2027-03-01T06:00:00Z,a,gravity,1.05,sg,2026-03-01T07:00:00Z\n"
    )
    found = track_of(recording(rows)).gravity
    assert found.median.tolist() == [1.04, 1.05]
    assert np.diff(found.time_ms).tolist() == [3_600_000]


def test_an_empty_recording_is_an_empty_track() -> None:
    """It ends when it begins; faults are counted."""
    faults = RowFaults()
    found = track_of(recording("rubbish\n"), faults)
    assert (len(found.gravity), len(found.temperature), found.ended_ms) == (0, 0, PITCHED_MS)
    assert faults.count == 1


def test_hand_samples_stand_apart() -> None:
    """They are no readings of the float."""
    rows = "2026-03-01T06:00:00Z,hand,sample_gravity,1.041,sg,\n2026-03-01T06:00:00Z,a,gravity,1.04,sg,\n"
    found = track_of(recording(rows))
    assert found.sample_sg.tolist() == [1.041]
    assert found.gravity.median.tolist() == [1.04]
