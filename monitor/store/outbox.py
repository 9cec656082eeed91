"""The outbox in SQL: one row for each notice and channel, until the channel has accepted it."""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Select, and_, exists, func, or_, select, update
from sqlalchemy import delete as delete_from

from monitor.store.alerts import stored_alert
from monitor.store.gate import Gate
from monitor.store.schema import alerts, deliveries
from monitor.store.values import Delivery, Occasion

LONGEST_ERROR: Final = 500


class SqlOutbox:
    """Notices that are still to be sent, and what became of the others."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        self._follow_up = gate.insert(deliveries).on_conflict_do_nothing(
            index_elements=[
                deliveries.c.alert_id,
                deliveries.c.channel,
                deliveries.c.occasion,
                deliveries.c.turn,
            ]
        )

    def due(self, now_ms: int, *, channel: str | None = None, limit: int = 50) -> list[Delivery]:
        """Deliveries that are due, of one channel or of all, the longest due first."""
        query = _open().where(deliveries.c.due_ms <= now_ms).limit(limit)
        return self._fetched(query if channel is None else query.where(deliveries.c.channel == channel))

    def waiting(self, *, limit: int = 200) -> list[Delivery]:
        """Deliveries that are neither sent nor dropped, due or not, for a person to look at."""
        return self._fetched(_open().limit(limit))

    def next_due_ms(self, channel: str | None = None) -> int | None:
        """When the next delivery falls due, perhaps in the past; None where none is open."""
        query = select(func.min(deliveries.c.due_ms))
        if channel is not None:
            query = query.where(deliveries.c.channel == channel)
        with self._gate.reading() as connection:
            found: int | None = connection.execute(query).scalar()
        return found

    def reserve(self, delivery: Delivery, *, until_ms: int) -> bool:
        """Keep an open delivery from others until a time; False where another was quicker, or it is settled.

        Should whoever reserved it die, it falls due again then.
        """
        with self._gate.writing() as connection:
            kept = connection.execute(
                update(deliveries)
                .where(deliveries.c.id == delivery.id, deliveries.c.due_ms == delivery.due_ms)
                .values(due_ms=until_ms)
            )
            return kept.rowcount == 1

    def mark_sent(self, delivery: Delivery, *, at_ms: int, remind_at_ms: int | None = None) -> None:
        """The channel accepted it; with `remind_at_ms` a reminder falls due then, in the same transaction."""
        with self._gate.writing() as connection:
            connection.execute(
                update(deliveries)
                .where(deliveries.c.id == delivery.id)
                .values(due_ms=None, sent_ms=at_ms, attempts=delivery.attempts + 1)
            )
            if remind_at_ms is not None:
                connection.execute(
                    self._follow_up,
                    {
                        "alert_id": delivery.alert.id,
                        "channel": delivery.channel,
                        "occasion": str(Occasion.REMINDER),
                        "turn": delivery.turn + 1,
                        "due_ms": remind_at_ms,
                        "attempts": 0,
                        "last_error": "",
                        "dropped_why": "",
                    },
                )

    def mark_failed(self, delivery_id: int, *, error: str, next_due_ms: int) -> None:
        """The channel did not accept it; it is tried again."""
        with self._gate.writing() as connection:
            connection.execute(
                update(deliveries)
                .where(deliveries.c.id == delivery_id)
                .values(
                    due_ms=next_due_ms,
                    attempts=deliveries.c.attempts + 1,
                    last_error=error[:LONGEST_ERROR],
                )
            )

    def postpone(self, delivery_id: int, *, due_ms: int) -> None:
        """Look at it again later, as when a silence ends."""
        with self._gate.writing() as connection:
            connection.execute(update(deliveries).where(deliveries.c.id == delivery_id).values(due_ms=due_ms))

    def drop(self, delivery_id: int, *, why: str, at_ms: int) -> None:
        """It is not to be sent any more."""
        with self._gate.writing() as connection:
            connection.execute(
                update(deliveries)
                .where(deliveries.c.id == delivery_id)
                .values(due_ms=None, dropped_ms=at_ms, dropped_why=why[:LONGEST_ERROR])
            )

    def drop_channels_but(self, channels: list[str], *, at_ms: int) -> int:
        """Drop what waits for channels that are configured no more; how many there were."""
        with self._gate.writing() as connection:
            dropped = connection.execute(
                update(deliveries)
                .where(deliveries.c.due_ms.is_not(None), deliveries.c.channel.not_in(channels))
                .values(due_ms=None, dropped_ms=at_ms, dropped_why="no such channel any more")
            )
            return dropped.rowcount

    def prune(self, before_ms: int) -> int:
        """Forget settled deliveries of alerts that were resolved before a time; how many there were."""
        old = select(alerts.c.id).where(alerts.c.resolved_ms < before_ms)
        with self._gate.writing() as connection:
            gone = connection.execute(
                delete_from(deliveries).where(deliveries.c.due_ms.is_(None), deliveries.c.alert_id.in_(old))
            )
            return gone.rowcount

    def _fetched(self, query: Select[Any]) -> list[Delivery]:
        with self._gate.reading() as connection:
            return [_delivery(row) for row in connection.execute(query)]


def _open() -> Select[Any]:
    begun, ended = deliveries.alias("begun"), deliveries.alias("ended")
    over = exists().where(
        ended.c.alert_id == begun.c.alert_id,
        ended.c.channel == begun.c.channel,
        ended.c.occasion == str(Occasion.RESOLVED),
        or_(
            ended.c.sent_ms > begun.c.sent_ms,
            and_(ended.c.sent_ms == begun.c.sent_ms, ended.c.id > begun.c.id),
        ),
    )
    # an alert may fire again after its end was told, and then a reminder is the first that is heard of it
    told = exists().where(
        begun.c.alert_id == deliveries.c.alert_id,
        begun.c.channel == deliveries.c.channel,
        begun.c.occasion != str(Occasion.RESOLVED),
        begun.c.sent_ms.is_not(None),
        ~over,
    )
    return (
        select(
            alerts,
            deliveries.c.id.label("delivery_id"),
            deliveries.c.channel,
            deliveries.c.occasion,
            deliveries.c.turn,
            deliveries.c.due_ms,
            deliveries.c.attempts,
            deliveries.c.last_error,
            told.label("told"),
        )
        .join(alerts, alerts.c.id == deliveries.c.alert_id)
        .where(deliveries.c.due_ms.is_not(None))
        .order_by(deliveries.c.due_ms, deliveries.c.id)
    )


def _delivery(row: Any) -> Delivery:
    return Delivery(
        id=row.delivery_id,
        alert=stored_alert(row),
        channel=row.channel,
        occasion=Occasion(row.occasion),
        turn=row.turn,
        due_ms=row.due_ms,
        attempts=row.attempts,
        last_error=row.last_error,
        told=bool(row.told),
    )
