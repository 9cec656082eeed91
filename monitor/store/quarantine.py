"""Messages that could not be understood: kept for a look, oldest out, each kind counted for ever."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from sqlalchemy import Connection, delete, insert, select

from monitor.store.gate import Gate
from monitor.store.schema import fault_counts, quarantine
from monitor.store.values import FaultCount, Quarantined, Refused

LONGEST_PAYLOAD: Final = 65_536
"""More of a message than this is not kept."""
LONGEST_TEXT: Final = 1_024
_MOST_KINDS: Final = 200
_OTHER: Final = "other"


class SqlQuarantine:
    """Refused messages."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        one_more = gate.insert(fault_counts)
        self._count = one_more.on_conflict_do_update(
            index_elements=[fault_counts.c.kind],
            set_={
                "seen": fault_counts.c.seen + one_more.excluded.seen,
                "last_ms": one_more.excluded.last_ms,
            },
        )

    def put(self, connection: Connection, refused: Sequence[Refused]) -> None:
        """Add messages to a transaction; the oldest beyond the cap go."""
        if not refused:
            return
        cap = self._gate.options.quarantine_rows
        connection.execute(insert(quarantine), [_row(one) for one in refused[-cap:]])
        self._count_in(connection, refused)
        newest = select(quarantine.c.id).order_by(quarantine.c.id.desc()).limit(1).offset(cap)
        edge = connection.execute(newest).scalar()
        if edge is not None:
            connection.execute(delete(quarantine).where(quarantine.c.id <= edge))

    def listed(self, limit: int = 100, *, kind: str | None = None) -> list[Quarantined]:
        """The newest messages that are kept, newest first."""
        query = select(quarantine).order_by(quarantine.c.id.desc()).limit(limit)
        if kind is not None:
            query = query.where(quarantine.c.kind == kind)
        with self._gate.reading() as connection:
            return [
                Quarantined(
                    id=row.id,
                    refused=Refused(
                        row.received_ms, row.topic, bytes(row.payload), row.kind, row.reason, row.field
                    ),
                    payload_bytes=row.payload_bytes,
                )
                for row in connection.execute(query)
            ]

    def counts(self) -> list[FaultCount]:
        """How many of each kind there ever were, most first."""
        query = select(fault_counts).order_by(fault_counts.c.seen.desc(), fault_counts.c.kind)
        with self._gate.reading() as connection:
            return [FaultCount(row.kind, row.seen, row.last_ms) for row in connection.execute(query)]

    def clear(self) -> int:
        """Throw away the messages that are kept, not the counts; how many there were."""
        with self._gate.writing() as connection:
            return connection.execute(delete(quarantine)).rowcount

    def _count_in(self, connection: Connection, refused: Sequence[Refused]) -> None:
        tally: dict[str, tuple[int, int]] = {}
        known = set(connection.execute(select(fault_counts.c.kind)).scalars())
        for one in refused:
            kind = _text(one.kind)
            if kind not in known and len(known) >= _MOST_KINDS:
                kind = _OTHER
            known.add(kind)
            count, last_ms = tally.get(kind, (0, one.received_ms))
            tally[kind] = (count + 1, max(last_ms, one.received_ms))
        connection.execute(
            self._count,
            [
                {"kind": kind, "seen": count, "last_ms": last_ms}
                for kind, (count, last_ms) in sorted(tally.items())
            ],
        )


def _row(one: Refused) -> dict[str, object]:
    return {
        "received_ms": one.received_ms,
        # PostgreSQL keeps no NUL in text, and a topic may hold one where a broker is lax
        "topic": _text(one.topic),
        "payload": one.payload[:LONGEST_PAYLOAD],
        "payload_bytes": len(one.payload),
        "kind": _text(one.kind),
        "field": _text(one.field),
        "reason": _text(one.reason),
    }


def _text(words: str) -> str:
    return words[:LONGEST_TEXT].replace("\0", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "replace").decode()
