"""What was written down by mistake and taken back: the watch stands where it would without it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.ferment.emission import AlertKind, AlertState, Phase
from monitor.ferment.event import JournalKind, Reading
from monitor.ferment.pipeline import Snapshot
from monitor.shift import HEARD_MARK, Shift, ShiftPolicy
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, Quantity
from monitor.watch import Watch, WatchPolicy

from .porch import PITCHED_MS, PORCH

SLUG = PORCH.slug
HOURS = 72
MISTAKE_HOUR = 48
MISTAKES = ("sample", JournalKind.SWEETENED, JournalKind.SUGAR_ADDITION)


def at(hour: float) -> int:
    """So many hours after pitching."""
    return PITCHED_MS + round(hour * MS_PER_HOUR)


class Cellar:
    """A store with one batch and who watches it, alone or as a member of several."""

    def __init__(self, url: str, *, shared: bool) -> None:
        self.store = SqlStore(StoreOptions(url))
        self.shared = shared
        self.store.batches.start(PORCH, at_ms=PITCHED_MS)
        self.shift: Shift | None = None
        self.begin(PITCHED_MS)

    def begin(self, now_ms: int) -> None:
        """A new process takes the batch up."""
        self.watch = Watch(
            self.store,
            WatchPolicy(channels=("phone",), shared=self.shared),
            publish=lambda _topic, _payload: None,
        )
        if self.shared:
            policy = ShiftPolicy(claim_s=0.0, feed_s=0.0, seal_s=1e9)
            self.shift = Shift(self.store, self.watch, policy=policy, name="only")
            self.shift.start()
            self.turn(now_ms)
        else:
            self.watch.rebuild(now_ms)

    def leave(self) -> None:
        """The process ends in good order, with a checkpoint of where it stands."""
        self.watch.seal(every_ms=0)
        if self.shift is not None:
            self.shift.stop()

    def turn(self, now_ms: int) -> None:
        """Take in what was changed, and let time pass."""
        if self.shift is None:
            self.watch.catch_up(now_ms)
            self.watch.tick(now_ms)
            return
        self.store.changes.set_mark(HEARD_MARK, now_ms)
        for _ in range(3):
            self.shift.turn(now_ms)

    def pass_hours(self, first: int, last: int, every: int = 1) -> None:
        """A float that falls from 1.040 by 0.4 points an hour, taken in as it comes."""
        for hour in range(first, last, every):
            now_ms = at(hour)
            values = ((Quantity.GRAVITY, 1.040 - 0.0004 * hour), (Quantity.TEMPERATURE, 18.0))
            arrived = [Reading("float-a", kind, now_ms, value, now_ms) for kind, value in values]
            self.store.readings.commit(arrived)
            if not self.shared:
                self.watch.admit(arrived, now_ms)
            self.turn(now_ms + 1)

    def slip(self, what: str, hour: float = MISTAKE_HOUR) -> str:
        """Something wrong is written down; the name it has."""
        now_ms = at(hour)
        if what == "sample":
            wrong = hand_sample(PORCH, gravity_sg=1.100, time_ms=now_ms, received_ms=now_ms)
            self.store.readings.record_sample(SLUG, wrong)
        else:
            wrong = entry(JournalKind(what), done_ms=now_ms, at_ms=now_ms, note="a slip")
            self.store.batches.write_down(SLUG, wrong)
        (name,) = [one.name for one in self.store.notebook.listed(SLUG) if one.what == wrong]
        return name

    @property
    def snapshot(self) -> Snapshot:
        """Where the batch stands."""
        return self.watch.snapshots[SLUG]

    def alerts(self, state: AlertState) -> set[AlertKind]:
        """The kinds of alerts that are in the store in this state."""
        return {one.kind for one in self.store.alerts.listed(batch=SLUG) if one.state is state}

    def close(self) -> None:
        """The end of it."""
        if self.shift is not None:
            self.shift.stop()
        self.store.close()


@pytest.fixture
def made() -> Iterator[list[Cellar]]:
    """Cellars, closed afterwards."""
    cellars: list[Cellar] = []
    yield cellars
    for one in cellars:
        one.close()


@pytest.fixture(params=["alone on SQLite", "shared on a server"])
def cellar(request: pytest.FixtureRequest, made: list[Cellar], tmp_path: Path) -> Cellar:
    """One on each engine, on the server with the judging shared."""
    url = f"sqlite:///{tmp_path / 'carboyd.sqlite'}"
    if request.param.endswith("server"):
        url = request.getfixturevalue("server_url")
    made.append(Cellar(url, shared=request.param.startswith("shared")))
    return made[-1]


@pytest.fixture
def unspoilt(made: list[Cellar]) -> Callable[[], Snapshot]:
    """Where a batch stands in which the mistake was never made."""

    def stands() -> Snapshot:
        made.append(Cellar("sqlite://", shared=False))
        made[-1].pass_hours(0, HOURS)
        return made[-1].snapshot

    return stands


@pytest.mark.parametrize("what", MISTAKES)
def test_taken_back_it_is_as_if_it_had_never_been_written_down(
    cellar: Cellar, unspoilt: Callable[[], Snapshot], what: str
) -> None:
    """A mistake that was judged by for a day leaves nothing behind, at once."""
    cellar.pass_hours(0, MISTAKE_HOUR)
    name = cellar.slip(what)
    cellar.pass_hours(MISTAKE_HOUR, HOURS)
    expected = unspoilt()
    assert cellar.snapshot != expected
    cellar.store.notebook.take_back(SLUG, name, at_ms=at(HOURS - 1))
    cellar.turn(at(HOURS - 1) + 1)
    assert cellar.snapshot == expected


def test_taken_back_while_nobody_watched(cellar: Cellar, unspoilt: Callable[[], Snapshot]) -> None:
    """The checkpoint that knew the mistake is not taken up."""
    cellar.pass_hours(0, MISTAKE_HOUR)
    name = cellar.slip("sample")
    cellar.pass_hours(MISTAKE_HOUR, HOURS)
    cellar.leave()
    assert cellar.store.checkpoints.get(SLUG) is not None
    cellar.store.notebook.take_back(SLUG, name, at_ms=at(HOURS - 1))
    cellar.begin(at(HOURS - 1) + 1)
    cellar.turn(at(HOURS - 1) + 2)
    assert cellar.snapshot == unspoilt()


def test_a_right_sample_in_its_place_counts(cellar: Cellar, made: list[Cellar]) -> None:
    """1.100 taken back and 1.015 entered for the same moment: as if it had been 1.015 all along."""
    cellar.pass_hours(0, HOURS)
    now_ms = at(HOURS)
    name = cellar.slip("sample", HOURS)
    cellar.turn(now_ms + 1)
    cellar.store.notebook.take_back(SLUG, name, at_ms=now_ms)
    right = hand_sample(PORCH, gravity_sg=1.015, time_ms=now_ms, received_ms=now_ms + 1)
    assert cellar.store.readings.record_sample(SLUG, right)
    cellar.turn(now_ms + 2)
    made.append(Cellar("sqlite://", shared=False))
    made[-1].pass_hours(0, HOURS)
    made[-1].store.readings.record_sample(SLUG, right)
    made[-1].turn(now_ms + 2)
    assert cellar.snapshot == made[-1].snapshot


def test_an_alert_that_holds_no_more_is_withdrawn(cellar: Cellar) -> None:
    """Fruit that was never put in need not come out; nobody is told that it is over."""
    cellar.pass_hours(0, 2)
    name = cellar.slip(JournalKind.INFUSION_IN, 2)
    cellar.pass_hours(2, 24 * 13, every=8)
    assert AlertKind.INFUSION_DUE in cellar.alerts(AlertState.FIRING)
    cellar.store.notebook.take_back(SLUG, name, at_ms=at(24 * 13))
    cellar.turn(at(24 * 13))
    assert AlertKind.INFUSION_DUE not in cellar.alerts(AlertState.FIRING)
    due = [one for one in cellar.store.outbox.waiting() if one.alert.kind is AlertKind.INFUSION_DUE]
    assert [str(one.occasion) for one in due] == ["firing"]


def test_an_alert_that_a_mistake_ended_fires_again(cellar: Cellar) -> None:
    """The infusion is still in: what was written down of its coming out was another batch's."""
    cellar.pass_hours(0, 2)
    cellar.slip(JournalKind.INFUSION_IN, 2)
    cellar.pass_hours(2, 24 * 13, every=8)
    name = cellar.slip(JournalKind.INFUSION_OUT, 24 * 13)
    cellar.turn(at(24 * 13) + 1)
    assert AlertKind.INFUSION_DUE in cellar.alerts(AlertState.RESOLVED)
    cellar.store.notebook.take_back(SLUG, name, at_ms=at(24 * 13) + 2)
    cellar.turn(at(24 * 13) + 3)
    assert AlertKind.INFUSION_DUE in cellar.alerts(AlertState.FIRING)
    due = [one for one in cellar.store.outbox.waiting() if one.alert.kind is AlertKind.INFUSION_DUE]
    assert [str(one.occasion) for one in due] == ["firing"]


