"""Alerts in SQL: what the pipeline said of them, what people did about them, who is to be told."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, delete, func, insert, select, update

from monitor.errors import InputError, NotFoundError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.store.batches import sheet_in
from monitor.store.changes import SqlChanges
from monitor.store.claims import hold
from monitor.store.gate import Gate
from monitor.store.schema import alert_steps, alerts, deliveries, silences
from monitor.store.values import AlertMoment, ChangeKind, Claim, FiringCount, Occasion, Silence, StoredAlert
from monitor.units import MS_PER_DAY, rfc3339_from_ms

LONGEST_SILENCE_DAYS: Final = 30


class SqlAlerts:
    """The alerts of all batches and the silences."""

    def __init__(self, gate: Gate, changes: SqlChanges) -> None:
        self._gate = gate
        self._changes = changes
        first = gate.insert(alerts).inline()
        self._first = first.on_conflict_do_nothing(
            index_elements=[alerts.c.batch, alerts.c.kind, alerts.c.subject, alerts.c.fired_ms]
        )
        self._happened = gate.insert(alert_steps).on_conflict_do_nothing(
            index_elements=[alert_steps.c.alert_id, alert_steps.c.step]
        )

    def record(
        self,
        batch: str,
        change: AlertChange,
        *,
        channels: Sequence[str] = (),
        now_ms: int,
        again: bool = False,
        claim: Claim | None = None,
    ) -> StoredAlert | None:
        """Keep what the pipeline said; the alert as it is now, or None where that was known already.

        In the same transaction a delivery falls due for each channel, so a change is told if and only if
        it is kept, and saying it again (after a restart, say) tells nobody twice. PENDING is not kept.
        With `again` an alert that was over and is not after all fires once more: a channel that was told so
        is reminded at once, one that waits for a notice goes on waiting, and one that was never told of the
        alert is told now.
        ClaimLostError where the claim holds no more: who judges the batch now says it.
        """
        if change.state is AlertState.PENDING:
            return None
        with self._gate.writing() as connection:
            hold(connection, claim)
            firing = change.state is AlertState.FIRING
            made = connection.execute(self._first, _values(batch, change)).rowcount == 1
            if not firing and not made and not self._resolve(connection, batch, change):
                return None
            if firing and not made:
                return self._revive(connection, batch, change, channels, now_ms) if again else None
            row = connection.execute(select(alerts).where(*_named(batch, change))).one()
            if made:
                self._step(connection, row.id, AlertMoment.FIRING, change.fired_ms)
            if not firing:
                self._step(connection, row.id, AlertMoment.RESOLVED, change.at_ms)
            # an alert first heard of when it is over was never news
            if channels and (firing or not made):
                occasion = Occasion.FIRING if firing else Occasion.RESOLVED
                # the end of an alert that fired once more may have been told before
                before = {} if made else _turns(_deliveries(connection, row.id), occasion)
                rows = [
                    _delivery(row.id, name, occasion, now_ms, turn=before.get(name, -1) + 1)
                    for name in channels
                ]
                connection.execute(insert(deliveries), rows)
            return stored_alert(row)

    def get(self, alert_id: int) -> StoredAlert:
        """One alert; NotFoundError."""
        with self._gate.reading() as connection:
            return _alert(connection, alert_id)

    def listed(
        self, *, batch: str | None = None, only_firing: bool = False, limit: int = 200
    ) -> list[StoredAlert]:
        """Alerts, the newest first."""
        query = select(alerts).order_by(alerts.c.fired_ms.desc(), alerts.c.id.desc()).limit(limit)
        if batch is not None:
            query = query.where(alerts.c.batch == batch)
        if only_firing:
            query = query.where(alerts.c.state == str(AlertState.FIRING))
        with self._gate.reading() as connection:
            return [stored_alert(row) for row in connection.execute(query)]

    def firing_in(self, slugs: Collection[str]) -> list[StoredAlert]:
        """What fires in these batches, the newest first."""
        query = (
            select(alerts)
            .where(alerts.c.state == str(AlertState.FIRING), alerts.c.batch.in_(slugs))
            .order_by(alerts.c.fired_ms.desc(), alerts.c.id.desc())
        )
        with self._gate.reading() as connection:
            return [stored_alert(row) for row in connection.execute(query)]

    def subjects(self, kind: AlertKind) -> set[str]:
        """What alerts of a kind fire about."""
        query = select(alerts.c.subject).where(
            alerts.c.state == str(AlertState.FIRING), alerts.c.kind == str(kind)
        )
        with self._gate.reading() as connection:
            return set(connection.execute(query).scalars())

    def firing(self) -> list[FiringCount]:
        """What fires in each batch, counted by kind and severity."""
        not_seen = func.count().filter(alerts.c.acknowledged_ms.is_(None))
        query = (
            select(alerts.c.batch, alerts.c.kind, alerts.c.severity, not_seen, func.count())
            .where(alerts.c.state == str(AlertState.FIRING))
            .group_by(alerts.c.batch, alerts.c.kind, alerts.c.severity)
        )
        with self._gate.reading() as connection:
            return [
                FiringCount(batch, AlertKind(kind), Severity(severity), unseen, count)
                for batch, kind, severity, unseen, count in connection.execute(query)
            ]

    def acknowledge(self, alert_id: int, *, at_ms: int) -> StoredAlert:
        """Someone has seen it: no more reminders. The first acknowledgement stays. NotFoundError."""
        with self._gate.writing() as connection:
            found = _alert(connection, alert_id)
            if found.acknowledged_ms is not None:
                return found
            connection.execute(update(alerts).where(alerts.c.id == alert_id).values(acknowledged_ms=at_ms))
            self._step(connection, alert_id, AlertMoment.ACKNOWLEDGED, at_ms)
            self._changes.note(connection, ChangeKind.ACKNOWLEDGED, str(alert_id), at_ms)
            return _alert(connection, alert_id)

    def withdraw(self, alert_id: int, *, at_ms: int, why: str, claim: Claim | None = None) -> None:
        """Resolve, telling nobody, an alert that the pipeline knows no more, as after new thresholds.

        NotFoundError, and ClaimLostError where the claim holds no more.
        """
        with self._gate.writing() as connection:
            hold(connection, claim)
            _alert(connection, alert_id)
            ended = connection.execute(
                update(alerts)
                .where(alerts.c.id == alert_id, alerts.c.state == str(AlertState.FIRING))
                .values(state=str(AlertState.RESOLVED), resolved_ms=at_ms, resolved_message=why)
            )
            if ended.rowcount == 1:
                self._step(connection, alert_id, AlertMoment.RESOLVED, at_ms)

    def silence(
        self,
        *,
        from_ms: int,
        until_ms: int,
        batch: str | None = None,
        kind: AlertKind | None = None,
        note: str = "",
    ) -> Silence:
        """Hold notices back until a time; None stands for every batch or kind.

        Raises InputError for an end that is not after the beginning or too far from it,
        NotFoundError without the batch.
        """
        if until_ms <= from_ms:
            raise InputError(
                f"a silence until {rfc3339_from_ms(until_ms)} ends before it begins, "
                f"at {rfc3339_from_ms(from_ms)}"
            )
        if until_ms - from_ms > LONGEST_SILENCE_DAYS * MS_PER_DAY:
            raise InputError(
                f"a silence of {(until_ms - from_ms) / MS_PER_DAY:.0f} days: "
                f"{LONGEST_SILENCE_DAYS} days at most",
                hint="begin another when this one has ended, so that nothing is forgotten in it",
            )
        with self._gate.writing() as connection:
            if batch is not None:
                sheet_in(connection, batch)
            made = connection.execute(
                insert(silences).values(
                    batch=batch,
                    kind=None if kind is None else str(kind),
                    from_ms=from_ms,
                    until_ms=until_ms,
                    note=note,
                )
            )
            key = made.inserted_primary_key
            assert key is not None
            self._changes.note(connection, ChangeKind.SILENCE, str(key[0]), from_ms)
        return Silence(key[0], batch, kind, from_ms, until_ms, note)

    def silences(self, now_ms: int) -> list[Silence]:
        """Silences that are in force."""
        query = (
            select(silences)
            .where(silences.c.from_ms <= now_ms, silences.c.until_ms > now_ms)
            .order_by(silences.c.until_ms, silences.c.id)
        )
        with self._gate.reading() as connection:
            return [_silence(row) for row in connection.execute(query)]

    def lift(self, silence_id: int, *, at_ms: int) -> None:
        """End a silence now; NotFoundError where it is not in force."""
        with self._gate.writing() as connection:
            ended = connection.execute(
                update(silences)
                .where(silences.c.id == silence_id, silences.c.until_ms > at_ms)
                .values(until_ms=at_ms)
            )
            if ended.rowcount == 0:
                raise NotFoundError(
                    f"there is no silence {silence_id} in force",
                    hint="it may have ended by itself; `carboyd alerts` lists those that hold",
                )
            self._changes.note(connection, ChangeKind.SILENCE, str(silence_id), at_ms)

    def prune_silences(self, before_ms: int) -> int:
        """Forget silences that ended before a time; how many there were."""
        with self._gate.writing() as connection:
            return connection.execute(delete(silences).where(silences.c.until_ms < before_ms)).rowcount

    def _step(self, connection: Connection, alert_id: int, moment: AlertMoment, at_ms: int) -> None:
        """Write down in the same transaction that this happened to an alert, for who forwards it."""
        connection.execute(self._happened, {"alert_id": alert_id, "step": str(moment), "at_ms": at_ms})

    def _resolve(self, connection: Connection, batch: str, change: AlertChange) -> bool:
        ended = connection.execute(
            update(alerts)
            .where(*_named(batch, change), alerts.c.state == str(AlertState.FIRING))
            .values(state=str(AlertState.RESOLVED), resolved_ms=change.at_ms, resolved_message=change.message)
        )
        return ended.rowcount == 1

    def _revive(
        self,
        connection: Connection,
        batch: str,
        change: AlertChange,
        channels: Sequence[str],
        now_ms: int,
    ) -> StoredAlert | None:
        over = [*_named(batch, change), alerts.c.state == str(AlertState.RESOLVED)]
        row = connection.execute(select(alerts).where(*over)).one_or_none()
        if row is None:
            return None
        # an end that was not told is no news any more, and what was told stays on record
        untold = (deliveries.c.occasion == str(Occasion.RESOLVED), deliveries.c.sent_ms.is_(None))
        connection.execute(delete(deliveries).where(deliveries.c.alert_id == row.id, *untold))
        known = _deliveries(connection, row.id)
        last = {one.channel: one.occasion for one in sorted(known, key=_sending) if one.sent_ms is not None}
        news = {name for name, occasion in last.items() if occasion == str(Occasion.RESOLVED)}
        seen_ms = None if news else row.acknowledged_ms
        if seen_ms is None:
            _remind(connection, row.id, channels, known, last, now_ms)
        fires = {**_values(batch, change), "acknowledged_ms": seen_ms}
        connection.execute(update(alerts).where(alerts.c.id == row.id).values(**fires))
        return _alert(connection, row.id)


def stored_alert(row: Any) -> StoredAlert:
    """The alert in a row of the table."""
    return StoredAlert(
        id=row.id,
        batch=row.batch,
        kind=AlertKind(row.kind),
        subject=row.subject,
        severity=Severity(row.severity),
        state=AlertState(row.state),
        fired_ms=row.fired_ms,
        message=row.message,
        resolved_ms=row.resolved_ms,
        resolved_message=row.resolved_message,
        acknowledged_ms=row.acknowledged_ms,
    )


def _named(batch: str, change: AlertChange) -> tuple[Any, ...]:
    return (
        alerts.c.batch == batch,
        alerts.c.kind == str(change.kind),
        alerts.c.subject == change.subject,
        alerts.c.fired_ms == change.fired_ms,
    )


def _values(batch: str, change: AlertChange) -> dict[str, Any]:
    over = change.state is AlertState.RESOLVED
    return {
        "batch": batch,
        "kind": str(change.kind),
        "subject": change.subject,
        "fired_ms": change.fired_ms,
        "severity": str(change.severity),
        "state": str(change.state),
        "message": change.message,
        "resolved_ms": change.at_ms if over else None,
        "resolved_message": change.message if over else "",
        "acknowledged_ms": None,
    }


def _remind(
    connection: Connection,
    alert_id: int,
    channels: Sequence[str],
    known: Sequence[Any],
    last: Mapping[str, str],
    now_ms: int,
) -> None:
    """Have each channel told that an alert fires once more; `last` is what each was told last of it."""
    waiting = {one.channel: one.id for one in known if one.due_ms is not None}
    dropped = {one.channel: one.id for one in known if one.occasion == str(Occasion.FIRING)}
    turns = _turns(known, Occasion.REMINDER)
    for name in channels:
        due_now = update(deliveries).values(due_ms=now_ms)
        if name in waiting:
            if last.get(name) == str(Occasion.RESOLVED):
                connection.execute(due_now.where(deliveries.c.id == waiting[name]))
        elif name in last:
            turn = turns.get(name, 0) + 1
            again = _delivery(alert_id, name, Occasion.REMINDER, now_ms, turn=turn)
            connection.execute(insert(deliveries), again)
        elif name in dropped:
            anew = due_now.values(attempts=0, last_error="", dropped_ms=None, dropped_why="")
            connection.execute(anew.where(deliveries.c.id == dropped[name]))
        else:
            first = _delivery(alert_id, name, Occasion.FIRING, now_ms)
            connection.execute(insert(deliveries), first)


def _deliveries(connection: Connection, alert_id: int) -> Sequence[Any]:
    return connection.execute(select(deliveries).where(deliveries.c.alert_id == alert_id)).all()


def _turns(known: Sequence[Any], occasion: Occasion) -> dict[str, int]:
    """The greatest number of a channel's deliveries for an occasion, where there are any."""
    found: dict[str, int] = {}
    for one in known:
        if one.occasion == str(occasion):
            found[one.channel] = max(one.turn, found.get(one.channel, 0))
    return found


def _sending(delivery: Any) -> tuple[int, int]:
    return delivery.sent_ms or 0, delivery.id


def _delivery(
    alert_id: int, channel: str, occasion: Occasion, due_ms: int, *, turn: int = 0
) -> dict[str, Any]:
    return {
        "alert_id": alert_id,
        "channel": channel,
        "occasion": str(occasion),
        "turn": turn,
        "due_ms": due_ms,
        "attempts": 0,
        "last_error": "",
        "sent_ms": None,
        "dropped_ms": None,
        "dropped_why": "",
    }


def _alert(connection: Connection, alert_id: int) -> StoredAlert:
    row = connection.execute(select(alerts).where(alerts.c.id == alert_id)).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no alert {alert_id}", hint="`carboyd alerts` lists them")
    return stored_alert(row)


def _silence(row: Any) -> Silence:
    kind = None if row.kind is None else AlertKind(row.kind)
    return Silence(row.id, row.batch, kind, row.from_ms, row.until_ms, row.note)
