"""What a page shows of a batch, its alerts, sensors and journal: frozen values in kept units.

Nothing here is text in a reader's units yet: `show.Show` does that at the last moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.ferment.emission import AlertKind, Interval, Phase, Severity
from monitor.units import Quantity

UNTOLD: Final = Interval()


class Need(StrEnum):
    """How much a batch needs its maker; the order of the list of batches."""

    NOW = "now"
    SOON = "soon"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class AlertView:
    """One alert; `number` names it in addresses."""

    number: int
    batch: str
    batch_name: str
    kind: AlertKind
    severity: Severity
    subject: str
    message: str
    fired_ms: int
    resolved_ms: int | None = None
    acknowledged_ms: int | None = None
    silenced_until_ms: int | None = None

    @property
    def is_open(self) -> bool:
        """Whether it has not been resolved."""
        return self.resolved_ms is None

    @property
    def is_heard(self) -> bool:
        """Whether somebody has seen it or asked for quiet."""
        return self.acknowledged_ms is not None or self.silenced_until_ms is not None


@dataclass(frozen=True, slots=True)
class SilenceView:
    """A quiet time: of one batch or all, one kind of alert or all."""

    number: int
    batch: str | None
    kind: AlertKind | None
    until_ms: int


@dataclass(frozen=True, slots=True)
class SensorView:
    """One sensor and what it last said."""

    name: str
    quantities: tuple[Quantity, ...]
    last_heard_ms: int | None
    battery_percent: float | None = None
    battery_v: float | None = None
    signal_dbm: float | None = None
    silent: bool = False
    calibrated: bool = False
    beyond_calibration: bool = False
    """Whether its newest angle lies outside of what its calibration was measured for."""
    last_values: tuple[tuple[Quantity, float], ...] = ()


@dataclass(frozen=True, slots=True)
class JournalView:
    """One line of a batch's journal; a hand sample is one too. `number` is the name that it has for ever."""

    number: str
    title: str
    done_ms: int
    note: str = ""
    sample_sg: float | None = None
    struck_ms: int | None = None
    """When it was taken back; since then it counts for nothing."""
    doubt: str = ""
    """Why a hand sample is in doubt, without a full stop; empty where it is not."""


@dataclass(frozen=True, slots=True)
class DueView:
    """What is due next."""

    at_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class BatchView:
    """One batch at a glance."""

    slug: str
    name: str
    recipe: str
    pitched_ms: int
    ended_ms: int | None
    phase: Phase
    reason: str
    volume_l: float | None = None
    original_gravity_sg: float | None = None
    gravity_sg: float | None = None
    sampled_ms: int | None = None
    """When the hand sample was taken that the gravity is of; None where it is the float's level."""
    gravity_at_ms: int | None = None
    last_reading_sg: float | None = None
    """What the float said last, as it came."""
    fall_points_per_day: float | None = None
    alcohol_percent: float | None = None
    attenuation: float | None = None
    temperature_c: float | None = None
    yeast_c: tuple[float, float] | None = None
    final_gravity_sg: Interval = UNTOLD
    finish_at_ms: Interval = UNTOLD
    due: tuple[DueView, ...] = ()
    alerts: tuple[AlertView, ...] = ()
    curve: tuple[tuple[int, float], ...] = ()
    """A few dozen points of gravity for the small picture."""

    @property
    def need(self) -> Need:
        """How much it needs its maker."""
        waiting = [alert for alert in self.alerts if alert.is_open and not alert.is_heard]
        if any(alert.severity is not Severity.NOTE for alert in waiting):
            return Need.NOW
        if waiting or self.phase in (Phase.STALLED, Phase.REFERMENTING):
            return Need.SOON
        return Need.SOON if self.due else Need.QUIET

    @property
    def danger(self) -> bool:
        """Whether an open alert says that someone may be hurt, heard or not."""
        return any(alert.is_open and alert.severity is Severity.DANGER for alert in self.alerts)


NEED_ORDER = (Need.NOW, Need.SOON, Need.QUIET)


def by_need(batches: tuple[BatchView, ...]) -> tuple[BatchView, ...]:
    """Batches sorted by what needs the maker: danger, need, what is due first, the youngest."""
    return tuple(
        sorted(
            batches,
            key=lambda batch: (
                not batch.danger,
                NEED_ORDER.index(batch.need),
                batch.due[0].at_ms if batch.due else 2**62,
                -batch.pitched_ms,
            ),
        )
    )
