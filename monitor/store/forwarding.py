"""How far forwarding has come, in SQL: positions that move only with what the server accepted."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import Any, Final

from sqlalchemy import Connection, Table, delete, func, select

from monitor.store.changes import placing
from monitor.store.gate import Gate
from monitor.store.schema import alert_steps, forwarding, levels, marks, phases, readings, set_aside
from monitor.store.values import Feed, ForwardState, SetAside

COUNTED: Final = 100_000
"""What waits is counted no further: a number beyond this says nothing more, and counting costs."""
KEPT_ASIDE: Final = 1_000
"""Lines set aside for one target, oldest out."""
LONGEST_REASON: Final = 500

_TABLES: Final[dict[Feed, Table]] = {
    Feed.LEVELS: levels,
    Feed.PHASES: phases,
    Feed.ALERTS: alert_steps,
    Feed.READINGS: readings,
}


class SqlForwarding:
    """Positions, troubles and lines set aside, by target."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        self._asking = threading.Lock()
        self._held: dict[str, Connection] = {}
        self._mark = placing(gate)
        self._aside = gate.insert(set_aside).on_conflict_do_nothing(
            index_elements=[set_aside.c.target, set_aside.c.feed, set_aside.c.position]
        )
        state = gate.insert(forwarding)
        self._state = state.on_conflict_do_update(
            index_elements=[forwarding.c.target],
            set_={
                # a failure keeps the time of the last success
                "accepted_ms": func.coalesce(state.excluded.accepted_ms, forwarding.c.accepted_ms),
                "trouble": state.excluded.trouble,
                "trouble_ms": state.excluded.trouble_ms,
            },
        )

    def positions(self, target: str) -> dict[Feed, int]:
        """The last position of each feed that this target has accepted; 0 before the first."""
        with self._gate.reading() as connection:
            return _positions(connection, target)

    def mine(self, target: str) -> bool:
        """Whether this process is the one that forwards to a target.

        On a server one at a time is, by a lock of the database's own that ends with its connection: when
        that process ends, however it ends, another one's next question is answered with yes.
        """
        if self._gate.is_sqlite:
            return True
        with self._gate.errors(), self._asking:
            held = self._held.get(target)
            if held is not None and not held.invalidated:
                held.execute(select(1))  # it fails where the connection broke, and the lock with it
                return True
            self._held.pop(target, None)
            locked = self._lock(target)
            if locked is not None:
                self._held[target] = locked
            return locked is not None

    def close(self) -> None:
        """Let another process forward."""
        with self._asking:
            for held in self._held.values():
                held.close()
            self._held = {}

    def accepted(
        self,
        target: str,
        upto: Mapping[Feed, int],
        refused: Sequence[SetAside] = (),
        *,
        at_ms: int,
        since: Mapping[Feed, int] | None = None,
    ) -> bool:
        """Move positions on, with what was set aside on the way, in one transaction.

        With `since`, only where they are still what they were then; False where somebody has moved them.
        """
        with self._gate.writing() as connection:
            if since is not None and _positions(connection, target) != since:
                return False
            if upto:
                rows = [{"name": _name(target, feed), "position": at} for feed, at in upto.items()]
                connection.execute(self._mark, rows)
            if refused:
                connection.execute(self._aside, [_aside_row(target, one) for one in refused])
                self._drop_oldest(connection, target)
            self._put(connection, target, at_ms, "", None)
        return True

    def failed(self, target: str, trouble: str, *, at_ms: int) -> None:
        """Keep why nothing is accepted, and since when; positions stay."""
        with self._gate.writing() as connection:
            self._put(connection, target, None, trouble[:LONGEST_REASON], at_ms)

    def start_over(self, target: str) -> None:
        """Forget positions and lines set aside: everything will be forwarded again."""
        names = [_name(target, feed) for feed in Feed]
        with self._gate.writing() as connection:
            connection.execute(delete(marks).where(marks.c.name.in_(names)))
            connection.execute(delete(set_aside).where(set_aside.c.target == target))

    def state(self, target: str) -> ForwardState:
        """How far this target has come, and what waits."""
        positions = self.positions(target)
        oldest = (
            select(readings.c.received_ms)
            .where(readings.c.position > positions[Feed.READINGS])
            .order_by(readings.c.position)
            .limit(1)
        )
        with self._gate.reading() as connection:
            row: Any = connection.execute(
                select(forwarding).where(forwarding.c.target == target)
            ).one_or_none()
            return ForwardState(
                target,
                {feed: _waiting(connection, _TABLES[feed], positions[feed]) for feed in Feed},
                connection.execute(oldest).scalar(),
                None if row is None else row.accepted_ms,
                "" if row is None else row.trouble,
                None if row is None else row.trouble_ms,
                connection.execute(
                    select(func.count()).select_from(set_aside).where(set_aside.c.target == target)
                ).scalar_one(),
            )

    def set_aside(self, target: str, limit: int = 100) -> list[SetAside]:
        """Lines that the server will not have, the newest first."""
        query = (
            select(set_aside).where(set_aside.c.target == target).order_by(set_aside.c.id.desc()).limit(limit)
        )
        with self._gate.reading() as connection:
            return [
                SetAside(Feed(row.feed), row.position, row.line, row.reason, row.at_ms)
                for row in connection.execute(query)
            ]

    def _lock(self, target: str) -> Connection | None:
        connection = self._gate.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        connection.detach()  # the lock is the connection's: no other user of the pool may get it
        key = int.from_bytes(sha256(target.encode()).digest()[:8], "big", signed=True)
        if connection.execute(select(func.pg_try_advisory_lock(key))).scalar():
            return connection
        connection.close()
        return None

    def _put(
        self, connection: Connection, target: str, accepted_ms: int | None, trouble: str, since: int | None
    ) -> None:
        connection.execute(
            self._state,
            {"target": target, "accepted_ms": accepted_ms, "trouble": trouble, "trouble_ms": since},
        )

    @staticmethod
    def _drop_oldest(connection: Connection, target: str) -> None:
        kept = (
            select(set_aside.c.id)
            .where(set_aside.c.target == target)
            .order_by(set_aside.c.id.desc())
            .limit(1)
            .offset(KEPT_ASIDE)
        )
        edge = connection.execute(kept).scalar()
        if edge is not None:
            connection.execute(delete(set_aside).where(set_aside.c.target == target, set_aside.c.id <= edge))


def _positions(connection: Connection, target: str) -> dict[Feed, int]:
    names = {_name(target, feed): feed for feed in Feed}
    found = connection.execute(select(marks).where(marks.c.name.in_([*names])))
    kept = {names[row.name]: row.position for row in found}
    return {feed: kept.get(feed, 0) for feed in Feed}


def _name(target: str, feed: Feed) -> str:
    return f"{feed}@{target}"


def _waiting(connection: Connection, table: Table, position: int) -> int:
    some = select(table.c.position).where(table.c.position > position).limit(COUNTED).subquery()
    return connection.execute(select(func.count()).select_from(some)).scalar_one()


def _aside_row(target: str, one: SetAside) -> dict[str, Any]:
    return {
        "target": target,
        "feed": str(one.feed),
        "position": one.position,
        "line": one.line,
        "reason": one.reason[:LONGEST_REASON],
        "at_ms": one.at_ms,
    }
