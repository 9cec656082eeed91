"""An import becomes a recording, or readings of a batch."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, RecordingError, StoreError
from monitor.ferment.event import Reading
from monitor.ferment.premise import Premise
from monitor.replay.gathering import Gathered, LeftOut, gather
from monitor.replay.imported import AT_ONCE, believed, for_batch, put_into, save
from monitor.replay.recording import read
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind, Checkpoint
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity, ms_from_rfc3339

PITCHED_MS = ms_from_rfc3339("2026-03-01T06:00:00Z")
SHEET = Sheet("loft", "Loft", PITCHED_MS, gravity_sensor="float-a", temperature_sensor="probe-1")


def reading(
    hour: float, sensor: str = "x", quantity: Quantity = Quantity.GRAVITY, value: float = 1.04
) -> Reading:
    at_ms = PITCHED_MS + round(hour * MS_PER_HOUR)
    return Reading(sensor, quantity, at_ms, value, at_ms)


def some(*sensors: tuple[str, Quantity]) -> Gathered:
    return gather(reading(hour, sensor, quantity) for hour in range(3) for sensor, quantity in sensors)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqlStore]:
    """A store with one open batch."""
    with SqlStore(StoreOptions(f"sqlite:///{tmp_path}/carboyd.sqlite")) as opened:
        opened.batches.start(SHEET, at_ms=PITCHED_MS)
        yield opened


def test_a_saved_recording_reads_back(tmp_path: Path) -> None:
    """Title, premise and every reading."""
    gathered = some(("float-a", Quantity.GRAVITY), ("float-a", Quantity.BATTERY_VOLTAGE))
    save(tmp_path / "one", "Loft", Premise(PITCHED_MS, gravity_sensor="float-a"), gathered)
    back = read(tmp_path / "one")
    assert (back.title, back.premise.pitched_ms, back.premise.gravity_sensor) == (
        "Loft",
        PITCHED_MS,
        "float-a",
    )
    assert list(back.readings()) == list(gathered.readings())


def test_a_recording_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    """Not even half of one."""
    (tmp_path / "batch.toml").write_text("mine")
    with pytest.raises(RecordingError, match="already"):
        save(tmp_path, "Loft", Premise(PITCHED_MS), some(("a", Quantity.GRAVITY)))
    assert (tmp_path / "batch.toml").read_text() == "mine"
    assert not (tmp_path / "readings.csv").exists()


def test_who_says_most_is_believed_unless_one_is_named() -> None:
    """And one that says nothing cannot be named."""
    gathered = gather(
        [reading(0, "a"), reading(0, "b"), reading(1, "b"), reading(0, "a", Quantity.TEMPERATURE, 18.0)]
    )
    assert believed(gathered, Premise(PITCHED_MS)).gravity_sensor == "b"
    assert believed(gathered, Premise(PITCHED_MS)).temperature_sensor == "a"
    assert believed(gathered, Premise(PITCHED_MS, gravity_sensor="a")).gravity_sensor == "a"
    with pytest.raises(InputError, match="'c'"):
        believed(gathered, Premise(PITCHED_MS, gravity_sensor="c"))


class TestForBatch:
    """Readings take the names of the batch's own sensors."""

    def test_a_float_a_thermometer_and_a_hand_sample(self) -> None:
        """By what they measure; a name that the sheet has stays."""
        gathered = some(
            ("log", Quantity.GRAVITY),
            ("heat", Quantity.TEMPERATURE),
            ("log", Quantity.TEMPERATURE),
            ("glass", Quantity.SAMPLE_GRAVITY),
            ("probe-1", Quantity.BATTERY),
        )
        found = for_batch(gathered, SHEET).sources
        assert found == (
            ("float-a", Quantity.GRAVITY),
            ("probe-1", Quantity.TEMPERATURE),
            ("float-a", Quantity.TEMPERATURE),
            ("hand.loft", Quantity.SAMPLE_GRAVITY),
            ("probe-1", Quantity.BATTERY),
        )

    def test_two_floats_are_a_choice_that_only_the_maker_has(self) -> None:
        """Both are named."""
        with pytest.raises(InputError, match=r"'one'.*'two'"):
            for_batch(some(("one", Quantity.GRAVITY), ("two", Quantity.GRAVITY)), SHEET)

    def test_a_sheet_without_such_a_sensor_is_named(self) -> None:
        """With the command that mends it."""
        bare = Sheet("bare", "Bare", PITCHED_MS)
        with pytest.raises(InputError, match="gravity") as caught:
            for_batch(some(("log", Quantity.GRAVITY)), bare)
        assert "carboyd batch sensors bare" in caught.value.hint


