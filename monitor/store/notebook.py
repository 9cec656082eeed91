"""What the maker wrote down of a batch: every line under a name that stays, taken back where it was wrong.

A journal entry that is taken back is marked. A hand sample is moved: what it was goes into a table of its
own, its row among the readings to a sensor that nobody reads. So its moment is free for the right value, and
its position is not given out again, which checkpoints and forwarders count on.
"""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import Connection, insert, select, update

from monitor.batch.sheet import HAND_PREFIX
from monitor.errors import NotFoundError
from monitor.ferment.event import JournalEntry, Reading
from monitor.store.batches import entry_of, sheet_in
from monitor.store.changes import SqlChanges
from monitor.store.checkpoints import SqlCheckpoints
from monitor.store.gate import Gate
from monitor.store.readings import TAKEN_BACK
from monitor.store.schema import journal, readings, series, struck_samples
from monitor.store.values import ChangeKind, Written
from monitor.units import Quantity, rfc3339_from_ms


class SqlNotebook:
    """Journal and hand samples of all batches, what was taken back too."""

    def __init__(self, gate: Gate, changes: SqlChanges) -> None:
        self._gate = gate
        self._changes = changes
        self._new_series = gate.insert(series).on_conflict_do_nothing(
            index_elements=[series.c.sensor, series.c.quantity]
        )

    def listed(self, slug: str) -> list[Written]:
        """Everything that was written down of a batch, in order of entry; NotFoundError without the batch."""
        with self._gate.reading() as connection:
            sheet_in(connection, slug)
            return _listed(connection, slug)

    def take_back(self, slug: str, name: str, *, at_ms: int) -> Written:
        """Let an entry or a sample count for nothing from now on; whoever judges the batch begins it anew.

        NotFoundError where a batch has no such line, or it was taken back already: then nothing is changed.
        """
        with self._gate.writing() as connection:
            sheet_in(connection, slug)
            found = next((one for one in _listed(connection, slug) if one.name == name), None)
            hint = f"`carboyd batch show {slug}` lists what is written down"
            if found is None:
                raise NotFoundError(f"there is no {name!r} in the journal of {slug!r}", hint=hint)
            if found.struck_ms is not None:
                moment = rfc3339_from_ms(found.struck_ms)
                raise NotFoundError(f"{name} of {slug!r} was taken back already, at {moment}", hint=hint)
            number = int(name.rpartition("-")[2])
            if isinstance(found.what, JournalEntry):
                connection.execute(update(journal).where(journal.c.id == number).values(struck_ms=at_ms))
            else:
                self._set_aside(connection, slug, number, found.what, at_ms)
            # whoever takes the batch up next must not begin where the mistake was known already
            SqlCheckpoints.forget(connection, slug)
            self._changes.note(connection, ChangeKind.BATCH, slug, at_ms)
        return replace(found, struck_ms=at_ms)

    def _set_aside(
        self, connection: Connection, slug: str, position: int, sample: Reading, at_ms: int
    ) -> None:
        kept = {"time_ms": sample.time_ms, "value": sample.value, "received_ms": sample.received_ms}
        connection.execute(
            insert(struck_samples).values(position=position, batch=slug, struck_ms=at_ms, **kept)
        )
        connection.execute(
            self._new_series,
            {
                "sensor": TAKEN_BACK,
                "quantity": str(Quantity.SAMPLE_GRAVITY),
                "first_received_ms": sample.received_ms,
                "last_received_ms": sample.received_ms,
                "last_time_ms": sample.time_ms,
                "last_value": sample.value,
            },
        )
        aside = connection.execute(select(series.c.id).where(series.c.sensor == TAKEN_BACK)).scalar_one()
        # two of one moment may be taken back, of one batch or of two: there the position keeps them apart
        moved = update(readings).where(readings.c.position == position)
        connection.execute(moved.values(series_id=aside, time_ms=position))
        _say_last(connection, sample.sensor)


def _say_last(connection: Connection, sensor: str) -> None:
    """What was heard last is the newest sample that is left."""
    own = select(series.c.id).where(
        series.c.sensor == sensor, series.c.quantity == str(Quantity.SAMPLE_GRAVITY)
    )
    number = connection.execute(own).scalar_one()
    newest = (
        select(readings)
        .where(readings.c.series_id == number)
        .order_by(readings.c.received_ms.desc(), readings.c.position.desc())
        .limit(1)
    )
    left = connection.execute(newest).one_or_none()
    if left is not None:
        connection.execute(
            update(series)
            .where(series.c.id == number)
            .values(
                last_received_ms=left.received_ms,
                last_time_ms=left.time_ms,
                last_value=left.value,
            )
        )


def _listed(connection: Connection, slug: str) -> list[Written]:
    sensor = HAND_PREFIX + slug
    entries = select(journal).where(journal.c.batch == slug).order_by(journal.c.at_ms, journal.c.id)
    samples = (
        select(readings)
        .join(series, series.c.id == readings.c.series_id)
        .where(series.c.sensor == sensor, series.c.quantity == str(Quantity.SAMPLE_GRAVITY))
    )
    struck = select(struck_samples).where(struck_samples.c.batch == slug)
    found = [Written(f"entry-{row.id}", entry_of(row), row.struck_ms) for row in connection.execute(entries)]
    rows = [(row, None) for row in connection.execute(samples)]
    rows += [(row, row.struck_ms) for row in connection.execute(struck)]
    for row, struck_ms in sorted(rows, key=lambda pair: (pair[0].received_ms, pair[0].position)):
        sample = Reading(sensor, Quantity.SAMPLE_GRAVITY, row.time_ms, row.value, row.received_ms)
        found.append(Written(f"sample-{row.position}", sample, struck_ms))
    return sorted(found, key=lambda one: one.what.at_ms)
