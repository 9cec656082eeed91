"""Links that let somebody look at one batch, and nothing else: kept by digest, taken back at will."""

from __future__ import annotations

from typing import Any

from sqlalchemy import func, insert, select, update

from monitor.errors import InputError, NotFoundError
from monitor.store.batches import sheet_in
from monitor.store.gate import Gate
from monitor.store.schema import shares
from monitor.store.values import Share

MOST_OPEN = 50
"""So many links of one batch can be open at once."""


class SqlShares:
    """Shared links in SQL. The token itself is never kept: who reads the database cannot use it."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    def make(self, batch: str, *, digest: str, at_ms: int) -> Share:
        """Open a link; NotFoundError without the batch, InputError when too many are open."""
        with self._gate.writing() as connection:
            sheet_in(connection, batch)
            open_ones = select(func.count()).where(shares.c.batch == batch, shares.c.revoked_ms.is_(None))
            if connection.execute(open_ones).scalar_one() >= MOST_OPEN:
                raise InputError(
                    f"{MOST_OPEN} links to {batch!r} are open already", hint="take some of them back first"
                )
            values = {"batch": batch, "digest": digest, "created_ms": at_ms}
            key = connection.execute(insert(shares).values(values)).inserted_primary_key
            assert key is not None
        return Share(key[0], batch, at_ms)

    def find(self, digest: str) -> Share:
        """The open link with this digest of its token; NotFoundError where there is none or no more."""
        query = select(shares).where(shares.c.digest == digest, shares.c.revoked_ms.is_(None))
        with self._gate.reading() as connection:
            row = connection.execute(query).first()
        if row is None:
            raise NotFoundError("this link leads nowhere, or it was taken back")
        return _share(row)

    def listed(self, batch: str, *, limit: int = 100) -> list[Share]:
        """Links of a batch, the newest first, those that were taken back included."""
        query = select(shares).where(shares.c.batch == batch).order_by(shares.c.id.desc()).limit(limit)
        with self._gate.reading() as connection:
            return [_share(row) for row in connection.execute(query)]

    def revoke(self, share_id: int, *, at_ms: int) -> None:
        """Take a link back; NotFoundError where it is not open."""
        taken_back = (
            update(shares)
            .where(shares.c.id == share_id, shares.c.revoked_ms.is_(None))
            .values(revoked_ms=at_ms)
        )
        with self._gate.writing() as connection:
            if connection.execute(taken_back).rowcount == 0:
                raise NotFoundError(f"there is no open link {share_id}")


def _share(row: Any) -> Share:
    return Share(row.id, row.batch, row.created_ms, row.revoked_ms)