def test_what_is_put_into_a_batch_arrived_when_it_was_measured(store: SqlStore) -> None:
    """So a pipeline rebuilt from the store meets it in its place; a running daemon is told to look."""
    before = store.changes.position()
    gathered = for_batch(some(("log", Quantity.GRAVITY)), SHEET)
    kept = put_into(store, SHEET, gathered, LeftOut(), PITCHED_MS + MS_PER_DAY)
    assert (kept.stored, kept.known) == (3, 0)
    assert list(store.batches.readings("loft").readings()) == list(gathered.readings())
    assert [change.kind for change in store.changes.since(before)] == [ChangeKind.BATCH]


def test_the_same_again_keeps_nothing_and_has_the_batch_judged_again(store: SqlStore) -> None:
    """The key of a reading is its sensor, quantity and time; whether it was ever judged nobody knows."""
    gathered = for_batch(some(("log", Quantity.GRAVITY)), SHEET)
    put_into(store, SHEET, gathered, LeftOut(), PITCHED_MS)
    before = store.changes.position()
    kept = put_into(store, SHEET, gathered, LeftOut(), PITCHED_MS)
    assert (kept.stored, kept.known) == (0, 3)
    assert [change.kind for change in store.changes.since(before)] == [ChangeKind.BATCH]
    assert len(store.batches.readings("loft")) == 3


def test_what_was_put_in_before_a_fault_is_judged(store: SqlStore) -> None:
    """The second part cannot be kept: the first is told all the same, and no checkpoint comes past it."""
    first = [reading(n / 60.0, "float-a") for n in range(AT_ONCE)]
    store.checkpoints.put(
        [Checkpoint("loft", "digest", 9, 0, 0, b"body")], changes_seen=store.changes.position()
    )
    before = store.changes.position()
    with pytest.raises(StoreError):
        put_into(store, SHEET, gather([*first, reading(AT_ONCE / 60.0, "x" * 999)]), LeftOut(), PITCHED_MS)
    assert len(store.batches.readings("loft")) == AT_ONCE
    assert [change.subject for change in store.changes.since(before)] == ["loft"]
    assert store.checkpoints.get("loft") is None


def test_a_batch_that_was_ended_meanwhile_stays_ended(store: SqlStore) -> None:
    """Whoever puts readings in has read the sheet before that, and changes nothing on it."""
    ended = store.batches.end("loft", ended_ms=PITCHED_MS + MS_PER_DAY, at_ms=PITCHED_MS + MS_PER_DAY)
    put_into(store, SHEET, gather([reading(1, "float-a")]), LeftOut(), PITCHED_MS + MS_PER_DAY)
    assert store.batches.get("loft") == ended
    assert len(store.batches.readings("loft")) == 1


def test_what_lies_outside_of_the_batch_is_left_out_and_told(store: SqlStore) -> None:
    """Two days before the pitch, and after the end."""
    ended = store.batches.end("loft", ended_ms=PITCHED_MS + MS_PER_DAY, at_ms=PITCHED_MS + MS_PER_DAY)
    gathered = gather(reading(hour, "float-a") for hour in (-48, -2, 5, 30))
    left_out = LeftOut()
    kept = put_into(store, ended, gathered, left_out, PITCHED_MS)
    assert kept.stored == 2
    assert sorted(reason.why for reason in left_out.listed()) == [
        "measured after the batch was ended",
        "measured more than a day before the pitch",
    ]
