"""From a reading over MQTT to a notice over HTTP: delivered once, also when the receiver was down."""

from __future__ import annotations

import json

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.premise import Yeast

pytestmark = pytest.mark.mosquitto

HOUR_S = 3_600
PITCHED_S = 1_767_463_200


def _cold(hour: int) -> bytes:
    time_s = PITCHED_S + hour * HOUR_S
    return json.dumps(
        [
            {"n": "float-1:density", "u": "kg/m3", "v": 1_038.0, "t": time_s},
            {"n": "float-1:temperature", "u": "Cel", "v": 4.0, "t": time_s},
        ]
    ).encode()


def test_a_notice_survives_a_receiver_that_is_down_and_a_restart(
    mosquitto, publisher, inside, until, receiver, caplog
):
    """A cold liquid: refused, restarted, accepted: one alert, one notice, never a second one."""
    broker = mosquitto()
    notify = {"channels": [{"name": "hook", "url": receiver.url}]}
    sheet = Sheet(
        slug="porch",
        name="Porch",
        pitched_ms=PITCHED_S * 1_000,
        yeast=Yeast((14.0, 24.0)),
        gravity_sensor="float-1",
        temperature_sensor="float-1",
    )
    first = inside(broker, PITCHED_S * 1_000, sheet, notify=notify)
    sensor = publisher(broker)
    for hour in range(8):
        first.clock.at_ms = (PITCHED_S + hour * HOUR_S) * 1_000 + 1
        sensor.send("carboyd/readings/float-1", _cold(hour))
        until(lambda count=hour + 1: first.messages == count)
    receiver.wait(lambda one: one.refused >= 1)
    first.stop()

    receiver.open = True
    second = inside(broker, first.clock.at_ms + HOUR_S * 1_000, notify=notify)
    receiver.wait(lambda one: one.accepted)
    until(lambda: not second.store.outbox.due(second.clock.at_ms))
    second.stop()
    (notice,) = receiver.accepted
    assert "Porch" in notice["title"]
    assert "4.0 degC" in notice["message"]
    assert receiver.url not in caplog.text
