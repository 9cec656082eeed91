"""What other thresholds would have said about a batch so far."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from monitor.errors import InputError
from monitor.ferment.pipeline import Analysis
from monitor.web.history import Told, tell
from monitor.web.ports import Ports


@dataclass(frozen=True, slots=True)
class Knob:
    """One threshold that can be tried."""

    name: str
    label: str
    low: float
    high: float
    read: Callable[[Analysis], float]
    part: str = "thresholds"


KNOBS: Final = (
    Knob(
        "finished_over_two",
        "Finished: chance of more than 2 points still to fall, below",
        0.001,
        0.9,
        lambda a: a.thresholds.finished_over_two,
    ),
    Knob(
        "finished_over_one",
        "Finished: chance of more than 1 point still to fall, below",
        0.01,
        0.95,
        lambda a: a.thresholds.finished_over_one,
    ),
    Knob(
        "finished_slope_per_day",
        "Finished: falling slower than, points a day",
        0.05,
        5.0,
        lambda a: a.thresholds.finished_slope_per_day,
    ),
    Knob(
        "finished_dwell",
        "Finished: told after, hours",
        0.0,
        96.0,
        lambda a: a.alerts.finished_dwell,
        "alerts",
    ),
    Knob(
        "stalled_slope_per_day",
        "Stalled: falling slower than, points a day",
        0.02,
        3.0,
        lambda a: a.thresholds.stalled_slope_per_day,
    ),
    Knob(
        "stalled_gap_points",
        "Stalled: above the expected end by, points",
        1.0,
        40.0,
        lambda a: a.thresholds.stalled_gap_points,
    ),
    Knob(
        "stalled_dwell",
        "Stalled: told after, hours",
        0.0,
        96.0,
        lambda a: a.alerts.stalled_dwell,
        "alerts",
    ),
    Knob(
        "silent_hours",
        "Sensor silent: told after, hours",
        1.0,
        240.0,
        lambda a: a.alerts.silent_hours,
        "alerts",
    ),
)


def tuned(analysis: Analysis, wished: dict[str, float]) -> Analysis:
    """The analysis with other thresholds; InputError for an unknown one or one out of range."""
    known = {knob.name: knob for knob in KNOBS}
    parts: dict[str, dict[str, float]] = {"thresholds": {}, "alerts": {}}
    for name, value in wished.items():
        knob = known.get(name)
        if knob is None:
            raise InputError(f"{name!r} cannot be tried: one of {', '.join(known)}")
        if not knob.low <= value <= knob.high:
            raise InputError(f"{name} = {value:g}: {knob.low:g} to {knob.high:g}")
        parts[knob.part][name] = value
    return replace(
        analysis,
        thresholds=replace(analysis.thresholds, **parts["thresholds"]),
        alerts=replace(analysis.alerts, **parts["alerts"]),
    )


def tried(ports: Ports, slug: str, wished: dict[str, float]) -> tuple[Told, Told]:
    """What the present thresholds say of a batch so far, and what others would have said."""
    now_ms = ports.now_ms()
    other = tuned(ports.analysis, wished)
    return tell(ports.store, slug, ports.analysis, now_ms), tell(ports.store, slug, other, now_ms)
