"""What the judge is shown is kept whole, and can be told again with any thresholds."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.replay.player import events_of, play
from monitor.replay.recording import read
from monitor.tune.sets import changed
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, seen_of
from monitor.tune.witness import MEASURED, retold, witness

from .conftest import PLOTS

QUICK = changed(Analysis(), {"finished_doubt": 0.4, "finished_dwell": 2.0, "stalled_dwell": 12.0})


@pytest.mark.parametrize(("place", "analysis"), [(4, Analysis()), (5, QUICK)], ids=["stuck", "again"])
def test_what_is_told_again_is_what_the_pipeline_says(
    archive: Path, records: list[Record], shelf: Shelf, place: int, analysis: Analysis
) -> None:
    """Every emission word for word, and where the batch stands at the end."""
    recording = read(archive / PLOTS[place].name, with_truth=False)
    pipeline = Pipeline(recording.premise, analysis)
    said = list(play(recording, pipeline))
    again = retold(seen_of(records[place], shelf), analysis.thresholds, analysis.alerts)
    assert [repr(one) for one in again.emissions] == [repr(one) for one in said]
    assert repr(again.snapshot) == repr(pipeline.snapshot)


def test_looks_are_the_columns_read_across(records: list[Record], shelf: Shelf) -> None:
    """Moment by moment the figures of the arrays, with the hearings of that moment."""
    seen = seen_of(records[0], shelf)
    looks = list(seen.looks())
    assert len(looks) == seen.moments > 140
    for moment in (0, 60, seen.moments - 1):
        shown, heard = looks[moment]
        assert shown.at_ms == seen.at_ms[moment]
        for name, row in zip(MEASURED, seen.columns, strict=True):
            assert repr(getattr(shown, name)) == repr(float(row[moment]))
        assert [one.sensor for one in heard] == ["float-a"]


def test_a_batch_without_events_has_no_moments() -> None:
    """Nothing was shown, so nothing is told."""
    seen = witness(PLOTS[0].premise, [])
    assert seen.moments == 0
    assert list(seen.looks()) == []
    assert retold(seen, Analysis().thresholds, Analysis().alerts).emissions == ()


def test_the_witness_says_nothing(archive: Path) -> None:
    """What the one in the judge's chair saw of a cut stream is the beginning of the whole."""
    recording = read(archive / "brisk", with_truth=False)
    events = list(events_of(recording))[:120]
    short = witness(recording.premise, events)
    shorter = witness(recording.premise, events[:60])
    assert 0 < shorter.moments < short.moments
    assert repr(shorter.columns.tolist()) == repr(short.columns[:, : shorter.moments].tolist())
