"""Calibrations: the contract of every engine."""

from __future__ import annotations

from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind, StoredCalibration


def made(valid_from_ms: int, slope: float = 0.0, sensor: str = "float-a") -> StoredCalibration:
    """A calibration."""
    return StoredCalibration(
        sensor, valid_from_ms, 99, {"coefficients": [1.0, slope], "pairs": [[25.5, 1.0]]}
    )


def test_the_latest_that_had_begun_is_valid(store: SqlStore) -> None:
    """A reading is read by the calibration of its own time, not by the newest."""
    for valid_from_ms in (200, 0, 100):
        store.calibrations.record(made(valid_from_ms))
    assert store.calibrations.at("float-a", 0) == made(0)
    assert store.calibrations.at("float-a", 199) == made(100)
    assert store.calibrations.at("float-a", 200) == made(200)
    assert store.calibrations.at("float-a", -1) is None
    assert store.calibrations.at("float-b", 500) is None


def test_the_same_date_replaces(store: SqlStore) -> None:
    """A calibration entered again for the same date takes the place of the first, and that is news."""
    store.calibrations.record(made(5))
    store.calibrations.record(made(5, slope=0.25))
    assert store.calibrations.listed() == [made(5, slope=0.25)]
    assert [(one.kind, one.subject) for one in store.changes.since(0)] == [
        (ChangeKind.CALIBRATION, "float-a")
    ] * 2


def test_listed_by_sensor(store: SqlStore) -> None:
    """All of them in order of sensor and date, or those of one sensor."""
    for one in (made(5, sensor="float-b"), made(9), made(1)):
        store.calibrations.record(one)
    assert store.calibrations.listed() == [made(1), made(9), made(5, sensor="float-b")]
    assert store.calibrations.listed("float-b") == [made(5, sensor="float-b")]
    assert store.calibrations.sensors() == {"float-a", "float-b"}
