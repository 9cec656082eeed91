"""Calibrations in SQL: whose, from when, and a document that only its owner reads."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import select

from monitor.store.changes import SqlChanges
from monitor.store.gate import Gate
from monitor.store.schema import calibrations
from monitor.store.values import ChangeKind, StoredCalibration


class SqlCalibrations:
    """Calibrations by sensor and validity date."""

    def __init__(self, gate: Gate, changes: SqlChanges) -> None:
        self._gate = gate
        self._changes = changes

    def record(self, calibration: StoredCalibration) -> None:
        """Keep a calibration; one of the same sensor and validity date is replaced."""
        statement = self._gate.insert(calibrations).values(
            sensor=calibration.sensor,
            valid_from_ms=calibration.valid_from_ms,
            entered_ms=calibration.entered_ms,
            document=json.dumps(calibration.document, allow_nan=False),
        )
        with self._gate.writing() as connection:
            connection.execute(
                statement.on_conflict_do_update(
                    index_elements=[calibrations.c.sensor, calibrations.c.valid_from_ms],
                    set_={
                        "entered_ms": statement.excluded.entered_ms,
                        "document": statement.excluded.document,
                    },
                )
            )
            self._changes.note(connection, ChangeKind.CALIBRATION, calibration.sensor, calibration.entered_ms)

    def at(self, sensor: str, time_ms: int) -> StoredCalibration | None:
        """The calibration that is valid for a reading of this time: the latest that began by then."""
        query = (
            select(calibrations)
            .where(calibrations.c.sensor == sensor, calibrations.c.valid_from_ms <= time_ms)
            .order_by(calibrations.c.valid_from_ms.desc())
            .limit(1)
        )
        with self._gate.reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else _calibration(row)

    def listed(self, sensor: str | None = None) -> list[StoredCalibration]:
        """All calibrations, or those of one sensor, in order of sensor and validity."""
        query = select(calibrations).order_by(calibrations.c.sensor, calibrations.c.valid_from_ms)
        if sensor is not None:
            query = query.where(calibrations.c.sensor == sensor)
        with self._gate.reading() as connection:
            return [_calibration(row) for row in connection.execute(query)]

    def sensors(self) -> set[str]:
        """The sensors that have a calibration."""
        with self._gate.reading() as connection:
            return set(connection.execute(select(calibrations.c.sensor).distinct()).scalars())


def _calibration(row: Any) -> StoredCalibration:
    return StoredCalibration(row.sensor, row.valid_from_ms, row.entered_ms, json.loads(row.document))
