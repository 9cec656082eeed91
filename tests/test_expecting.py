"""What the ended batches of a store let expect of a new one, and that on its sheet."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from monitor.batch.journal import hand_sample
from monitor.batch.sheet import Sheet
from monitor.errors import InputError
from monitor.expecting import begin, expected
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.premise import Must, MustKind
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

PITCHED_MS = 1_767_463_200_000
RECIPE = "1.2 kg of heather honey to 10 L"
FINISHED_DAY, ENDED_DAY = 12, 18


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """An empty store in memory."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        yield opened


def a_sheet(slug: str, **changes: object) -> Sheet:
    """A session mead."""
    values: dict[str, object] = {
        "pitched_ms": PITCHED_MS,
        "recipe": RECIPE,
        "must": Must(MustKind.HONEY, 1.046),
    }
    return Sheet(slug=slug, name=slug.title(), **{**values, **changes})  # type: ignore[arg-type]


def made(store: SqlStore, slug: str, final_sg: float | None = 0.998, **changes: object) -> Sheet:
    """A batch that was told finished and has ended, with a hand sample between the two."""
    sheet = a_sheet(slug, **changes)
    store.batches.start(sheet, at_ms=sheet.pitched_ms)
    fired_ms = sheet.pitched_ms + FINISHED_DAY * MS_PER_DAY
    told = AlertChange(
        fired_ms, AlertKind.FINISHED, AlertState.FIRING, fired_ms, Severity.ACT, "Finished: it is."
    )
    stored = store.alerts.record(slug, told, now_ms=fired_ms)
    assert stored is not None
    if final_sg is not None:
        taken_ms = fired_ms + MS_PER_DAY
        sample = hand_sample(sheet, gravity_sg=final_sg, time_ms=taken_ms, received_ms=taken_ms)
        store.readings.record_sample(slug, sample)
    ended_ms = sheet.pitched_ms + ENDED_DAY * MS_PER_DAY
    store.batches.end(slug, ended_ms=ended_ms, at_ms=ended_ms)
    # as the daemon does a little later
    store.alerts.withdraw(stored.id, at_ms=ended_ms + 5_000, why="the batch was ended")
    return sheet


def test_earlier_batches_of_the_recipe_write_the_range(store: SqlStore) -> None:
    """Three ended at 0.998 from 1.046: about 104 % is expected, on the sheet, and the journal says why."""
    for slug in ("first", "second", "third"):
        made(store, slug)
    now_ms = PITCHED_MS + 30 * MS_PER_DAY
    sheet, found = begin(store, a_sheet("fourth", pitched_ms=now_ms), at_ms=now_ms)
    assert found is not None
    assert (found.batches, found.of_recipe) == (3, True)
    assert store.batches.get("fourth") == sheet
    pair = sheet.must.expected_apparent_attenuation
    assert pair == found.pair
    # check: (46 - -2) / 46 = 1.043, which lies a little below what honey alone lets expect
    assert sum(pair) / 2.0 == pytest.approx(1.043, abs=0.015)
    (note,) = store.batches.journal("fourth")
    assert (note.kind, note.note) == (JournalKind.NOTE, found.said)


def test_the_float_tells_where_nobody_took_a_sample(store: SqlStore) -> None:
    """Its level at rest does; one that reads three points high says the same as one that is right."""
    hours = np.arange(ENDED_DAY * 24)
    course = 1.001 + 0.045 * np.exp(-np.maximum(hours - 12, 0) / 40.0)
    times = (PITCHED_MS + hours * MS_PER_HOUR + 60_000).tolist()
    pairs = []
    for name, high in ("right", 0.0), ("wrong", 0.003):
        for slug in (f"{name}-1", f"{name}-2"):
            made(store, slug, None, gravity_sensor=f"float-{slug}", recipe=name)
            levels = (course + high).tolist()
            store.readings.commit(
                [
                    Reading(f"float-{slug}", Quantity.GRAVITY, at_ms, level, at_ms)
                    for at_ms, level in zip(times, levels, strict=True)
                ]
            )
        found = expected(store, a_sheet("next", recipe=name))
        assert found is not None
        pairs.append(found.pair)
    assert pairs[0] == pytest.approx(pairs[1], abs=0.002)
    # check: (46 - 1) / 46 is less than the 1.077 of honey by itself; unchecked floats move it half of the way
    assert 45.0 / 46.0 < sum(pairs[0]) / 2.0 < 1.05


def test_what_the_maker_says_stays(store: SqlStore) -> None:
    """A range that is given, and that none is wanted."""
    for slug in ("first", "second", "third"):
        made(store, slug)
    own = Must(MustKind.HONEY, 1.046, expected_apparent_attenuation=(0.9, 1.0))
    sheet, found = begin(store, a_sheet("fourth", must=own), at_ms=PITCHED_MS)
    assert found is None
    assert sheet.must == own
    sheet, found = begin(store, a_sheet("fifth"), at_ms=PITCHED_MS, learning=False)
    assert found is None
    assert sheet.must.expected_apparent_attenuation is None
    assert store.batches.journal("fourth") == store.batches.journal("fifth") == []


def test_without_a_recipe_the_kind_tells(store: SqlStore) -> None:
    """Three of the kind at about the gravity; two are too few, a stronger must is another one."""
    made(store, "first", recipe="one")
    made(store, "second", recipe="two")
    made(store, "strong", recipe="three", must=Must(MustKind.HONEY, 1.090))
    assert expected(store, a_sheet("new", recipe="")) is None
    made(store, "third", recipe="", must=Must(MustKind.HONEY, 1.050))
    found = expected(store, a_sheet("new", recipe=""))
    assert found is not None
    assert (found.batches, found.of_recipe) == (3, False)


def test_fed_and_open_batches_do_not_count(store: SqlStore) -> None:
    """One was fed on its third day and one still goes: a single one is left, and that is too few."""
    made(store, "first")
    made(store, "fed")
    fed_ms = PITCHED_MS + 3 * MS_PER_DAY
    store.batches.write_down("fed", JournalEntry(JournalKind.SUGAR_ADDITION, fed_ms, fed_ms, "200 g"))
    store.batches.start(a_sheet("open"), at_ms=PITCHED_MS)
    assert expected(store, a_sheet("new")) is None


def test_a_batch_that_cannot_begin_leaves_nothing(store: SqlStore) -> None:
    """The short name is taken: no entry lands in the journal of the batch that has it."""
    for slug in ("first", "second"):
        made(store, slug)
    with pytest.raises(InputError, match="already"):
        begin(store, a_sheet("first"), at_ms=PITCHED_MS)
    assert store.batches.journal("first") == []
