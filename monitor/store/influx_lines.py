"""What is forwarded, as points of a time-series database.

Four measurements, tags that say what a point is about and never what it says, fields named with their
unit and always of one type. A point's measurement, tags and time are its identity: sent again, it
overwrites itself. So a reading carries the sensor it is kept under and not the batch, which may change
hands or be started later; `level`, `phase` and `alert` carry the batch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from influxdb_client import Point, WritePrecision

from monitor.ferment.skew import TimeFlag
from monitor.store.values import FLAG_NUMBER, AlertMoment, AlertStep, Feed, Level, PhaseStep, Series
from monitor.units import KEPT_UNIT, Quantity

READING: Final = "reading"
DOUBTFUL: Final = "reading_doubtful"
"""Readings whose time cannot be believed stand apart, so that no chart runs to the year 2099."""
LEVEL: Final = "level"
PHASE: Final = "phase"
ALERT: Final = "alert"

_SUFFIX: Final = {"sg": "sg", "deg": "deg", "degC": "c", "%": "percent", "V": "v", "dBm": "dbm", "kPa": "kpa"}
_OK: Final = FLAG_NUMBER[TimeFlag.OK]


def field_of(quantity: Quantity) -> str:
    """The field that a quantity is kept in: `gravity_sg`, `temperature_c`, `battery_percent`."""
    return f"{quantity}_{_SUFFIX[KEPT_UNIT[quantity]]}"


@dataclass(frozen=True, slots=True)
class Line:
    """One point on its way, with the place it came from."""

    feed: Feed
    position: int
    text: str


def lines_of_readings(found: Series) -> Iterator[Line]:
    """A line for each reading: measurement `reading`, tag `sensor`, one field with its unit."""
    columns = zip(
        found.position.tolist(),
        found.source.tolist(),
        found.time_ms.tolist(),
        found.value.tolist(),
        found.flag.tolist(),
        strict=True,
    )
    for position, source, time_ms, value, flag in columns:
        sensor, quantity = found.sources[source]
        point = Point(READING if flag == _OK else DOUBTFUL).tag("sensor", sensor)
        yield _line(Feed.READINGS, position, point.field(field_of(quantity), float(value)), time_ms)


def line_of_level(position: int, look: Level) -> Line:
    """Measurement `level`, tag `batch`, a field for each number and the phase in words."""
    point = Point(LEVEL).tag("batch", look.batch).field("phase", str(look.phase))
    for name, number in look.numbers.items():
        point.field(name, float(number))
    return _line(Feed.LEVELS, position, point, look.at_ms)


def line_of_phase(position: int, step: PhaseStep) -> Line:
    """Measurement `phase`, tag `batch`, the phase and its reason."""
    point = Point(PHASE).tag("batch", step.batch).field("phase", str(step.phase)).field("reason", step.reason)
    return _line(Feed.PHASES, position, point, step.at_ms)


def line_of_alert(position: int, step: AlertStep) -> Line:
    """Measurement `alert`, tags `batch`, `kind`, `subject`, `moment`; `firing` is false when it is over."""
    alert, over = step.alert, step.moment is AlertMoment.RESOLVED
    point = (
        Point(ALERT)
        .tag("batch", alert.batch)
        .tag("kind", str(alert.kind))
        .tag("subject", alert.subject)
        .tag("moment", str(step.moment))
        .field("firing", not over)
        .field("severity", str(alert.severity))
        .field("message", alert.resolved_message if over else alert.message)
        .field("fired_ms", alert.fired_ms)
    )
    return _line(Feed.ALERTS, position, point, step.at_ms)


def _line(feed: Feed, position: int, point: Point, time_ms: int) -> Line:
    return Line(feed, position, point.time(time_ms, WritePrecision.MS).to_line_protocol())
