"""Which notices a channel takes, and when: by severity, by batch, and by the hour. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo
from enum import StrEnum

from monitor.ferment.emission import Severity
from monitor.units import MS_PER_SECOND


class RouteReason(StrEnum):
    """Why a channel takes a notice now, later or never."""

    OPEN = "the channel takes it"
    OTHER_SEVERITY = "the channel does not take this severity"
    OTHER_BATCH = "the channel does not take this batch"
    QUIET = "quiet hours"  # held back until they end


@dataclass(frozen=True, slots=True)
class QuietHours:
    """A part of every day by the clock on the wall; over midnight where `until` is before `start`."""

    start: time
    until: time
    zone: tzinfo

    def ends_ms(self, now_ms: int) -> int | None:
        """When the quiet hours end that hold now; None outside them. Summer time moves the instant."""
        local = datetime.fromtimestamp(now_ms / MS_PER_SECOND, self.zone)
        clock = local.time()
        if self.start < self.until:
            quiet = self.start <= clock < self.until
        else:
            quiet = clock >= self.start or clock < self.until
        if not quiet:
            return None
        day = local.date() + timedelta(days=0 if clock < self.until else 1)
        # an hour that the clock shows twice ends at the first showing that is still to come
        ends = (datetime.combine(day, self.until, self.zone).replace(fold=fold) for fold in (0, 1))
        return min(
            (at for at in (round(end.timestamp() * MS_PER_SECOND) for end in ends) if at > now_ms),
            default=None,
        )


@dataclass(frozen=True, slots=True)
class Route:
    """What one channel takes; an empty set stands for everything."""

    severities: frozenset[Severity] = frozenset()
    batches: frozenset[str] = frozenset()
    quiet: QuietHours | None = None

    def takes(self, severity: Severity) -> bool:
        """Whether the channel takes this severity at all."""
        return not self.severities or severity in self.severities

    def was_quiet(self, time_ms: int) -> bool:
        """Whether a moment lay in the channel's quiet hours."""
        return self.quiet is not None and self.quiet.ends_ms(time_ms) is not None


@dataclass(frozen=True, slots=True)
class Routed:
    """The answer for one notice."""

    reason: RouteReason
    until_ms: int | None = None
    """With QUIET: when to try again."""


def routed(route: Route, batch: str, severity: Severity, now_ms: int) -> Routed:
    """Whether a channel takes a notice now. A danger passes the quiet hours; what they hold is not lost."""
    if not route.takes(severity):
        return Routed(RouteReason.OTHER_SEVERITY)
    if route.batches and batch not in route.batches:
        return Routed(RouteReason.OTHER_BATCH)
    if route.quiet is not None and severity is not Severity.DANGER:
        until_ms = route.quiet.ends_ms(now_ms)
        if until_ms is not None:
            return Routed(RouteReason.QUIET, until_ms)
    return Routed(RouteReason.OPEN)
