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


def test_a_cold_night_is_one_notice_and_the_morning_brings_a_digest(
    mosquitto, publisher, inside, until, receiver
):
    """Two carboys cold at once: one notice with both; at eight one digest, and none again after a restart."""
    receiver.open = True
    broker, night_s = mosquitto(), PITCHED_S
    notify = {
        "channels": [{"name": "hook", "url": receiver.url, "pictures": False}],
        "time_zone": "UTC",
        "digest_at": "08:00",
        "group_minutes": 2,
    }
    sheets = [
        Sheet(
            slug=slug,
            name=slug.capitalize(),
            pitched_ms=night_s * 1_000,
            yeast=Yeast((14.0, 24.0)),
            gravity_sensor=f"float-{number}",
            temperature_sensor=f"float-{number}",
        )
        for number, slug in enumerate(("porch", "shed"), 1)
    ]

    def both(store) -> None:
        for sheet in sheets:
            store.batches.start(sheet, at_ms=sheet.pitched_ms)

    # 2026-01-03T18:00:00Z
    daemon = inside(broker, night_s * 1_000, before=both, notify=notify)
    sensor = publisher(broker)
    for hour in range(15):
        daemon.clock.at_ms = (night_s + hour * HOUR_S) * 1_000 + 1
        for number in (1, 2):
            sensor.send(
                f"carboyd/readings/float-{number}", _cold(hour).replace(b"float-1", b"float-%d" % number)
            )
        until(lambda count=2 * (hour + 1): daemon.messages == count)
    daemon.clock.at_ms += 121_000
    daemon.courier.wake()
    receiver.wait(lambda one: len(one.accepted) >= 2)
    daemon.stop()
    again = inside(broker, daemon.clock.at_ms + HOUR_S * 1_000, notify=notify)
    until(lambda: not again.store.outbox.due(again.clock.at_ms))
    again.stop()
    cold, digest = sorted(receiver.accepted, key=lambda one: "open batches" in one["title"])
    assert cold["title"] == "2 batches are too cold"
    assert "* Porch is too cold" in cold["message"]
    assert "* Shed is too cold" in cold["message"]
    assert digest["title"] == "Sunday 4 January: 2 open batches, 2 need you"
    assert digest["message"].count("Open: temperature low.") == 2
