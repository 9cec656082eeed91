"""Snapshots as documents: what goes in comes out."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from monitor.batch.told import Told, from_plain, to_plain
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

COLD = AlertChange(5, AlertKind.TEMPERATURE_LOW, AlertState.FIRING, 5, Severity.ACT, "cold", "probe-1")
PHASES = (PhaseChange(0, Phase.LAG, "nothing falls"), PhaseChange(5, Phase.ACTIVE, "it falls"))
FULL = Snapshot(
    at_ms=5,
    phase=Phase.ACTIVE,
    reason="it falls",
    evidence=Evidence(5, temperature_c=0.0, end_hours_p95=math.inf, slope_two=-1.25),
    open_alerts=(COLD,),
    forecast=Forecast(4, Interval(0.99, 1.0, 1.01), Interval(p50=9.5)),
)


def _there_and_back(snapshot: Snapshot, phases: tuple[PhaseChange, ...] = PHASES) -> Told | None:
    return from_plain(json.loads(json.dumps(to_plain(snapshot, phases), allow_nan=False)))


def test_a_snapshot_comes_back_whole() -> None:
    """Zero, infinity, not-a-number, alerts, forecast and phases survive JSON that knows none but numbers."""
    told = _there_and_back(FULL)
    assert told is not None
    # nan is not equal to itself, and its name is
    assert repr(told.snapshot) == repr(FULL)
    assert told.phases == PHASES
    assert told.snapshot.evidence.temperature_c == 0.0
    assert math.isnan(told.snapshot.evidence.level_points)


def test_a_snapshot_before_any_forecast_comes_back() -> None:
    """None stays None, and no phases are no phases."""
    bare = replace(FULL, forecast=None, open_alerts=())
    told = _there_and_back(bare, ())
    assert told is not None
    assert repr(told) == repr(Told(bare, ()))


def test_what_another_version_wrote_is_nothing() -> None:
    """A member too few, too many, or a word that is none of ours: no snapshot rather than a wrong one."""
    document = to_plain(FULL, PHASES)
    assert from_plain({}) is None
    assert from_plain(document | {"snapshot": document["snapshot"] | {"phase": "sleeping"}}) is None
    evidence = dict(document["snapshot"]["evidence"])
    evidence.pop("level_se")
    assert from_plain(document | {"snapshot": document["snapshot"] | {"evidence": evidence}}) is None
    more = document["snapshot"]["evidence"] | {"taste": 1.0}
    assert from_plain(document | {"snapshot": document["snapshot"] | {"evidence": more}}) is None
