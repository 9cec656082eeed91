"""Readings in SQL: one transaction an arrival batch, the first of a key stays."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import repeat
from math import isfinite
from typing import Any, Final, cast

import numpy as np
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    CursorResult,
    Select,
    bindparam,
    func,
    or_,
    select,
    update,
)

from monitor.batch.sheet import HAND_PREFIX, LONGEST_SENSOR
from monitor.errors import StoreError
from monitor.ferment.event import Reading
from monitor.ferment.skew import TimeFlag
from monitor.store.changes import SqlChanges
from monitor.store.checkpoints import SqlCheckpoints, batches_with
from monitor.store.gate import Gate
from monitor.store.quarantine import SqlQuarantine
from monitor.store.rows import Put, putting
from monitor.store.schema import batch_sensors, batches, readings, series
from monitor.store.values import FLAG_NUMBER, ChangeKind, Committed, Heard, Refused, Series, Thinned
from monitor.units import Quantity

TAKEN_BACK: Final = f"{HAND_PREFIX}taken_back"
"""Rows of hand samples that were taken back lie under this name, which no batch can have."""
_KNOWN_SERIES: Final = 10_000
"""So many series numbers are remembered; far more than a cellar has, and a bound against nonsense names."""
_FARTHEST_MS: Final = 2**53
_QUANTITIES: Final = {str(one): one for one in Quantity}

_ROW: Final = np.dtype(
    [
        ("position", "i8"),
        ("series", "i8"),
        ("time", "i8"),
        ("value", "f8"),
        ("received", "i8"),
        ("flag", "i8"),
    ]
)
_BUCKET: Final = np.dtype([("start", "i8"), ("low", "f8"), ("mean", "f8"), ("high", "f8"), ("count", "i8")])

_Key = tuple[str, str]


class SqlReadings:
    """The readings of all sensors."""

    def __init__(self, gate: Gate, quarantine: SqlQuarantine, changes: SqlChanges) -> None:
        self._gate = gate
        self._quarantine = quarantine
        self._changes = changes
        self._series_ids: dict[_Key, int] = {}
        self._append = putting(gate, overwrite=False)
        self._overwrite = putting(gate, overwrite=True)
        self._new_series = gate.insert(series).on_conflict_do_nothing(
            index_elements=[series.c.sensor, series.c.quantity]
        )
        self._touch = (
            update(series)
            .where(series.c.id == bindparam("touched"), series.c.last_received_ms <= bindparam("received"))
            .values(
                last_received_ms=bindparam("received"),
                last_time_ms=bindparam("time"),
                last_value=bindparam("value"),
            )
        )

    def commit(
        self, arrived: Sequence[Reading], *, flags: Sequence[TimeFlag] = (), refused: Sequence[Refused] = ()
    ) -> Committed:
        """Keep readings and refused messages, all of them or none."""
        _check(arrived, flags)
        with self._gate.writing() as connection:
            stored, fresh = self._write(connection, self._append, arrived, flags)
            self._quarantine.put(connection, refused)
        self._remember(fresh)
        return Committed(stored, len(arrived) - stored, len(refused))

    def put_behind(
        self, batch: str, measured: Sequence[Reading], *, flags: Sequence[TimeFlag] = (), at_ms: int
    ) -> Committed:
        """Keep readings of a time that a batch may have been judged for; whoever judges it begins it anew.

        So is every other batch that has one of their sensors: a room's thermometer hangs beside many.
        """
        _check(measured, flags)
        with self._gate.writing() as connection:
            stored, fresh = self._write(connection, self._append, measured, flags)
            # a checkpoint may have come past their rows, and the caller may end before it can say more; even
            # those that were there already may never have been judged
            sharing = batches_with({one.sensor for one in measured})
            for slug in sorted({batch, *connection.execute(sharing).scalars()}):
                SqlCheckpoints.forget(connection, slug)
                self._changes.note(connection, ChangeKind.BATCH, slug, at_ms)
        self._remember(fresh)
        return Committed(stored, len(measured) - stored, 0)

    def record_sample(self, batch: str, sample: Reading) -> bool:
        """Keep a hand sample and tell other processes; False if it was there already."""
        _check([sample], ())
        with self._gate.writing() as connection:
            stored, fresh = self._write(connection, self._append, [sample], ())
            if stored:
                self._changes.note(connection, ChangeKind.SAMPLE, batch, sample.received_ms)
        self._remember(fresh)
        return bool(stored)

    def replace_derived(self, derived: Sequence[Reading], *, at_ms: int) -> None:
        """Write values computed from other readings over what was computed before."""
        _check(derived, ())
        last = list({(one.sensor, one.quantity, one.time_ms): one for one in derived}.values())
        with self._gate.writing() as connection:
            _, fresh = self._write(connection, self._overwrite, last, ())
            sensors = sorted({one.sensor for one in derived})
            SqlCheckpoints.forget_of_sensors(connection, sensors)
            for sensor in sensors:
                self._changes.note(connection, ChangeKind.REDERIVED, sensor, at_ms)
        self._remember(fresh)

    def read(
        self,
        sensors: Iterable[str],
        *,
        quantities: Iterable[Quantity] | None = None,
        from_ms: int | None = None,
        to_ms: int | None = None,
        received_from_ms: int | None = None,
        received_to_ms: int | None = None,
    ) -> Series:
        """Readings measured and received within the bounds (both ends included), in order of arrival."""
        with self._gate.reading() as connection:
            return self.read_in(
                connection,
                sensors,
                quantities,
                _between(readings.c.time_ms, from_ms, to_ms)
                + _between(readings.c.received_ms, received_from_ms, received_to_ms),
            )

    def read_in(
        self,
        connection: Connection,
        sensors: Iterable[str],
        quantities: Iterable[Quantity] | None,
        bounds: Sequence[ColumnElement[bool]],
    ) -> Series:
        """The same inside a transaction of the caller's."""
        wanted = select(series.c.id, series.c.sensor, series.c.quantity).where(
            series.c.sensor.in_([*sensors])
        )
        if quantities is not None:
            wanted = wanted.where(series.c.quantity.in_([str(one) for one in quantities]))
        sources = {row.id: (row.sensor, Quantity(row.quantity)) for row in connection.execute(wanted)}
        # by arrival time, then number: values computed afterwards keep the place of what they come from
        query = (
            _columns()
            .where(readings.c.series_id.in_([*sources]), *bounds)
            .order_by(readings.c.received_ms, readings.c.position)
        )
        return _series(_fetched(connection, query, _ROW), sources)

    def after(self, position: int, limit: int) -> Series:
        """The next readings of all sensors by number, for a forwarder that keeps a mark."""
        query = (
            _columns()
            .where(readings.c.position > position, readings.c.series_id.not_in(_ASIDE))
            .order_by(readings.c.position)
            .limit(limit)
        )
        with self._gate.reading() as connection:
            rows = _fetched(connection, query, _ROW)
            named = select(series.c.id, series.c.sensor, series.c.quantity).where(
                series.c.id.in_(np.unique(rows["series"]).tolist())
            )
            sources = {row.id: (row.sensor, Quantity(row.quantity)) for row in connection.execute(named)}
        return _series(rows, sources)

    def thinned(self, sensor: str, quantity: Quantity, from_ms: int, to_ms: int, buckets: int) -> Thinned:
        """Least, mean and greatest value of each of `buckets` equal stretches from `from_ms` to `to_ms`."""
        width_ms = max(1, -(-(to_ms - from_ms) // max(1, buckets)))
        asked = {
            "sensor": sensor,
            "quantity": str(quantity),
            "from_ms": from_ms,
            "to_ms": to_ms,
            "width_ms": width_ms,
        }
        with self._gate.reading() as connection:
            rows = _fetched(connection, _THINNED, _BUCKET, asked)
        return Thinned(rows["start"], rows["low"], rows["mean"], rows["high"], rows["count"])

    def position(self) -> int:
        """The position of the newest reading; 0 where there is none."""
        with self._gate.reading() as connection:
            return connection.execute(select(func.max(readings.c.position))).scalar() or 0

    def heard(self, sensors: Iterable[str] | None = None) -> list[Heard]:
        """Every quantity of every sensor that was ever heard, or of these, with what came last."""
        query = _all_series()
        if sensors is not None:
            query = query.where(series.c.sensor.in_([*sensors]))
        with self._gate.reading() as connection:
            return _heard(connection, query)

    def sensors(self) -> list[str]:
        """Names of all sensors that were ever heard, in order; hand samples are no sensor."""
        measured = series.c.quantity != str(Quantity.SAMPLE_GRAVITY)
        query = select(series.c.sensor).where(measured).distinct().order_by(series.c.sensor)
        with self._gate.reading() as connection:
            return list(connection.execute(query).scalars())

    def unassigned(self) -> list[Heard]:
        """The same for sensors that no open batch names; hand samples left out."""
        taken = (
            select(batch_sensors.c.sensor)
            .join(batches, batches.c.slug == batch_sensors.c.batch)
            .where(batches.c.ended_ms.is_(None))
        )
        query = _all_series().where(
            series.c.sensor.not_in(taken), ~series.c.sensor.startswith(HAND_PREFIX, autoescape=True)
        )
        with self._gate.reading() as connection:
            return _heard(connection, query)

    def _write(
        self, connection: Connection, put: Put, arrived: Sequence[Reading], flags: Sequence[TimeFlag]
    ) -> tuple[int, dict[_Key, int]]:
        if not arrived:
            return 0, {}
        last = {(one.sensor, str(one.quantity)): one for one in arrived}
        ids, fresh = self._ids(connection, arrived, last)
        rows = [
            (ids[one.sensor, one.quantity], one.time_ms, one.value, one.received_ms, FLAG_NUMBER[flag])
            for one, flag in zip(arrived, flags or repeat(TimeFlag.OK, len(arrived)), strict=True)
        ]
        stored = put(connection, rows)
        connection.execute(
            self._touch,
            [
                {
                    "touched": ids[key],
                    "received": one.received_ms,
                    "time": one.time_ms,
                    "value": one.value,
                }
                for key, one in sorted(last.items())
            ],
        )
        return stored, fresh

    def _ids(
        self, connection: Connection, arrived: Sequence[Reading], last: dict[_Key, Reading]
    ) -> tuple[dict[_Key, int], dict[_Key, int]]:
        known = self._series_ids
        missing = [key for key in last if key not in known]
        if not missing:
            return known, {}
        for sensor, _ in missing:
            if not sensor.isprintable() or not 0 < len(sensor) <= LONGEST_SENSOR:
                raise StoreError(
                    f"sensor {sensor[:LONGEST_SENSOR]!r}: 1 to {LONGEST_SENSOR} printable characters",
                    hint="put the message that it came from into quarantine",
                )
        first_ms = {(one.sensor, str(one.quantity)): one.received_ms for one in reversed(arrived)}
        connection.execute(
            self._new_series,
            [
                {
                    "sensor": key[0],
                    "quantity": key[1],
                    "first_received_ms": first_ms[key],
                    "last_received_ms": last[key].received_ms,
                    "last_time_ms": last[key].time_ms,
                    "last_value": last[key].value,
                }
                for key in missing
            ],
        )
        found = connection.execute(
            select(series.c.sensor, series.c.quantity, series.c.id).where(
                series.c.sensor.in_([sensor for sensor, _ in missing])
            )
        )
        fresh = {(row.sensor, row.quantity): row.id for row in found}
        return {**known, **fresh}, fresh

    def _remember(self, fresh: dict[_Key, int]) -> None:
        # only after the commit: a number from a transaction that was rolled back is nobody's
        if not fresh:
            return
        kept = self._series_ids if len(self._series_ids) + len(fresh) <= _KNOWN_SERIES else {}
        # a new dict, because another thread may be reading the old one
        self._series_ids = {**kept, **fresh} if len(fresh) <= _KNOWN_SERIES else {}


def _check(arrived: Sequence[Reading], flags: Sequence[TimeFlag]) -> None:
    if flags and len(flags) != len(arrived):
        raise StoreError(f"{len(flags)} flags for {len(arrived)} readings")
    for one in arrived:
        # SQLite would keep NaN as NULL, and no database keeps a time beyond 64 bits
        if not isfinite(one.value) or abs(one.time_ms) > _FARTHEST_MS or abs(one.received_ms) > _FARTHEST_MS:
            raise StoreError(
                f"reading of {one.sensor!r}: {one.quantity} {one.value!r} at {one.time_ms} ms cannot be kept",
                hint="put the message that it came from into quarantine",
            )


def _between(
    column: ColumnElement[int], least: int | None, greatest: int | None
) -> tuple[ColumnElement[bool], ...]:
    bounds = []
    if least is not None:
        bounds.append(column >= least)
    if greatest is not None:
        bounds.append(column <= greatest)
    return tuple(bounds)


def _columns() -> Select[Any]:
    return select(
        readings.c.position,
        readings.c.series_id,
        readings.c.time_ms,
        readings.c.value,
        readings.c.received_ms,
        readings.c.flag,
    )


_ASIDE: Final = select(series.c.id).where(series.c.sensor == TAKEN_BACK)


def _all_series() -> Select[Any]:
    left = select(readings.c.position).where(readings.c.series_id == series.c.id).exists()
    return (
        select(
            series.c.sensor,
            series.c.quantity,
            series.c.first_received_ms,
            series.c.last_received_ms,
            series.c.last_time_ms,
            series.c.last_value,
        )
        # of hand samples none may be left; whatever else was heard stays heard
        .where(or_(series.c.quantity != str(Quantity.SAMPLE_GRAVITY), left))
        .where(series.c.sensor != TAKEN_BACK)
        .order_by(series.c.sensor, series.c.quantity)
    )


def _heard(connection: Connection, query: Select[Any]) -> list[Heard]:
    rows = connection.execute(query)
    return [Heard(sensor, _QUANTITIES[quantity], *told) for sensor, quantity, *told in rows]


def _thinned_query() -> Select[Any]:
    width_ms, from_ms = bindparam("width_ms", type_=BigInteger), bindparam("from_ms", type_=BigInteger)
    start = (readings.c.time_ms - from_ms) // width_ms * width_ms + from_ms
    return (
        select(
            start.label("start"),
            func.min(readings.c.value),
            func.avg(readings.c.value),
            func.max(readings.c.value),
            func.count(),
        )
        .join(series, series.c.id == readings.c.series_id)
        .where(
            series.c.sensor == bindparam("sensor"),
            series.c.quantity == bindparam("quantity"),
        )
        .where(readings.c.time_ms >= from_ms, readings.c.time_ms < bindparam("to_ms"))
        .group_by("start")
        .order_by("start")
    )


_THINNED: Final = _thinned_query()
"""Built once: a page of many small pictures asks it for each of them."""


def _fetched(
    connection: Connection, query: Select[Any], dtype: np.dtype[Any], asked: dict[str, Any] | None = None
) -> np.ndarray[Any, Any]:
    # straight from the driver's cursor: a Row for each reading would cost more than the query
    cursor: Any = cast("CursorResult[Any]", connection.execute(query, asked)).cursor
    return np.fromiter(cursor, dtype=dtype)


def _series(rows: np.ndarray[Any, Any], sources: dict[int, tuple[str, Quantity]]) -> Series:
    numbers = np.array(sorted(sources), dtype=np.int64)
    return Series(
        sources=tuple(sources[number] for number in numbers.tolist()),
        position=rows["position"].copy(),
        source=np.searchsorted(numbers, rows["series"]).astype(np.int64),
        time_ms=rows["time"].copy(),
        value=rows["value"].copy(),
        received_ms=rows["received"].copy(),
        flag=rows["flag"].copy(),
    )
