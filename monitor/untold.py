"""What was found in a backlog and is not told yet: it stands in a batch's last look, not among its alerts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from monitor.ferment.emission import AlertChange
from monitor.ferment.pipeline import Snapshot
from monitor.store.values import StoredAlert
from monitor.units import MS_PER_MINUTE

HOLD_MS: Final = 90 * MS_PER_MINUTE
"""What was found out late is told only if it still holds after this: by then the backlog has been heard."""
TOLD_SOON: Final = "told within an hour and a half, if it still holds"


def untold(snapshots: Mapping[str, Snapshot], firing: Iterable[StoredAlert]) -> list[tuple[str, AlertChange]]:
    """Batch and alert of what stands without being among all that fires, batch by batch, the oldest first."""
    known = {(one.batch, one.kind, one.subject, one.fired_ms) for one in firing}
    return [
        (slug, one)
        for slug, snapshot in sorted(snapshots.items())
        for one in snapshot.open_alerts
        if (slug, one.kind, one.subject, one.fired_ms) not in known
    ]
