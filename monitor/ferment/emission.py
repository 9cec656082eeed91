"""What the pipeline says: phases, alerts and forecasts, each with the moment it follows from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Phase(StrEnum):
    """Where a ferment stands."""

    UNKNOWN = "unknown"
    LAG = "lag"
    ACTIVE = "active"
    SLOWING = "slowing"
    FINISHED = "finished"
    STALLED = "stalled"
    REFERMENTING = "refermenting"


class AlertKind(StrEnum):
    """What the maker is told of."""

    FINISHED = "finished"
    STALLED = "stalled"
    REFERMENTING = "refermenting"
    TEMPERATURE_LOW = "temperature_low"
    TEMPERATURE_HIGH = "temperature_high"
    SENSOR_SILENT = "sensor_silent"
    NUTRIENT_DUE = "nutrient_due"
    INFUSION_DUE = "infusion_due"


class Severity(StrEnum):
    """How soon the maker should act."""

    DANGER = "danger"  # someone may be hurt or the batch lost: at any hour
    ACT = "act"  # worth a message now
    NOTE = "note"  # good to know


class AlertState(StrEnum):
    """The life of an alert. Acknowledging and silencing are done by people, outside the pipeline."""

    PENDING = "pending"
    FIRING = "firing"
    RESOLVED = "resolved"


@dataclass(frozen=True, slots=True)
class PhaseChange:
    """The phase is another one from `at_ms` on; the reason is one sentence in a maker's words."""

    at_ms: int
    phase: Phase
    reason: str


@dataclass(frozen=True, slots=True)
class AlertChange:
    """An alert began to fire or was resolved.

    (batch, kind, fired_ms) names one alert for ever: the same events give the same name.
    """

    at_ms: int
    kind: AlertKind
    state: AlertState
    fired_ms: int
    """When it began to fire; equals `at_ms` where state is FIRING."""
    severity: Severity
    message: str
    """What, since when, why with the numbers, and what to do."""
    subject: str = ""
    """What it is about where a batch can have several of a kind at once: the sensor that is silent."""


@dataclass(frozen=True, slots=True)
class Interval:
    """5th, 50th and 95th percentile; None where it cannot be given."""

    p05: float | None = None
    p50: float | None = None
    p95: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """Where it will end, and when."""

    at_ms: int
    final_gravity_sg: Interval
    finish_at_ms: Interval


Emission = PhaseChange | AlertChange | Forecast
