"""Where each open batch stood at the last look, so that another process need not judge it anew."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import delete, select

from monitor.store.gate import Gate
from monitor.store.schema import batches, standings
from monitor.store.values import StoredStanding


class SqlStandings:
    """One document a batch, always the newest; its writer alone knows what is in it."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    def put(self, fresh: Sequence[StoredStanding]) -> None:
        """Keep these, in one transaction, in place of what was there; an unknown batch keeps nothing."""
        statement = self._gate.insert(standings)
        newest = statement.on_conflict_do_update(
            index_elements=[standings.c.batch],
            set_={"at_ms": statement.excluded.at_ms, "document": statement.excluded.document},
        )
        with self._gate.writing() as connection:
            named = [standing.batch for standing in fresh]
            known = set(connection.scalars(select(batches.c.slug).where(batches.c.slug.in_(named))))
            rows = [_row(standing) for standing in fresh if standing.batch in known]
            if rows:
                connection.execute(newest, rows)

    def drop(self, batch: str) -> None:
        """Forget where a batch stood."""
        with self._gate.writing() as connection:
            connection.execute(delete(standings).where(standings.c.batch == batch))

    def listed(self) -> list[StoredStanding]:
        """All of them, in order of the batches' names."""
        with self._gate.reading() as connection:
            rows: Any = connection.execute(select(standings).order_by(standings.c.batch))
            return [StoredStanding(row.batch, row.at_ms, json.loads(row.document)) for row in rows]


def _row(standing: StoredStanding) -> dict[str, Any]:
    document = json.dumps(standing.document, ensure_ascii=False, allow_nan=False)
    return {"batch": standing.batch, "at_ms": standing.at_ms, "document": document}
