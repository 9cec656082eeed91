"""What the pipeline last told of a batch, as a plain document that another process can read back whole."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Forecast,
    Interval,
    Phase,
    PhaseChange,
    Severity,
)
from monitor.ferment.evidence import Evidence
from monitor.ferment.pipeline import Snapshot

Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Told:
    """Where a batch stands, and the phases so far, oldest first."""

    snapshot: Snapshot
    phases: tuple[PhaseChange, ...]


def to_plain(snapshot: Snapshot, phases: Sequence[PhaseChange]) -> Document:
    """Nested dicts, lists, text, numbers and None; numbers that JSON does not have are written as text."""
    return {
        "snapshot": _plain(asdict(snapshot)),
        "phases": [_plain(asdict(phase)) for phase in phases],
    }


def from_plain(document: Mapping[str, Any]) -> Told | None:
    """What `to_plain` was given; None for a document that another version wrote and this one cannot read."""
    try:
        plain = document["snapshot"]
        forecast = plain["forecast"]
        snapshot = Snapshot(
            at_ms=plain["at_ms"],
            phase=Phase(plain["phase"]),
            reason=plain["reason"],
            evidence=_evidence(plain["evidence"]),
            open_alerts=tuple(_alert(alert) for alert in plain["open_alerts"]),
            forecast=None if forecast is None else _forecast(forecast),
        )
        phases = tuple(
            PhaseChange(one["at_ms"], Phase(one["phase"]), one["reason"]) for one in document["phases"]
        )
    except (KeyError, TypeError, ValueError):
        return None
    return Told(snapshot, phases)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    if isinstance(value, float):
        value = float(value)  # a float of numpy's is one too
        return value if math.isfinite(value) else repr(value)
    return value


def _evidence(plain: Mapping[str, Any]) -> Evidence:
    known = {member.name for member in fields(Evidence)}
    if set(plain) != known:
        raise ValueError("evidence of another version")
    values = {name: float(value) for name, value in plain.items() if name != "at_ms"}
    return Evidence(at_ms=plain["at_ms"], **values)


def _alert(plain: Mapping[str, Any]) -> AlertChange:
    values = dict(plain)
    return AlertChange(
        **values
        | {
            "kind": AlertKind(values["kind"]),
            "state": AlertState(values["state"]),
            "severity": Severity(values["severity"]),
        }
    )


def _forecast(plain: Mapping[str, Any]) -> Forecast:
    return Forecast(plain["at_ms"], _interval(plain["final_gravity_sg"]), _interval(plain["finish_at_ms"]))


def _interval(plain: Mapping[str, Any]) -> Interval:
    return Interval(*(None if plain[name] is None else float(plain[name]) for name in ("p05", "p50", "p95")))
