"""The daemon and the replay say the same of the same readings, to the last word."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertState, Emission, PhaseChange
from monitor.ferment.event import Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.replay import recording
from monitor.replay.player import play
from monitor.units import Quantity

pytestmark = pytest.mark.mosquitto

REPLAY_DATA = Path(__file__).parents[3] / "replay_data"
RECORDING = REPLAY_DATA / "session-43"
LIMIT_S = 120.0
NAMES = {
    Quantity.GRAVITY: ("gravity", "/"),
    Quantity.TEMPERATURE: ("temperature", "Cel"),
    Quantity.BATTERY: ("battery", "%EL"),
    Quantity.BATTERY_VOLTAGE: ("battery_voltage", "V"),
    Quantity.SIGNAL: ("signal", "dBW"),
}


def _pack(readings: Iterator[Reading]) -> bytes:
    records = []
    for reading in readings:
        name, unit = NAMES[reading.quantity]
        value = reading.value - 30.0 if reading.quantity is Quantity.SIGNAL else reading.value
        records.append({"n": f"{reading.sensor}:{name}", "u": unit, "v": value, "t": reading.time_ms / 1_000})
    return json.dumps(records).encode()


def _told(said: list[Emission]) -> list[Emission]:
    return [one for one in said if isinstance(one, (AlertChange, PhaseChange))]


def test_the_daemon_says_what_a_replay_says(mosquitto, publisher, inside, until, tmp_path):
    """A recording sent over MQTT gives the replay's phases and alerts; so does what is exported of it."""
    kept = recording.read(RECORDING)
    rows = [one for one in kept.readings() if one.quantity in NAMES]
    premise = kept.premise
    sheet = Sheet(
        slug="parity",
        name="Parity",
        pitched_ms=premise.pitched_ms,
        must=premise.must,
        yeast=premise.yeast,
        gravity_sensor=premise.gravity_sensor,
        temperature_sensor=premise.temperature_sensor,
        other_sensors=tuple(sorted({one.sensor for one in rows})),
    )
    expected_pipeline = Pipeline(premise)
    expected = _told([said for one in rows for said in expected_pipeline.step(one)])
    expected += _told(expected_pipeline.step(Tick(rows[-1].received_ms + 1)))

    broker = mosquitto()
    said: list[Emission] = []
    daemon = inside(broker, rows[0].received_ms, sheet, heard=lambda _slug, one: said.append(one))
    clock = daemon.clock
    sensor = publisher(broker)
    sent = 0
    for (_, received_ms), group in groupby(rows, key=lambda one: (one.sensor, one.received_ms)):
        # the clock may step only when all that came before has been taken in
        until(lambda count=sent: daemon.messages == count)
        clock.at_ms = max(clock.at_ms, received_ms)
        sensor.send("carboyd/readings/any", _pack(group))
        sent += 1
    until(lambda count=sent: daemon.messages == count)
    clock.at_ms = rows[-1].received_ms + 1
    last = expected_pipeline.snapshot.at_ms
    until(lambda: daemon.snapshots["parity"].at_ms == last)
    stored = daemon.store.alerts.listed(limit=10_000)
    readings = daemon.store.batches.readings("parity")
    recording.write(
        tmp_path / "export",
        title="Parity",
        premise=sheet.premise(),
        journal=(),
        truth=kept.truth,
        lines=recording.rows_of(readings.readings()),
    )

    assert _told(said) == expected
    fired = [one for one in expected if isinstance(one, AlertChange) and one.state is AlertState.FIRING]
    assert fired, "the recording was chosen because something is told of it"
    assert {(one.kind, one.subject, one.fired_ms) for one in stored} <= {
        (one.kind, one.subject, one.fired_ms) for one in fired
    }
    again = _told(list(play(recording.read(tmp_path / "export"), Pipeline(sheet.premise()))))
    assert again == expected
