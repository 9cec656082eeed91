"""A batch told again from the store, with the thresholds that are set or with others."""

from __future__ import annotations

import pytest

from monitor.batch.journal import entry
from monitor.errors import InputError
from monitor.ferment.emission import AlertKind, Phase
from monitor.ferment.event import JournalKind
from monitor.ferment.pipeline import Analysis
from monitor.units import MS_PER_DAY, MS_PER_HOUR
from monitor.web.history import Past, tell
from monitor.web.tuning import Trials, knobs, tried, tuned

from .rooms import PITCHED_MS, Cellar, a_sheet, readings_of

SLUG = "dry-one"


@pytest.fixture
def done(cellar: Cellar) -> Cellar:
    """A ferment that ran out four days ago."""
    cellar.now_ms = PITCHED_MS + 14 * MS_PER_DAY
    sheet = a_sheet(SLUG)
    cellar.add(sheet, readings_of(sheet, 14.0))
    return cellar


def test_history_says_what_was_said_live(done: Cellar) -> None:
    """The same events through the same pipeline give the phases that the watch has seen."""
    told = tell(done.store, SLUG, Analysis(), done.now_ms + 1)
    assert list(told.phases) == list(done.phases(SLUG))
    assert told.snapshot == done.snapshots()[SLUG]
    assert AlertKind.FINISHED in [alert.kind for alert in told.alerts]


def test_history_stops_where_it_is_told(done: Cellar) -> None:
    """Up to a day ago it says no more than was known by then."""
    early = tell(done.store, SLUG, Analysis(), PITCHED_MS + 3 * MS_PER_DAY)
    assert early.snapshot.at_ms <= PITCHED_MS + 3 * MS_PER_DAY
    assert Phase.FINISHED not in [change.phase for change in early.phases]


def test_history_is_computed_once_until_something_changes(busy: Cellar) -> None:
    """The same question gives the very same answer object; a deed makes it new."""
    past = Past(busy.store, Analysis())
    first = past.of("plum-batch", busy.now_ms)
    assert past.of("plum-batch", busy.now_ms) is first
    note = entry(JournalKind.NOTE, done_ms=busy.now_ms, at_ms=busy.now_ms, note="looked at")
    busy.store.batches.write_down("plum-batch", note)
    assert past.of("plum-batch", busy.now_ms) is not first


def test_a_longer_dwell_tells_later(done: Cellar) -> None:
    """With two more days of patience the finish is told two days later, and no sooner: what breaks off
    meanwhile begins anew. Nothing is kept.
    """
    before = done.store.alerts.listed()
    trials = Trials(done.store, Analysis())
    wished = {"finished_dwell": Analysis().alerts.finished_dwell + 48.0}
    present, other = tried(done.ports(), trials, SLUG, wished)
    at = [next(a.fired_ms for a in one.alerts if a.kind is AlertKind.FINISHED) for one in (present, other)]
    assert at[1] - at[0] >= 2 * MS_PER_DAY
    assert done.store.alerts.listed() == before
    told = tell(done.store, SLUG, tuned(Analysis(), wished), done.now_ms)
    assert repr((other.phases, other.alerts)) == repr((told.phases, told.alerts))
    assert repr(other.snapshot) == repr(told.snapshot)


def test_a_batch_is_measured_once_for_all_that_is_tried(done: Cellar) -> None:
    """The same evidence serves every threshold, until an hour has gone by or a deed is written down."""
    trials = Trials(done.store, Analysis())
    first, _ = trials.tried(SLUG, {"finished_dwell": 1.0}, done.now_ms)
    again, _ = trials.tried(SLUG, {"finished_dwell": 3.0}, done.now_ms)
    assert again is first
    note = entry(JournalKind.NOTE, done_ms=done.now_ms, at_ms=done.now_ms, note="tasted")
    done.store.batches.write_down(SLUG, note)
    after, same = trials.tried(SLUG, {}, done.now_ms)
    assert after is not first
    assert same is after
    later, _ = trials.tried(SLUG, {}, done.now_ms + MS_PER_HOUR)
    assert later is not after


def test_thresholds_that_are_none_are_refused() -> None:
    """An unknown threshold and one out of range are named; each sets itself alone."""
    with pytest.raises(InputError, match="'patience'"):
        tuned(Analysis(), {"patience": 1.0})
    with pytest.raises(InputError, match="finished_dwell"):
        tuned(Analysis(), {"finished_dwell": -1.0})
    labels = [knob.label for knob in knobs(Analysis())]
    assert "Finished: told once it has held, hours" in labels
    assert len(labels) == len(set(labels))
    before = {knob.name: knob.value for knob in knobs(Analysis())}
    for knob in knobs(Analysis()):
        after = {one.name: one.value for one in knobs(tuned(Analysis(), {knob.name: knob.highest / 2}))}
        assert after == {**before, knob.name: knob.highest / 2}
