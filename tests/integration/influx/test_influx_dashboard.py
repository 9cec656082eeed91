"""Every query of the provisioned dashboard, asked of a real server that holds what was forwarded."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Phase, Severity
from monitor.ferment.event import Reading
from monitor.store.influx_forward import Forwarder
from monitor.store.values import Level, PhaseStep
from monitor.units import MS_PER_HOUR, Quantity

BOARD = json.loads((Path(__file__).parents[3] / "deploy/compose/grafana/dashboards/cellar.json").read_text())
START_MS = 1_764_000_000_000
NUMBERS = {
    "gravity_sg": 1.04,
    "fall_points_per_day": 3.0,
    "temperature_c": 18.0,
    "alcohol_abv": 2.5,
    "final_gravity_p05_sg": 0.998,
    "final_gravity_p50_sg": 1.001,
    "final_gravity_p95_sg": 1.004,
}


@pytest.fixture
def history(store, door, influx, server):
    """A server with a batch of every kind of line."""
    store.batches.start(Sheet("orchard", "Orchard", START_MS), at_ms=START_MS)
    quantities = {Quantity.GRAVITY: 1.04, Quantity.BATTERY: 80.0, Quantity.SIGNAL: -60.0}
    store.readings.commit(
        [Reading("float-a", quantity, START_MS, value, START_MS) for quantity, value in quantities.items()]
    )
    store.chronicle.keep(
        [Level("orchard", START_MS, Phase.ACTIVE, NUMBERS)],
        [PhaseStep("orchard", START_MS, Phase.ACTIVE, "it falls")],
    )
    change = AlertChange(
        START_MS, AlertKind.STALLED, AlertState.FIRING, START_MS, Severity.ACT, "it stands still"
    )
    store.alerts.record("orchard", change, now_ms=START_MS)
    forwarder = Forwarder(store, server(door.url), now_ms=lambda: START_MS, share=lambda: 0.0)
    while forwarder.step() == 0.0:
        pass
    assert not forwarder.trouble
    return influx


def filled(query: str) -> str:
    """The query as the dashboard sends it with all batches and sensors chosen."""
    around = f"time >= {START_MS - MS_PER_HOUR}ms AND time <= {START_MS + MS_PER_HOUR}ms"
    for name, value in (
        ("$timeFilter", around),
        ("$__interval", "15m"),
        ("$batch", ".*"),
        ("$sensor", ".*"),
    ):
        query = query.replace(name, value)
    assert "$" not in query.replace("^.*$/", "")
    return query


def test_every_panel_shows_something(history):
    """No panel asks for a measurement, tag or field that is not forwarded."""
    assert len(BOARD["panels"]) == 11
    for panel in BOARD["panels"]:
        for target in panel["targets"]:
            rows = history.query(filled(target["query"]))
            shown = [
                value
                for row in rows
                for name, value in row.items()
                if name not in ("time", "batch", "sensor", "kind", "moment") and value is not None
            ]
            assert shown, panel["title"]
            if panel["title"] == "Where it should end":
                assert shown == [0.998, 1.001, 1.004]


def test_variables_and_marks_are_filled_too(history):
    """The choices of batch and sensor, and the alerts drawn into the charts."""
    by_name = {one["name"]: one["query"] for one in BOARD["templating"]["list"]}
    assert [row["value"] for row in history.query(by_name["batch"])] == ["orchard"]
    assert [row["value"] for row in history.query(by_name["sensor"])] == ["float-a"]
    (mark,) = BOARD["annotations"]["list"]
    assert [row["message"] for row in history.query(filled(mark["query"]))] == ["it stands still"]
