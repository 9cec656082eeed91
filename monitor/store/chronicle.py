"""What was judged of each batch, look by look, and what happened to its alerts, in order of writing.

Levels and phases are kept for whoever forwards them and are known by (batch, time): written again after a
restart, they stay as they were first judged.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Select, delete, func, select

from monitor.ferment.emission import Phase
from monitor.store.alerts import stored_alert
from monitor.store.gate import Gate
from monitor.store.schema import alert_steps, alerts, levels, phases
from monitor.store.values import AlertMoment, AlertStep, Level, PhaseStep

_PHASE = "phase"


class SqlChronicle:
    """Levels, phases and what happened to alerts, each with a position that grows with every commit."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        self._level = gate.insert(levels).on_conflict_do_nothing(
            index_elements=[levels.c.batch, levels.c.at_ms]
        )
        self._phase = gate.insert(phases).on_conflict_do_nothing(
            index_elements=[phases.c.batch, phases.c.at_ms]
        )

    def keep(self, looks: Sequence[Level], steps: Sequence[PhaseStep]) -> None:
        """Write these down in one transaction; what is there already stays.

        StoreError for a batch that is not there.
        """
        with self._gate.writing() as connection:
            if looks:
                connection.execute(self._level, [_level_row(look) for look in looks])
            if steps:
                connection.execute(self._phase, [_phase_row(step) for step in steps])

    def last_level_ms(self, batch: str) -> int | None:
        """The time of the newest level of a batch."""
        query = select(func.max(levels.c.at_ms)).where(levels.c.batch == batch)
        with self._gate.reading() as connection:
            found: int | None = connection.execute(query).scalar()
        return found

    def levels_after(self, position: int, limit: int) -> list[tuple[int, Level]]:
        """The next levels, each with its position."""
        query = select(levels).where(levels.c.position > position).order_by(levels.c.position)
        return [(row.position, _level(row)) for row in self._rows(query.limit(limit))]

    def phases_after(self, position: int, limit: int) -> list[tuple[int, PhaseStep]]:
        """The next phases, each with its position."""
        query = select(phases).where(phases.c.position > position).order_by(phases.c.position)
        return [
            (row.position, PhaseStep(row.batch, row.at_ms, Phase(row.phase), row.reason))
            for row in self._rows(query.limit(limit))
        ]

    def alerts_after(self, position: int, limit: int) -> list[tuple[int, AlertStep]]:
        """The next things that happened to alerts, each with its position."""
        query = (
            select(alerts, alert_steps.c.position, alert_steps.c.step, alert_steps.c.at_ms.label("step_ms"))
            .join(alerts, alerts.c.id == alert_steps.c.alert_id)
            .where(alert_steps.c.position > position)
            .order_by(alert_steps.c.position)
        )
        return [
            (row.position, AlertStep(stored_alert(row), AlertMoment(row.step), row.step_ms))
            for row in self._rows(query.limit(limit))
        ]

    def prune_levels(self, before_ms: int, forwarded: int) -> int:
        """Forget levels older than a time up to a position, in portions; how many there were.

        The newest one always stays, so that no position is used twice. StoreUnavailableError leaves the
        rest for the next time.
        """
        at_once = self._gate.options.rows_at_once
        newest = select(func.max(levels.c.position)).scalar_subquery()
        some = (
            select(levels.c.position)
            .where(levels.c.at_ms < before_ms, levels.c.position <= forwarded, levels.c.position < newest)
            .order_by(levels.c.position)
            .limit(at_once)
        )
        pruned = 0
        while True:
            with self._gate.writing() as connection:
                gone = connection.execute(delete(levels).where(levels.c.position.in_(some))).rowcount
            pruned += gone
            if gone < at_once:
                return pruned

    def _rows(self, query: Select[Any]) -> Sequence[Any]:
        with self._gate.reading() as connection:
            return connection.execute(query).all()


def _level_row(look: Level) -> dict[str, Any]:
    document = {_PHASE: str(look.phase), **look.numbers}
    return {
        "batch": look.batch,
        "at_ms": look.at_ms,
        "document": json.dumps(document, allow_nan=False),
    }


def _phase_row(step: PhaseStep) -> dict[str, Any]:
    return {"batch": step.batch, "at_ms": step.at_ms, "phase": str(step.phase), "reason": step.reason}


def _level(row: Any) -> Level:
    document = json.loads(row.document)
    return Level(row.batch, row.at_ms, Phase(document.pop(_PHASE)), document)
