"""What was written down and what of it was taken back: the contract of every engine."""

from __future__ import annotations

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import NotFoundError
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.store.readings import TAKEN_BACK
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind, Checkpoint, Written
from monitor.units import Quantity

SLUG = "orchard-session"
AT_MS = 1_000_000_500


def entry(kind: JournalKind, at_ms: int) -> JournalEntry:
    """Something done and written down at once."""
    return JournalEntry(kind, at_ms, at_ms, "so much")


def sample(at_ms: int, value: float, received_ms: int | None = None, slug: str = SLUG) -> Reading:
    """A hand sample."""
    received = at_ms if received_ms is None else received_ms
    return Reading(f"hand.{slug}", Quantity.SAMPLE_GRAVITY, at_ms, value, received)


def named(store: SqlStore, what: JournalEntry | Reading, slug: str = SLUG) -> Written:
    """The line that stands for this."""
    (found,) = [one for one in store.notebook.listed(slug) if one.what == what and one.struck_ms is None]
    return found


@pytest.fixture
def written(store: SqlStore, orchard: Sheet) -> tuple[JournalEntry, Reading, JournalEntry, Reading]:
    """Two entries and two samples in the store."""
    start = orchard.pitched_ms
    fed, sweetened = entry(JournalKind.NUTRIENT, start + 10), entry(JournalKind.SWEETENED, start + 30)
    right, wrong = sample(start + 20, 1.020), sample(start + 40, 1.100)
    for one in (fed, sweetened):
        store.batches.write_down(SLUG, one)
    for reading in (right, wrong):
        store.readings.record_sample(SLUG, reading)
    return fed, right, sweetened, wrong


Four = tuple[JournalEntry, Reading, JournalEntry, Reading]


def test_everything_is_listed_in_order_of_entry(store: SqlStore, written: Four) -> None:
    """Each under a name of its own."""
    listed = store.notebook.listed(SLUG)
    assert [one.what for one in listed] == list(written)
    assert len({one.name for one in listed}) == 4
    assert all(one.struck_ms is None for one in listed)


def test_an_entry_taken_back_counts_no_more_and_stays_on_record(store: SqlStore, written: Four) -> None:
    """Gone from the journal and from what a pipeline is given; listed with when it was taken back."""
    fed, right, sweetened, wrong = written
    line = named(store, sweetened)
    struck = store.notebook.take_back(SLUG, line.name, at_ms=AT_MS)
    assert struck == Written(line.name, sweetened, AT_MS)
    assert store.batches.journal(SLUG) == [fed]
    assert store.batches.journals([SLUG]) == {SLUG: [fed]}
    assert list(store.batches.events(SLUG)) == [fed, right, wrong]
    assert struck in store.notebook.listed(SLUG)
    assert len(store.notebook.listed(SLUG)) == 4


def test_a_sample_taken_back_counts_no_more_and_stays_on_record(store: SqlStore, written: Four) -> None:
    """Gone from the readings whoever asks for them; listed with its value, its time and when."""
    fed, right, sweetened, wrong = written
    line = named(store, wrong)
    struck = store.notebook.take_back(SLUG, line.name, at_ms=AT_MS)
    assert struck == Written(line.name, wrong, AT_MS)
    assert list(store.batches.events(SLUG)) == [fed, right, sweetened]
    assert list(store.readings.read([wrong.sensor]).readings()) == [right]
    assert store.batches.readings(SLUG).value.tolist() == [1.020]
    assert [one.value for one in store.readings.after(0, 10).readings()] == [1.020]
    (heard,) = store.readings.heard()
    assert (heard.last_value, heard.last_time_ms) == (1.020, right.time_ms)
    assert struck in store.notebook.listed(SLUG)
    assert [one.what for one in store.notebook.listed(SLUG)] == list(written)


def test_a_moment_is_free_again(store: SqlStore, written: Four) -> None:
    """The right value may be entered for the very moment, and be taken back too; another batch's as well."""
    *_, wrong = written
    store.notebook.take_back(SLUG, named(store, wrong).name, at_ms=AT_MS)
    better = sample(wrong.time_ms, 1.010, AT_MS)
    assert store.readings.record_sample(SLUG, better)
    store.notebook.take_back(SLUG, named(store, better).name, at_ms=AT_MS + 1)
    store.batches.start(Sheet("shed", "Shed", wrong.time_ms), at_ms=wrong.time_ms)
    other = sample(wrong.time_ms, 1.1, slug="shed")
    store.readings.record_sample("shed", other)
    store.notebook.take_back("shed", named(store, other, "shed").name, at_ms=AT_MS + 2)
    struck = [one.struck_ms for one in store.notebook.listed(SLUG) if one.struck_ms is not None]
    assert struck == [AT_MS, AT_MS + 1]
    assert [one.what for one in store.notebook.listed("shed")] == [other]


