"""Where each open batch stood at the last look, so that another process need not judge it anew."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Connection, delete, select

from monitor.store.claims import held_among
from monitor.store.gate import Gate
from monitor.store.schema import batches, marks, standings
from monitor.store.values import Claim, StoredStanding

_COUNTER: Final = "standings"


class SqlStandings:
    """One document a batch, always the newest; its writer alone knows what is in it."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    def put(self, fresh: Sequence[StoredStanding], *, claims: Sequence[Claim] = ()) -> None:
        """Keep these, in one transaction, in place of what was there; an unknown batch keeps nothing.

        Of those with a claim only where it still holds: an older standing must not cover a newer one.
        """
        statement = self._gate.insert(standings)
        newest = statement.on_conflict_do_update(
            index_elements=[standings.c.batch],
            set_={name: statement.excluded[name] for name in ("at_ms", "document", "number", "told")},
        )
        with self._gate.writing() as connection:
            named = [standing.batch for standing in fresh]
            known = set(connection.scalars(select(batches.c.slug).where(batches.c.slug.in_(named))))
            known -= {claim.batch for claim in claims} - held_among(connection, claims)
            kept = [standing for standing in fresh if standing.batch in known]
            if kept:
                last = self._numbered(connection, len(kept))
                rows = [_row(one, last - place) for place, one in enumerate(reversed(kept))]
                connection.execute(newest, rows)

    def _numbered(self, connection: Connection, count: int) -> int:
        """The last of so many new numbers; writers come one by one, so they are nobody else's."""
        # counted apart: the highest number in the table may belong to a batch that is dropped
        statement = self._gate.insert(marks).values(name=_COUNTER, position=count)
        counted = statement.on_conflict_do_update(
            index_elements=[marks.c.name], set_={"position": marks.c.position + count}
        )
        connection.execute(counted)
        query = select(marks.c.position).where(marks.c.name == _COUNTER)
        last: int = connection.execute(query).scalar_one()
        return last

    def drop(self, batch: str) -> None:
        """Forget where a batch stood."""
        with self._gate.writing() as connection:
            connection.execute(delete(standings).where(standings.c.batch == batch))

    def listed(self) -> list[StoredStanding]:
        """All of them, in order of the batches' names."""
        with self._gate.reading() as connection:
            rows: Any = connection.execute(select(standings).order_by(standings.c.batch))
            return [_standing(row) for row in rows]

    def since(self, number: int, limit: int = 500) -> tuple[int, list[StoredStanding]]:
        """Those written after a number, the oldest first, and the number of the last of them."""
        query = select(standings).where(standings.c.number > number).order_by(standings.c.number).limit(limit)
        with self._gate.reading() as connection:
            rows: Any = connection.execute(query).all()
        return (rows[-1].number if rows else number), [_standing(row) for row in rows]


def _row(standing: StoredStanding, number: int) -> dict[str, Any]:
    return {
        "batch": standing.batch,
        "at_ms": standing.at_ms,
        "document": _json(standing.document),
        "number": number,
        "told": None if standing.told is None else _json(standing.told),
    }


def _standing(row: Any) -> StoredStanding:
    told = None if row.told is None else json.loads(row.told)
    return StoredStanding(row.batch, row.at_ms, json.loads(row.document), told)


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False)
