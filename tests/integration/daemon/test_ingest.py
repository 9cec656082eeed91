"""Ingest on a real Mosquitto: what was confirmed to a sensor is in the store once, whatever was killed."""

from __future__ import annotations

import json
import signal
import threading
import time

import pytest

pytestmark = pytest.mark.mosquitto

START_S = int(time.time()) - 86_400
"""A day ago: what lies a year back is flagged."""
SENT = 20_000
FLOATS = 20
LIMIT_S = 60.0


def _key(number: int) -> tuple[str, int]:
    return f"float-{number % FLOATS}", (START_S + number // FLOATS) * 1_000


def _payload(number: int) -> bytes:
    sensor, time_ms = _key(number)
    value = 1_040.0 - number / 1_000.0
    return json.dumps([{"n": f"{sensor}:density", "u": "kg/m3", "v": value, "t": time_ms // 1_000}]).encode()


def _stored_keys(store) -> list[tuple[str, int]]:
    series = store.readings.read([f"float-{number}" for number in range(FLOATS)])
    return [(reading.sensor, reading.time_ms) for reading in series.readings()]


def _wait_until_stored(store, count: int) -> None:
    pause = threading.Event()
    for _ in range(int(LIMIT_S / 0.05)):
        if store.readings.after(0, 1_000_000).position.size >= count:
            return
        pause.wait(0.05)
    raise AssertionError(f"{store.readings.after(0, 1_000_000).position.size} of {count} stored")


def test_nothing_is_lost_or_doubled_when_daemon_and_broker_are_killed(
    mosquitto, publisher, workplace, carboyd, listener
):
    """20,000 QoS 1 readings, the daemon killed amid them, the broker restarted: keys sent are keys stored."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    sensor = publisher(broker)
    quarter = SENT // 4
    parts = [[_payload(number) for number in range(at, at + quarter)] for at in range(0, SENT, quarter)]

    killer = threading.Thread(target=daemon.end, args=(signal.SIGKILL,))
    killer.start()  # somewhere amid the first quarter
    sensor.send("carboyd/readings/a", *parts[0])
    killer.join()
    sensor.send("carboyd/readings/a", *parts[1])  # nobody listens: these wait at the broker
    daemon.start()
    sensor.send("carboyd/readings/a", *parts[2])
    broker.stop()
    broker.start()
    again = publisher(broker)
    again.send("carboyd/readings/a", *parts[3])
    again.send("carboyd/readings/a", *parts[3][:500])  # a sensor that repeats itself

    with workplace.store() as store:
        _wait_until_stored(store, SENT)
        assert daemon.end() == 0
        stored = _stored_keys(store)
    assert len(stored) == SENT
    assert set(stored) == {_key(number) for number in range(SENT)}


def test_a_stop_drains_within_five_seconds_and_loses_nothing(mosquitto, publisher, workplace, carboyd):
    """SIGTERM amid a stream: status 0 inside the limit, and what was left comes at the next start."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    payloads = [_payload(number) for number in range(4_000)]
    ender: list[int] = []
    stopper = threading.Thread(target=lambda: ender.append(daemon.end(signal.SIGTERM, limit_s=5.0)))
    sensor = publisher(broker)
    sensor.send("carboyd/readings/a", *payloads[:2_000])
    stopper.start()
    sensor.send("carboyd/readings/a", *payloads[2_000:])
    stopper.join()
    assert ender == [0]
    daemon.start()
    with workplace.store() as store:
        _wait_until_stored(store, 4_000)
        assert set(_stored_keys(store)) == {_key(number) for number in range(4_000)}


def test_what_cannot_be_understood_is_kept_counted_and_acknowledged(mosquitto, publisher, workplace, carboyd):
    """NaN, 1e999, broken JSON and raw bytes go into quarantine; the reading behind them is stored."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    bad = [
        b'[{"n":"float-1:density","u":"kg/m3","v":NaN}]',
        b'[{"n":"float-1:density","u":"kg/m3","v":1e999}]',
        b"{",
        b"\xff\xfe\x00",
        b'[{"n":"float-1:density","u":"kg/m3","v":true}]',
    ]
    publisher(broker).send("carboyd/readings/a", *bad, _payload(1))
    with workplace.store() as store:
        _wait_until_stored(store, 1)
        assert [one.refused.payload for one in store.quarantine.listed()] == bad[::-1]
        assert sum(count.count for count in store.quarantine.counts()) == len(bad)
    daemon.end()
    daemon.start()
    assert daemon.end() == 0
    with workplace.store() as store:
        assert sum(count.count for count in store.quarantine.counts()) == len(bad)


def test_tls_password_and_access_list(mosquitto, publisher, workplace, carboyd, certificates):
    """With TLS, a password from the environment and an access list, readings come in and state goes out."""
    users = {"carboyd": "cellar door", "float": "bung"}
    acl = (
        "user carboyd\ntopic read carboyd/readings/#\ntopic write carboyd/daemon/#\n"
        "topic write carboyd/batch/#\nuser float\ntopic write carboyd/readings/#\n"
    )
    broker = mosquitto(users=users, acl=acl, certificates=certificates)
    workplace.configure(broker, tls=True, ca_file=certificates.ca, username="carboyd")
    daemon = carboyd(CARBOYD_MQTT__PASSWORD="cellar door")
    daemon.start()
    publisher(broker, "float", "bung", certificates.ca).send("carboyd/readings/float-1", _payload(1))
    with workplace.store() as store:
        _wait_until_stored(store, 1)
    assert not any("cellar door" in line for line in [*daemon.log, *daemon.greeting])


def test_a_wrong_password_is_said_and_the_daemon_goes_on_trying(mosquitto, workplace, carboyd):
    """The log names the refusal and what to check."""
    broker = mosquitto(users={"carboyd": "right"})
    workplace.configure(broker, username="carboyd")
    daemon = carboyd(CARBOYD_MQTT__PASSWORD="wrong")
    daemon.start(connected=False)
    assert daemon.said("check mqtt username and password")
    assert daemon.end() == 0


def test_clock_skewed_readings_are_kept_and_flagged(mosquitto, publisher, workplace, carboyd):
    """A reading ten years ahead and one from 1979 are in the store, marked and dated by their arrival."""
    broker = mosquitto()
    workplace.configure(broker)
    daemon = carboyd()
    daemon.start()
    future, past = 2_095_000_000, 300_000_000
    packs = [
        json.dumps([{"n": "float-1:density", "u": "kg/m3", "v": 1_030.0, "t": t}]).encode()
        for t in (future, past, START_S)
    ]
    publisher(broker).send("carboyd/readings/a", *packs)
    with workplace.store() as store:
        _wait_until_stored(store, 3)
        series = store.readings.read(["float-1"])
    marked = series.flag != 0
    assert series.time_ms[~marked].tolist() == [START_S * 1_000]
    assert (series.received_ms[marked] - series.time_ms[marked]).max() <= 1
    assert marked.sum() == 2
    assert daemon.said("its clock is wrong")