def test_no_position_is_given_out_again(store: SqlStore, written: Four) -> None:
    """What counts on positions, forwarders and checkpoints, misses no reading that comes after."""
    before = store.readings.position()
    store.notebook.take_back(SLUG, named(store, written[3]).name, at_ms=AT_MS)
    fresh = Reading("float-a", Quantity.GRAVITY, AT_MS, 1.04, AT_MS)
    store.readings.commit([fresh])
    assert store.readings.position() == before + 1
    assert list(store.readings.after(before, 10).readings()) == [fresh]


def test_the_last_sample_leaves_no_trace_among_the_sensors(store: SqlStore, written: Four) -> None:
    """Neither its own name nor the one that it lies under is heard of; a new one is."""
    for one in (written[1], written[3]):
        store.notebook.take_back(SLUG, named(store, one).name, at_ms=AT_MS)
    assert store.readings.heard() == []
    assert store.readings.heard([TAKEN_BACK]) == []
    assert store.readings.unassigned() == []
    assert store.readings.sensors() == []
    store.readings.record_sample(SLUG, sample(AT_MS, 1.01))
    assert [one.last_value for one in store.readings.heard()] == [1.01]


@pytest.mark.parametrize("place", [2, 3])
def test_what_was_taken_back_is_not_taken_back_again(store: SqlStore, written: Four, place: int) -> None:
    """It says so, and the first time stays."""
    name = named(store, written[place]).name
    store.notebook.take_back(SLUG, name, at_ms=AT_MS)
    before = store.changes.position()
    with pytest.raises(NotFoundError, match=f"{name}.*taken back already"):
        store.notebook.take_back(SLUG, name, at_ms=AT_MS + 5)
    assert store.changes.position() == before
    (struck,) = [one for one in store.notebook.listed(SLUG) if one.name == name]
    assert struck.struck_ms == AT_MS


def test_what_is_not_there_is_named(store: SqlStore, written: Four) -> None:
    """Another batch's line, a number nobody has, no number at all, no batch: nothing is changed."""
    store.batches.start(Sheet("shed", "Shed", 9), at_ms=9)
    before = store.changes.position()
    for name in (
        "entry-999",
        f"sample-{2**80}",
        "",
        "entry",
        "sample-x",
        named(store, written[0]).name + "0",
    ):
        with pytest.raises(NotFoundError, match="there is no"):
            store.notebook.take_back(SLUG, name, at_ms=AT_MS)
    for one in written:
        with pytest.raises(NotFoundError, match="'shed'"):
            store.notebook.take_back("shed", named(store, one).name, at_ms=AT_MS)
    with pytest.raises(NotFoundError, match="no batch 'none'"):
        store.notebook.take_back("none", "entry-1", at_ms=AT_MS)
    with pytest.raises(NotFoundError, match="no batch 'none'"):
        store.notebook.listed("none")
    assert store.changes.position() == before


@pytest.mark.parametrize("place", [2, 3])
def test_whoever_judges_begins_the_batch_anew(store: SqlStore, written: Four, place: int) -> None:
    """The checkpoint is void, one made before the change is known is not kept, and the change is noted."""
    aside = Checkpoint(SLUG, "digest", 0, 2, 2, b"body")
    seen = store.changes.position()
    store.checkpoints.put([aside], changes_seen=seen)
    store.notebook.take_back(SLUG, named(store, written[place]).name, at_ms=AT_MS)
    assert store.checkpoints.get(SLUG) is None
    store.checkpoints.put([aside], changes_seen=seen)
    assert store.checkpoints.get(SLUG) is None
    assert [(one.kind, one.subject) for one in store.changes.since(seen)] == [(ChangeKind.BATCH, SLUG)]


def test_an_ended_batch_may_be_put_right(store: SqlStore, written: Four) -> None:
    """What it ended with is told without the mistake."""
    store.batches.end(SLUG, ended_ms=AT_MS, at_ms=AT_MS)
    store.notebook.take_back(SLUG, named(store, written[3]).name, at_ms=AT_MS + 1)
    assert store.batches.readings(SLUG).value.tolist() == [1.020]
