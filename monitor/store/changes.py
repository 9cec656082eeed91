"""What other processes changed, and how far a forwarder has come."""

from __future__ import annotations

from sqlalchemy import Connection, Executable, delete, func, insert, select

from monitor.store.gate import Gate
from monitor.store.schema import changes, marks
from monitor.store.values import Change, ChangeKind


def placing(gate: Gate) -> Executable:
    """Sets the position under a name, both given when it is executed."""
    statement = gate.insert(marks)
    return statement.on_conflict_do_update(
        index_elements=[marks.c.name], set_={"position": statement.excluded.position}
    )


class SqlChanges:
    """A short list of changes, newest last; the oldest fall off its end."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        self._placing = placing(gate)

    def note(self, connection: Connection, kind: ChangeKind, subject: str, at_ms: int) -> None:
        """Add a change to the transaction that makes it."""
        made = connection.execute(insert(changes).values(kind=str(kind), subject=subject, at_ms=at_ms))
        key = made.inserted_primary_key
        assert key is not None
        oldest = key[0] - self._gate.options.change_rows
        connection.execute(delete(changes).where(changes.c.position <= oldest))

    def position(self) -> int:
        """The number of the newest change; 0 where there is none."""
        with self._gate.reading() as connection:
            return self.position_in(connection)

    @staticmethod
    def position_in(connection: Connection) -> int:
        """The same inside a transaction of the caller's."""
        return connection.execute(select(func.max(changes.c.position))).scalar() or 0

    def since(self, position: int, limit: int = 500) -> list[Change]:
        """Changes after `position`, oldest first; cheap enough to ask every second."""
        query = select(changes).where(changes.c.position > position).order_by(changes.c.position).limit(limit)
        with self._gate.reading() as connection:
            return [
                Change(row.position, ChangeKind(row.kind), row.subject, row.at_ms)
                for row in connection.execute(query)
            ]

    def mark(self, name: str) -> int:
        """The position that was set under this name; 0 at first."""
        with self._gate.reading() as connection:
            return connection.execute(select(marks.c.position).where(marks.c.name == name)).scalar() or 0

    def marked(self, prefix: str) -> set[str]:
        """What follows the prefix in the names of marks that are not 0."""
        query = select(marks.c.name).where(
            marks.c.name.startswith(prefix, autoescape=True), marks.c.position != 0
        )
        with self._gate.reading() as connection:
            return {name.removeprefix(prefix) for name in connection.scalars(query)}

    def set_mark(self, name: str, position: int) -> None:
        """Remember a position under a name."""
        with self._gate.writing() as connection:
            connection.execute(self._placing, {"name": name, "position": position})

    def advance(self, name: str, seen: int, position: int) -> bool:
        """Move a mark on from where it was seen; False where another has moved it since."""
        with self._gate.writing() as connection:
            found = connection.execute(select(marks.c.position).where(marks.c.name == name)).scalar() or 0
            if found != seen:
                return False
            connection.execute(self._placing, {"name": name, "position": position})
            return True
