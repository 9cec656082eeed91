"""The worker of the daemon, turn by turn in this thread: no timer runs, and no broker is there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import cast

import pytest

from monitor.batch.sheet import Sheet
from monitor.daemon import Daemon, Pace
from monitor.errors import StoreUnavailableError
from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Pair, fit_calibration
from monitor.settings import Loaded, Settings
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import StoredCalibration
from monitor.units import MS_PER_HOUR, Quantity

from .frail import FrailStore

PITCHED_MS = 1_767_463_200_000
BUSY = StoreUnavailableError("kept busy by another program")
PACK = b'[{"n":"density","u":"kg/m3","v":1040}]'


class HandClock:
    """A clock that shows what it is set to."""

    def __init__(self) -> None:
        self.at_ms = PITCHED_MS

    def now_ms(self) -> int:
        """What it was set to."""
        return self.at_ms


@pytest.fixture
def clock() -> HandClock:
    """The daemon's clock."""
    return HandClock()


@pytest.fixture
def store(tmp_path: Path) -> FrailStore:
    """The daemon's store, which fails where it is told to."""
    return FrailStore(SqlStore(StoreOptions(f"sqlite:///{tmp_path}/carboyd.sqlite")))


@pytest.fixture
def daemon(tmp_path: Path, clock: HandClock, store: FrailStore) -> Iterator[Daemon]:
    """One that was not started, over a store of its own; it waits for nothing."""
    settings = Settings.model_validate(
        {
            "mqtt": {"broker": "external"},
            "store": {"url": f"sqlite:///{tmp_path}/carboyd.sqlite"},
            "web": {"enabled": False},
        }
    )
    made = Daemon(
        Loaded(settings, None, tmp_path),
        clock=clock,
        pace=Pace(retry_s=(0.0, 0.0)),
        open_store=lambda _options: cast(SqlStore, store),
    )
    yield made
    made.stop()


def _arrive(daemon: Daemon, clock: HandClock, hour: int, pack: bytes = PACK) -> None:
    """A float's message of an hour comes in."""
    clock.at_ms = PITCHED_MS + hour * MS_PER_HOUR
    daemon.subscriber._arrivals.put(Arrival("carboyd/readings/float-a", pack, clock.at_ms), 0.0)


@pytest.mark.parametrize("error", [ZeroDivisionError("division by zero"), MemoryError()])
def test_whatever_ends_the_worker_is_said(
    daemon: Daemon, store: FrailStore, error: Exception, caplog: pytest.LogCaptureFixture
) -> None:
    """Also what nobody thought of: whoever runs the daemon sees the failure and can end it."""
    store.fail_next("changes", "since", error)
    daemon._chores.mark("changes")
    daemon.worker.run()
    assert daemon.failure is error
    assert any(one.exc_info for one in caplog.records if "cannot go on" in one.message)


def test_a_store_that_fails_between_storing_and_judging_ends_nothing(
    daemon: Daemon, clock: HandClock, store: FrailStore
) -> None:
    """The readings are stored, where the batch stands is not: that follows, with nothing new to judge."""
    daemon.store.batches.start(
        Sheet("porch", "Porch", PITCHED_MS, gravity_sensor="float-a"), at_ms=PITCHED_MS
    )
    daemon.sharing.begin(clock.now_ms)
    for hour in range(3):
        _arrive(daemon, clock, hour)
        daemon.worker.turn(0.0)
    before = daemon.store.standings.listed()
    store.fail_next("standings", "put", BUSY)
    _arrive(daemon, clock, 3)
    daemon.worker.store_and_judge(daemon.subscriber.take(1, 0.0))
    assert not store.is_about_to_fail
    assert daemon.messages == 4
    assert daemon.store.standings.listed() == before
    daemon.worker.turn(0.0)
    (stands,) = daemon.store.standings.listed()
    assert stands.at_ms == daemon.snapshots["porch"].at_ms > before[0].at_ms


def test_a_calibration_counts_though_the_store_was_busy_when_it_was_seen(
    daemon: Daemon, clock: HandClock, store: FrailStore
) -> None:
    """It is read again until that succeeds: the next angle gives a gravity."""
    daemon.sharing.begin(clock.now_ms)
    pairs = [Pair(25.0, 1.000), Pair(35.0, 1.020), Pair(45.0, 1.040), Pair(55.0, 1.060)]
    document = fit_calibration("float-a", pairs, PITCHED_MS).to_dict()
    daemon.store.calibrations.record(StoredCalibration("float-a", PITCHED_MS, PITCHED_MS, document))
    store.fail_next("calibrations", "listed", BUSY)
    daemon._chores.mark("changes")
    daemon.worker.turn(0.0)
    assert not store.is_about_to_fail
    daemon.worker.turn(0.0)
    _arrive(daemon, clock, 1, b'[{"n":"angle","u":"deg","v":40}]')
    daemon.worker.turn(0.0)
    stored = daemon.store.readings.read(["float-a"]).readings()
    assert {one.quantity for one in stored} == {Quantity.ANGLE, Quantity.GRAVITY}
