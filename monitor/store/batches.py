"""Batches in SQL: sheets, which sensors belong to them, their journals and their events in order."""

from __future__ import annotations

import heapq
import json
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Connection, Select, delete, func, insert, select, update

from monitor.batch.plain import from_plain, to_plain
from monitor.batch.sheet import Sheet
from monitor.errors import InputError, NotFoundError
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.store.changes import SqlChanges
from monitor.store.checkpoints import SqlCheckpoints
from monitor.store.gate import Gate
from monitor.store.readings import SqlReadings
from monitor.store.schema import batch_sensors, batches, journal, readings
from monitor.store.values import ChangeKind, Place, Series
from monitor.units import MS_PER_DAY

LEAD_MS: Final = MS_PER_DAY
"""Readings from so long before the pitch still belong to the batch: the float was in the must already."""

_ALONE: Final = {"gravity": "gravity", "temperature": "temperature of the liquid"}
_SHARED: Final = "other"
_FROM_YOUNGEST: Final = (batches.c.pitched_ms.desc(), batches.c.slug)


class SqlBatches:
    """The batches and what was done to them."""

    def __init__(self, gate: Gate, log: SqlReadings, changes: SqlChanges) -> None:
        self._gate = gate
        self._log = log
        self._changes = changes
        self._open_slugs: tuple[int, tuple[str, ...]] | None = None

    def start(self, sheet: Sheet, *, at_ms: int) -> None:
        """Add a batch.

        Raises InputError if the slug is taken, or a sensor is believed for the same in an open batch.
        """
        with self._gate.writing() as connection:
            if _row(connection, sheet.slug) is not None:
                raise InputError(
                    f"there is a batch {sheet.slug!r} already",
                    hint="give this one another name; a batch that has ended keeps its own",
                )
            connection.execute(insert(batches).values(**_values(sheet)))
            self._tie(connection, sheet)
            self._changes.note(connection, ChangeKind.BATCH, sheet.slug, at_ms)

    def update(self, sheet: Sheet, *, at_ms: int) -> None:
        """Replace the sheet of the batch with this slug; NotFoundError, InputError as for `start`."""
        with self._gate.writing() as connection:
            self._update(connection, sheet, at_ms)

    def change(self, slug: str, change: Callable[[Sheet], Sheet], *, at_ms: int) -> Sheet:
        """Replace a sheet by what `change` makes of it, in one transaction: nobody's change is lost.

        What `change` raises leaves everything as it was; it may not use the store. Gives the new sheet.
        """
        with self._gate.writing() as connection:
            sheet = change(sheet_in(connection, slug))
            self._update(connection, sheet, at_ms)
        return sheet

    def end(self, slug: str, *, ended_ms: int, at_ms: int) -> Sheet:
        """End a batch; its sensors are free for another. Gives the sheet as it is now."""
        return self.change(slug, lambda sheet: replace(sheet, ended_ms=ended_ms), at_ms=at_ms)

    def get(self, slug: str) -> Sheet:
        """The sheet of a batch; NotFoundError names those there are."""
        with self._gate.reading() as connection:
            return sheet_in(connection, slug)

    def listed(self, *, only_open: bool = False) -> list[Sheet]:
        """Sheets in order of pitching, the newest last."""
        query = select(batches.c.sheet).order_by(batches.c.pitched_ms, batches.c.slug)
        if only_open:
            query = query.where(batches.c.ended_ms.is_(None))
        return self._sheets(query)

    def from_youngest(self, limit: int, *, after: Place | None = None, only_open: bool) -> list[Sheet]:
        """So many sheets behind a place, or from the top, the youngest first, those of one moment by name.

        Whatever is started or ended between two questions, no sheet is given twice and none left out.
        """
        query = select(batches.c.sheet).order_by(*_FROM_YOUNGEST).limit(limit)
        if after is not None:
            query = query.where(
                (batches.c.pitched_ms < after.pitched_ms)
                | ((batches.c.pitched_ms == after.pitched_ms) & (batches.c.slug > after.slug))
            )
        if only_open:
            query = query.where(batches.c.ended_ms.is_(None))
        return self._sheets(query)

    def past_first(self, limit: int, *, skipping: int) -> list[Sheet]:
        """Some sheets of all: those that have ended, then the others, the youngest first."""
        query = select(batches.c.sheet).order_by(batches.c.ended_ms.is_(None), *_FROM_YOUNGEST)
        return self._sheets(query.limit(limit).offset(skipping))

    def ended_count(self) -> int:
        """How many have ended."""
        with self._gate.reading() as connection:
            return connection.execute(select(func.count(batches.c.ended_ms))).scalar() or 0

    def open_slugs(self) -> Sequence[str]:
        """Names of the open batches, the youngest first; read anew only where anything was changed since."""
        query = select(batches.c.slug).where(batches.c.ended_ms.is_(None)).order_by(*_FROM_YOUNGEST)
        with self._gate.reading() as connection:
            # the position first: what is changed in between is then read once more
            position = SqlChanges.position_in(connection)
            known = self._open_slugs
            if known is None or known[0] != position:
                known = self._open_slugs = position, tuple(connection.execute(query).scalars().all())
        return known[1]

    def named(self, slugs: Sequence[str]) -> list[Sheet]:
        """The sheets of these batches, in the order given; what is not there is left out."""
        query = select(batches.c.slug, batches.c.sheet).where(batches.c.slug.in_(slugs))
        with self._gate.reading() as connection:
            found = {slug: _read(sheet) for slug, sheet in connection.execute(query)}
        return [found[slug] for slug in slugs if slug in found]

    def owners(self, sensors: Collection[str] | None = None) -> dict[str, tuple[str, ...]]:
        """For each sensor of an open batch, or of these, the slugs it belongs to: a room's may have many."""
        query = (
            select(batch_sensors.c.sensor, batch_sensors.c.batch)
            .join(batches, batches.c.slug == batch_sensors.c.batch)
            .where(batches.c.ended_ms.is_(None))
            .distinct()
            .order_by(batch_sensors.c.sensor, batch_sensors.c.batch)
        )
        if sensors is not None:
            query = query.where(batch_sensors.c.sensor.in_(sensors))
        found: dict[str, tuple[str, ...]] = {}
        with self._gate.reading() as connection:
            for sensor, slug in connection.execute(query):
                found[sensor] = (*found.get(sensor, ()), slug)
        return found

    def write_down(self, slug: str, entry: JournalEntry) -> None:
        """Add an entry to a batch's journal; NotFoundError without the batch."""
        with self._gate.writing() as connection:
            sheet_in(connection, slug)
            connection.execute(
                insert(journal).values(
                    batch=slug,
                    kind=str(entry.kind),
                    done_ms=entry.done_ms,
                    at_ms=entry.at_ms,
                    note=entry.note,
                )
            )
            self._changes.note(connection, ChangeKind.JOURNAL, slug, entry.at_ms)

    def journal(self, slug: str) -> list[JournalEntry]:
        """The journal in order of entry, without what was taken back; NotFoundError without the batch."""
        with self._gate.reading() as connection:
            sheet_in(connection, slug)
            return _journal(connection, slug)

    def journals(self, slugs: Collection[str]) -> dict[str, list[JournalEntry]]:
        """The journals of these batches, each in order of entry; empty where nothing is written down."""
        query = _counting().where(journal.c.batch.in_(slugs))
        found: dict[str, list[JournalEntry]] = {slug: [] for slug in slugs}
        with self._gate.reading() as connection:
            for row in connection.execute(query):
                found[row.batch].append(entry_of(row))
        return found

    def readings(self, slug: str) -> Series:
        """All readings that belong to a batch, hand samples too, in order of arrival."""
        with self._gate.reading() as connection:
            return self._readings(connection, sheet_in(connection, slug))

    def events(
        self, slug: str, *, after: int = 0, entries: int = 0, samples: int = 0
    ) -> Iterator[Reading | JournalEntry]:
        """What happened to a batch, in order of arrival: give it to a new pipeline to stand where one stood.

        To one that has taken in the readings up to position `after`, so many journal entries and so many
        hand samples, give what is left. Of an entry and a reading of the same millisecond the entry comes
        first. All of it is fetched before this returns (40 bytes a reading), so that no cursor stays open
        while the caller works.
        """
        with self._gate.reading() as connection:
            sheet = sheet_in(connection, slug)
            found = (
                self._left(connection, sheet, after, samples)
                if after or samples
                else self._readings(connection, sheet).readings()
            )
            written = _journal(connection, slug, entries)
        return _merged(found, written)

    def notes(self, slug: str, *, entries: int, samples: int) -> Iterator[Reading | JournalEntry]:
        """What was written down of a batch after the first so many entries and hand samples."""
        with self._gate.reading() as connection:
            sheet = sheet_in(connection, slug)
            by_hand = self._by_hand(connection, sheet, samples)
            written = _journal(connection, slug, entries)
        return _merged(by_hand, written)

    def _sheets(self, query: Select[tuple[str]]) -> list[Sheet]:
        with self._gate.reading() as connection:
            return [_read(sheet) for sheet in connection.execute(query).scalars()]

    def _left(self, connection: Connection, sheet: Sheet, after: int, samples: int) -> Iterator[Reading]:
        """Readings after a position and hand samples after the first so many, in order of arrival."""
        sensors = [sensor for sensor in sheet.sensors if sensor != sheet.hand_sensor]
        bounds = [readings.c.received_ms >= sheet.pitched_ms - LEAD_MS, readings.c.position > after]
        measured = self._log.read_in(connection, sensors, None, bounds)
        by_hand = self._by_hand(connection, sheet, samples)
        # both are in order of arrival already
        return heapq.merge(measured.readings(), by_hand, key=lambda one: one.received_ms)

    def _by_hand(self, connection: Connection, sheet: Sheet, samples: int) -> Iterator[Reading]:
        """Hand samples in order of arrival, without the first so many that were written."""
        bounds = [readings.c.received_ms >= sheet.pitched_ms - LEAD_MS]
        found = self._log.read_in(connection, [sheet.hand_sensor], None, bounds)
        known = set(sorted(found.position.tolist())[:samples])
        return (
            one
            for position, one in zip(found.position.tolist(), found.readings(), strict=True)
            if position not in known
        )

    def _readings(self, connection: Connection, sheet: Sheet) -> Series:
        bounds = [readings.c.received_ms >= sheet.pitched_ms - LEAD_MS]
        if sheet.ended_ms is not None:
            bounds.append(readings.c.received_ms <= sheet.ended_ms)
        return self._log.read_in(connection, sheet.sensors, None, bounds)

    def _update(self, connection: Connection, sheet: Sheet, at_ms: int) -> None:
        sheet_in(connection, sheet.slug)
        connection.execute(update(batches).where(batches.c.slug == sheet.slug).values(**_values(sheet)))
        connection.execute(delete(batch_sensors).where(batch_sensors.c.batch == sheet.slug))
        self._tie(connection, sheet)
        # readings may have been put in behind it; and nobody may be running who would drop it
        SqlCheckpoints.forget(connection, sheet.slug)
        self._changes.note(connection, ChangeKind.BATCH, sheet.slug, at_ms)

    def _tie(self, connection: Connection, sheet: Sheet) -> None:
        pairs = {(_SHARED, sensor) for sensor in sheet.other_sensors}
        for role, sensor in (("gravity", sheet.gravity_sensor), ("temperature", sheet.temperature_sensor)):
            if sensor is None:
                continue
            pairs.add((role, sensor))
            if sheet.open:
                _refuse_second_owner(connection, sheet.slug, role, sensor)
        if pairs:
            connection.execute(
                insert(batch_sensors),
                [{"batch": sheet.slug, "role": role, "sensor": sensor} for role, sensor in sorted(pairs)],
            )