def test_a_silent_sensor_stays_silent(cellar: Cellar) -> None:
    """What time alone has brought about is not taken back with the mistake, nor told twice."""
    cellar.pass_hours(0, 30)
    for hour in range(30, 60):
        cellar.turn(at(hour) + 1)
    assert AlertKind.SENSOR_SILENT in cellar.alerts(AlertState.FIRING)
    before = cellar.snapshot
    name = cellar.slip(JournalKind.NOTE, 59)
    cellar.turn(at(59) + 2)
    told = len(cellar.store.outbox.waiting())
    cellar.store.notebook.take_back(SLUG, name, at_ms=at(59) + 3)
    cellar.turn(at(59) + 4)
    assert cellar.snapshot == before
    assert AlertKind.SENSOR_SILENT in cellar.alerts(AlertState.FIRING)
    assert len(cellar.store.outbox.waiting()) == told


def _fortnight(cellar: Cellar, came_ms: int) -> None:
    """What a float had kept for fourteen days comes within seconds, up to now."""
    late = [
        Reading("float-a", kind, at(hour), value, came_ms + hour)
        for hour in range(14 * 24 + 15)
        for kind, value in ((Quantity.GRAVITY, 1.080 - 0.0001 * hour), (Quantity.TEMPERATURE, 18.0))
    ]
    cellar.store.readings.commit(late)
    if not cellar.shared:
        cellar.watch.admit(late, came_ms + 1_000)
    cellar.turn(came_ms + 2_000)


