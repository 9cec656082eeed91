"""Alerts over time: pending, firing, resolved, with dwell and hysteresis, so that nothing flaps."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.ferment.verdict import SHARE
from monitor.units import MS_PER_HOUR


@dataclass(frozen=True, slots=True)
class AlertPolicy:
    """How long something must hold before it is told, and when it is due. Hours unless named otherwise."""

    finished_dwell: float = 6.0
    stalled_dwell: float = 6.0
    refermenting_dwell: float = 3.0
    clear_dwell: float = 6.0
    phase_dwell: float = 6.0
    temperature_dwell: float = 3.0
    temperature_margin_c: float = 0.2
    """Beyond the range by this much to tell, back inside it to clear."""
    silent_hours: float = 12.0
    silent_intervals: float = 12.0
    """Silent after so many of the sensor's own intervals, but never before `silent_hours`."""
    nutrient_hours: float = 24.0
    nutrient_latest_share: float = field(default=0.33, metadata=SHARE)
    """Feeding after a third of the fall does no good (common practice)."""
    infusion_days: float = 3.5
    """The first taste, halfway to the usual time (common practice)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one alert stands: None in both where nothing is wrong."""

    pending_ms: int | None = None
    fired_ms: int | None = None
    clearing_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """What holds now, and how long it must hold."""

    holds: bool
    clears: bool
    dwell_hours: float
    clear_hours: float


def transition(standing: Standing, rule: Rule, at_ms: int) -> Standing:
    """The standing after one more look. Firing begins at the look at which the dwell is full."""
    if standing.fired_ms is None:
        if not rule.holds:
            return Standing()
        pending = at_ms if standing.pending_ms is None else standing.pending_ms
        if at_ms - pending >= rule.dwell_hours * MS_PER_HOUR:
            return Standing(fired_ms=at_ms)
        return Standing(pending_ms=pending)
    if not rule.clears:
        return Standing(fired_ms=standing.fired_ms)
    clearing = at_ms if standing.clearing_ms is None else standing.clearing_ms
    if at_ms - clearing >= rule.clear_hours * MS_PER_HOUR:
        return Standing()
    return Standing(fired_ms=standing.fired_ms, clearing_ms=clearing)
