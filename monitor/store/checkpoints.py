"""Pipelines as they stood some hours ago, so that a restart need not fold over weeks."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

from sqlalchemy import Connection, Select, bindparam, delete, func, select

from monitor.store.claims import held_among
from monitor.store.gate import Gate
from monitor.store.schema import batch_sensors, batches, changes, checkpoints
from monitor.store.values import ChangeKind, Checkpoint, Claim

_VOIDED: Final = (
    select(changes.c.position)
    .where(
        changes.c.position > bindparam("seen"),
        changes.c.kind.in_([str(ChangeKind.BATCH), str(ChangeKind.REDERIVED)]),
    )
    .limit(1)
)


class SqlCheckpoints:
    """The newest checkpoint of each batch."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    def put(self, fresh: Sequence[Checkpoint], *, changes_seen: int, claims: Sequence[Claim] = ()) -> None:
        """Keep these in place of what was there; of those with a claim only where it still holds.

        Nothing is kept where a sheet or kept readings were changed after the change `changes_seen`.
        """
        statement = self._gate.insert(checkpoints)
        newest = statement.on_conflict_do_update(
            index_elements=[checkpoints.c.batch],
            set_={
                name: statement.excluded[name]
                for name in ("digest", "position", "entries", "samples", "body")
            },
        )
        with self._gate.writing() as connection:
            if connection.execute(_VOIDED, {"seen": changes_seen}).first() is not None:
                return
            open_ones = set(
                connection.scalars(
                    select(batches.c.slug).where(
                        batches.c.slug.in_([one.batch for one in fresh]), batches.c.ended_ms.is_(None)
                    )
                )
            )
            open_ones -= {claim.batch for claim in claims} - held_among(connection, claims)
            rows = [_row(one) for one in fresh if one.batch in open_ones]
            if rows:
                connection.execute(newest, rows)

    def get(self, batch: str) -> Checkpoint | None:
        """The checkpoint of a batch, None where there is none."""
        with self._gate.reading() as connection:
            row = connection.execute(select(checkpoints).where(checkpoints.c.batch == batch)).one_or_none()
        if row is None:
            return None
        return Checkpoint(row.batch, row.digest, row.position, row.entries, row.samples, bytes(row.body))

    def drop(self, batch: str) -> None:
        """Forget the checkpoint of a batch."""
        with self._gate.writing() as connection:
            self.forget(connection, batch)

    def bytes_kept(self) -> int:
        """How much room they take."""
        with self._gate.reading() as connection:
            total = connection.execute(select(func.sum(func.length(checkpoints.c.body)))).scalar()
        return int(total or 0)

    @staticmethod
    def forget(connection: Connection, batch: str) -> None:
        """The same in a transaction that changes what a batch is judged by."""
        connection.execute(delete(checkpoints).where(checkpoints.c.batch == batch))

    @staticmethod
    def forget_of_sensors(connection: Connection, sensors: Sequence[str]) -> None:
        """In a transaction that changes kept readings: what was computed from them is void."""
        connection.execute(delete(checkpoints).where(checkpoints.c.batch.in_(batches_with(sensors))))


def batches_with(sensors: Collection[str]) -> Select[tuple[str]]:
    """The batches that have one of these sensors."""
    return select(batch_sensors.c.batch).where(batch_sensors.c.sensor.in_(sensors))


def _row(one: Checkpoint) -> dict[str, object]:
    return {
        "batch": one.batch,
        "digest": one.digest,
        "position": one.position,
        "entries": one.entries,
        "samples": one.samples,
        "body": one.body,
    }