def test_a_backlog_ends_the_silence_within_minutes(cellar: Cellar) -> None:
    """A fortnight that comes at 08:37 is judged a minute later, not at the next full hour."""
    came_ms = at(14 * 24 + 14) + 37 * MS_PER_MINUTE
    cellar.turn(came_ms - MS_PER_MINUTE)
    _fortnight(cellar, came_ms)
    cellar.turn(came_ms + 2 * MS_PER_MINUTE)
    assert cellar.snapshot.phase is Phase.ACTIVE
    assert AlertKind.SENSOR_SILENT not in {one.kind for one in cellar.snapshot.open_alerts}


def test_a_silence_that_the_readings_ended_is_not_opened_again(cellar: Cellar) -> None:
    """An entry after the backlog is taken back: judged anew, the batch stands where it stood."""
    came_ms = at(14 * 24 + 14) + 37 * MS_PER_MINUTE
    cellar.turn(came_ms - MS_PER_MINUTE)
    _fortnight(cellar, came_ms)
    racked_ms = came_ms + 5 * MS_PER_MINUTE
    racked = entry(JournalKind.RACKED, done_ms=racked_ms, at_ms=racked_ms)
    cellar.store.batches.write_down(SLUG, racked)
    cellar.turn(racked_ms + 1)
    (name,) = [one.name for one in cellar.store.notebook.listed(SLUG) if one.what == racked]
    cellar.store.notebook.take_back(SLUG, name, at_ms=racked_ms + 2)
    cellar.turn(racked_ms + 3)
    assert cellar.snapshot.phase is Phase.ACTIVE
    assert AlertKind.SENSOR_SILENT not in cellar.alerts(AlertState.FIRING)
    assert AlertKind.SENSOR_SILENT not in {one.alert.kind for one in cellar.store.outbox.waiting()}
