"""Who judges which batch: claims in PostgreSQL, held by members whose lease runs.

A member is one process. It renews one lease, its own, however many batches it holds; a claim holds while
its member's lease runs and nobody else has claimed the batch since. All times here are by the database's
clock, so the clocks of the machines do not matter. SQLite has one writer and needs none of this.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    and_,
    delete,
    extract,
    func,
    select,
    text,
    update,
)
from sqlalchemy import cast as sql_cast

from monitor.errors import ClaimLostError, StoreError
from monitor.store.gate import Gate
from monitor.store.schema import batches, claims, members
from monitor.store.values import Claim, Roll

NOBODY: Final = ""
FORGET_MEMBER_MS: Final = 60 * 60 * 1_000
"""A member that was not heard of for so long is forgotten."""


def _now_ms() -> ColumnElement[int]:
    # not now(): that is when the transaction began
    return sql_cast(extract("epoch", func.clock_timestamp()) * 1_000, BigInteger)


class SqlClaims:
    """Claims on batches."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    @property
    def shared(self) -> bool:
        """Whether judging can be shared here at all."""
        return not self._gate.is_sqlite

    def beat(self, member: str, lease_ms: int) -> Roll:
        """Renew the member's lease, and say who is there and what it holds.

        StoreError where judging cannot be shared.
        """
        self._check_shared()
        until = _now_ms() + lease_ms
        lease = self._gate.insert(members).values(name=member, lease_until_ms=until)
        with self._gate.claiming() as connection:
            connection.execute(
                lease.on_conflict_do_update(index_elements=[members.c.name], set_={"lease_until_ms": until})
            )
            connection.execute(delete(members).where(members.c.lease_until_ms < _now_ms() - FORGET_MEMBER_MS))
            alive = select(func.count()).select_from(members).where(_runs())
            waiting = select(func.count()).select_from(batches).where(batches.c.ended_ms.is_(None))
            return Roll(
                connection.execute(alive).scalar_one(),
                connection.execute(waiting).scalar_one(),
                _held(connection, member),
            )

    def take(self, member: str, most: int) -> tuple[Claim, ...]:
        """Claim up to `most` batches that nobody judges, those in another's hands passed over.

        A batch that ended while nobody judged it is among them, so that somebody puts it in order.
        """
        self._check_shared()
        known = select(claims.c.batch)
        fresh = select(batches.c.slug, text("''"), text("0")).where(
            batches.c.ended_ms.is_(None), batches.c.slug.not_in(known)
        )
        free = (
            select(claims.c.batch)
            .where(claims.c.member.not_in(select(members.c.name).where(_runs())))
            .order_by(claims.c.batch)
            .limit(most)
            .with_for_update(skip_locked=True)
        )
        with self._gate.claiming() as connection:
            connection.execute(
                self._gate.insert(claims)
                .from_select(["batch", "member", "epoch"], fresh)
                .on_conflict_do_nothing(index_elements=[claims.c.batch])
            )
            taken = connection.execute(
                update(claims)
                .where(claims.c.batch.in_(free.scalar_subquery()))
                .values(member=member, epoch=claims.c.epoch + 1)
                .returning(claims.c.batch, claims.c.epoch)
            )
            return tuple(sorted((Claim(row.batch, member, row.epoch) for row in taken), key=_by_name))

    def give_back(self, given: Iterable[Claim]) -> None:
        """Let others have these at once; what is held no more is passed over."""
        with self._gate.claiming() as connection:
            for claim in given:
                connection.execute(update(claims).where(_is(claim)).values(member=NOBODY))

    def settle(self, claim: Claim) -> None:
        """Nobody need judge this batch any more."""
        with self._gate.claiming() as connection:
            connection.execute(delete(claims).where(_is(claim)))

    def leave(self, member: str) -> None:
        """End a member: what it holds is free at once."""
        with self._gate.claiming() as connection:
            connection.execute(update(claims).where(claims.c.member == member).values(member=NOBODY))
            connection.execute(delete(members).where(members.c.name == member))

    def _check_shared(self) -> None:
        if not self.shared:
            raise StoreError(
                "judging can be shared by several processes in PostgreSQL only",
                hint="set store.url to postgresql+psycopg://...; with SQLite `carboyd run` judges alone",
            )


def hold(connection: Connection, claim: Claim | None) -> None:
    """Keep a claim from changing hands until the transaction ends; ClaimLostError where it has already.

    Without a claim everything is allowed: there is one process only.
    """
    if claim is not None and not held_among(connection, [claim]):
        raise ClaimLostError(
            f"another process judges {claim.batch!r} now", hint="nothing is amiss: it goes on there"
        )


def held_among(connection: Connection, asked: Sequence[Claim]) -> set[str]:
    """Batches of those claims that hold, kept from changing hands until the transaction ends."""
    if not asked:
        return set()
    query = (
        select(claims.c.batch, claims.c.epoch, claims.c.member)
        .join(members, members.c.name == claims.c.member)
        .where(claims.c.batch.in_([claim.batch for claim in asked]), _runs())
        .order_by(claims.c.batch)
        .with_for_update(of=claims, read=True)
    )
    found = {Claim(row.batch, row.member, row.epoch) for row in connection.execute(query)}
    return {claim.batch for claim in asked if claim in found}


def _held(connection: Connection, member: str) -> tuple[Claim, ...]:
    query = select(claims.c.batch, claims.c.epoch).where(claims.c.member == member).order_by(claims.c.batch)
    return tuple(Claim(row.batch, member, row.epoch) for row in connection.execute(query))


def _runs() -> ColumnElement[bool]:
    return members.c.lease_until_ms > _now_ms()


def _is(claim: Claim) -> ColumnElement[bool]:
    return and_(claims.c.batch == claim.batch, claims.c.member == claim.member, claims.c.epoch == claim.epoch)


def _by_name(claim: Any) -> str:
    return str(claim.batch)