def _refuse_second_owner(connection: Connection, slug: str, role: str, sensor: str) -> None:
    owner = connection.execute(
        select(batches.c.slug)
        .join(batch_sensors, batches.c.slug == batch_sensors.c.batch)
        .where(batches.c.ended_ms.is_(None), batches.c.slug != slug)
        .where(batch_sensors.c.role == role, batch_sensors.c.sensor == sensor)
    ).scalar()
    if owner is not None:
        raise InputError(
            f"sensor {sensor!r} is believed for the {_ALONE[role]} of the open batch {owner!r} already",
            hint=f"end {owner!r} first, or name another sensor",
        )


def _values(sheet: Sheet) -> dict[str, Any]:
    return {
        "slug": sheet.slug,
        "pitched_ms": sheet.pitched_ms,
        "ended_ms": sheet.ended_ms,
        "sheet": json.dumps(to_plain(sheet), allow_nan=False),
    }


def _row(connection: Connection, slug: str) -> str | None:
    found: str | None = connection.execute(select(batches.c.sheet).where(batches.c.slug == slug)).scalar()
    return found


def sheet_in(connection: Connection, slug: str) -> Sheet:
    """The sheet of a batch in a transaction of the caller's; NotFoundError names those there are."""
    found = _row(connection, slug)
    if found is None:
        there = connection.execute(select(batches.c.slug).order_by(batches.c.pitched_ms.desc()).limit(10))
        names = ", ".join(there.scalars())
        none = "there is none yet; `carboyd batch start` begins one"
        raise NotFoundError(f"there is no batch {slug!r}", hint=f"the newest are: {names}" if names else none)
    return _read(found)


