"""Where a batch stands, as a plain document: what goes out over MQTT and what a page or a script reads."""

from __future__ import annotations

import math
from typing import Any, Final

from monitor.batch.sheet import Sheet
from monitor.batch.strength import attenuated
from monitor.ferment.emission import AlertChange, AlertKind, Interval, Phase
from monitor.ferment.offset import SAMPLE_SD
from monitor.ferment.pipeline import Snapshot
from monitor.ferment.wording import fall_per_day
from monitor.units import POINTS_PER_SG, rfc3339_from_ms

Document = dict[str, Any]
ABV_DIGITS: Final = 4
"""So many that a figure rounded for show is the page's."""


def standing_document(sheet: Sheet, snapshot: Snapshot) -> Document:
    """A JSON-ready document; None stands for what is not known. Gravities are specific gravity 20/20."""
    evidence = snapshot.evidence
    sampled_ms = evidence.by_hand_ms
    level_se = evidence.level_se if sampled_ms is None else SAMPLE_SD
    gravity_sg = _sg(evidence.shown_points)
    made = None if snapshot.is_unmoved else attenuated(sheet, gravity_sg, evidence.added_points)
    return {
        "batch": sheet.slug,
        "name": sheet.name,
        "at": rfc3339_from_ms(snapshot.at_ms),
        "phase": snapshot.phase.value,
        "reason": snapshot.reason,
        "gravity_sg": _rounded(gravity_sg, 5),
        "gravity_standard_error_sg": _rounded(_scaled(level_se), 5),
        "gravity_by_hand_at": None if sampled_ms is None else rfc3339_from_ms(sampled_ms),
        "fall_points_per_day": _rounded(_known(fall_per_day(snapshot.phase, evidence)), 2),
        "alcohol_abv": None if made is None else round(made.abv, ABV_DIGITS),
        "temperature_c": _rounded(_known(evidence.temperature_c), 1),
        "final_gravity_sg": _percentiles(
            None if snapshot.forecast is None else snapshot.forecast.final_gravity_sg
        ),
        "finish_at": _moments(finish_of(snapshot)),
        "alerts": [alert_document(sheet, alert) for alert in snapshot.open_alerts],
    }


def finish_of(snapshot: Snapshot) -> Interval:
    """When it should end; once that was told, since when; nothing where it goes again after its end."""
    if snapshot.phase is Phase.FINISHED:
        since = [one.fired_ms for one in snapshot.open_alerts if one.kind is AlertKind.FINISHED]
        return Interval(p50=float(since[-1])) if since else Interval()
    if snapshot.phase is Phase.REFERMENTING or snapshot.forecast is None:
        return Interval()
    return snapshot.forecast.finish_at_ms


def alert_document(sheet: Sheet, alert: AlertChange) -> Document:
    """One alert that fires or has just been resolved."""
    return {
        "batch": sheet.slug,
        "alert": alert.kind.value,
        "state": alert.state.value,
        "severity": alert.severity.value,
        "subject": alert.subject,
        "since": rfc3339_from_ms(alert.fired_ms),
        "message": alert.message,
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _scaled(points: float) -> float | None:
    return points / POINTS_PER_SG if math.isfinite(points) else None


def _sg(points: float) -> float | None:
    return 1.0 + points / POINTS_PER_SG if math.isfinite(points) else None


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _percentiles(interval: Interval | None) -> Document:
    interval = Interval() if interval is None else interval
    return {name: _rounded(getattr(interval, name), 4) for name in ("p05", "p50", "p95")}


def _moments(interval: Interval) -> Document:
    shown: Document = {}
    for name in ("p05", "p50", "p95"):
        moment = getattr(interval, name)
        shown[name] = None if moment is None else rfc3339_from_ms(int(moment))
    return shown
