"""The quickest way into the table of readings that each database has, behind one function.

SQLite takes prepared tuples straight to its driver, PostgreSQL one array a column: both spare the
per-row work of building parameters, which costs more than the insert itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final, cast

from sqlalchemy import BigInteger, Connection, CursorResult, Double, Integer, bindparam, func, select
from sqlalchemy.dialects.postgresql import ARRAY

from monitor.store.gate import Gate
from monitor.store.schema import readings

Row = tuple[int, int, float, int, int]
"""Number of the series, time, value, arrival, flag; see `COLUMNS`."""

COLUMNS: Final = ("series_id", "time_ms", "value", "received_ms", "flag")
_TYPES: Final = (BigInteger, BigInteger, Double, BigInteger, Integer)

Put = Callable[[Connection, Sequence[Row]], int]
"""Writes rows in a transaction and says how many were written.

To overwrite, no key may be in the rows twice: PostgreSQL refuses that.
"""


def putting(gate: Gate, *, overwrite: bool) -> Put:
    """How to write rows here: keys that are there already stay as they are, or get the new value."""
    statement = gate.insert(readings)
    if not gate.is_sqlite:
        arrays = [
            func.unnest(bindparam(name, type_=ARRAY(kind)))
            for name, kind in zip(COLUMNS, _TYPES, strict=True)
        ]
        statement = statement.from_select(list(COLUMNS), select(*arrays))
    else:
        statement = statement.values({name: bindparam(name) for name in COLUMNS})
    key = [readings.c.series_id, readings.c.time_ms]
    if overwrite:
        statement = statement.on_conflict_do_update(
            index_elements=key, set_={"value": statement.excluded.value}
        )
    else:
        statement = statement.on_conflict_do_nothing(index_elements=key)
    return _by_tuples(gate, statement) if gate.is_sqlite else _by_arrays(gate, statement)


def _by_tuples(gate: Gate, statement: Any) -> Put:
    compiled = statement.compile(dialect=gate.engine.dialect)
    words = str(compiled)
    assert tuple(compiled.positiontup) == COLUMNS

    def put(connection: Connection, rows: Sequence[Row]) -> int:
        return connection.exec_driver_sql(words, list(rows)).rowcount

    return put


def _by_arrays(gate: Gate, statement: Any) -> Put:
    # while the arrays of very many rows are built the server would take us for hung
    at_once = gate.options.rows_at_once

    def put(connection: Connection, rows: Sequence[Row]) -> int:
        written = 0
        for start in range(0, len(rows), at_once):
            columns = zip(*rows[start : start + at_once], strict=True)
            values = {name: list(column) for name, column in zip(COLUMNS, columns, strict=True)}
            written += cast("CursorResult[Any]", connection.execute(statement, values)).rowcount
        return written

    return put
