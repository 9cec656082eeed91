"""What watched batches say, into the store of alerts and out: recorded, told, withdrawn.

Everything is written under the claim on the batch. ClaimLostError where another process has it by now:
nothing more is written of that batch then, and what it has yet to say is the other's to say.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable

from monitor.announcing import Announcer
from monitor.batch.standing import alert_document
from monitor.ferment.emission import AlertKind, AlertState, Emission
from monitor.store.base import Store
from monitor.store.values import Claim
from monitor.watched import LATE_MS, Name, Watched, name_of

logger = logging.getLogger(__name__)


class Teller:
    """Takes from each batch what it has to say; for one thread."""

    def __init__(
        self, store: Store, out: Announcer, channels: tuple[str, ...], told: Callable[[], None]
    ) -> None:
        """`told` is called when there is something for the courier."""
        self._store = store
        self._out = out
        self._channels = channels
        self._told = told

    def record(self, watched: Watched, now_ms: int) -> None:
        """Record what is not in the store yet; what a store out of reach did not take is kept for later."""
        slug = watched.sheet.slug
        while watched.unsaid:
            change, told = watched.unsaid[0]
            channels = self._channels if told else ()
            kept = self._store.alerts.record(
                slug, change, channels=channels, now_ms=now_ms, again=told, claim=watched.claim
            )
            watched.unsaid.popleft()
            if kept is not None:
                logger.info(
                    "%s: alert %s %s: %s", slug, change.kind.value, change.state.value, change.message
                )
                self._out.say(slug, "alert", alert_document(watched.sheet, change))
                if told:
                    self._told()

    def record_history(self, watched: Watched, said: Iterable[Emission], now_ms: int, *, anew: bool) -> None:
        """Record a rebuild: what is over is not told, what holds is told unless it was known.

        Judged anew while it is watched, what was over and is not after all fires again at once.
        """
        known: dict[Name, AlertState] = {
            (alert.kind, alert.subject, alert.fired_ms): alert.state
            for alert in self._store.alerts.listed(batch=watched.sheet.slug, only_firing=not anew)
        }
        watched.take_history(said, known, now_ms)
        self.record(watched, now_ms)
        self._withdraw_others(watched, now_ms)
        # a moment ago is not late: the daemon was only restarted
        watched.release([held for held in watched.late if now_ms - held[1].at_ms <= LATE_MS])
        self.record(watched, now_ms)

    def _withdraw_others(self, watched: Watched, now_ms: int) -> None:
        firing = {name_of(alert) for alert in watched.pipeline.snapshot.open_alerts}
        for alert in self._store.alerts.listed(batch=watched.sheet.slug, only_firing=True):
            if (alert.kind, alert.subject, alert.fired_ms) not in firing:
                why = "judged anew, it does not hold"
                self._store.alerts.withdraw(alert.id, at_ms=now_ms, why=why, claim=watched.claim)

    def withdraw_all(self, slug: str, claim: Claim | None, now_ms: int) -> None:
        """Nothing of a batch that was ended fires any more."""
        for alert in self._store.alerts.listed(batch=slug, only_firing=True):
            self._store.alerts.withdraw(alert.id, at_ms=now_ms, why="the batch was ended", claim=claim)

    def acknowledge_finish(self, slug: str, now_ms: int) -> None:
        """The maker did what a finish asks for: its reminders end."""
        for alert in self._store.alerts.listed(batch=slug, only_firing=True):
            if alert.kind is AlertKind.FINISHED and alert.acknowledged_ms is None:
                self._store.alerts.acknowledge(alert.id, at_ms=now_ms)