@lru_cache(maxsize=20_000)
def _read(text: str) -> Sheet:
    """The sheet in a row; they seldom change and are asked for often, and reading one takes a while."""
    return from_plain(json.loads(text))


def _counting() -> Select[Any]:
    """Entries in their order, without what was taken back."""
    return select(journal).where(journal.c.struck_ms.is_(None)).order_by(journal.c.at_ms, journal.c.id)


def _journal(connection: Connection, slug: str, entries: int = 0) -> list[JournalEntry]:
    """In order of entry, without the first so many that were written."""
    rows = connection.execute(_counting().where(journal.c.batch == slug)).all()
    # a clock set back puts a new one before those that were taken in: they are told apart by their rows
    known = set(sorted(row.id for row in rows)[:entries])
    return [entry_of(row) for row in rows if row.id not in known]


def entry_of(row: Any) -> JournalEntry:
    """The entry in a row of the journal."""
    return JournalEntry(JournalKind(row.kind), row.done_ms, row.at_ms, row.note)


def _merged(found: Iterator[Reading], entries: list[JournalEntry]) -> Iterator[Reading | JournalEntry]:
    waiting = iter(entries)
    entry = next(waiting, None)
    for reading in found:
        while entry is not None and entry.at_ms <= reading.received_ms:
            yield entry
            entry = next(waiting, None)
        yield reading
    if entry is not None:
        yield entry
        yield from waiting
