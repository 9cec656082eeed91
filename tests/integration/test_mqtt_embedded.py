"""The subscriber on the embedded broker."""

from __future__ import annotations

from collections.abc import Iterator

import paho.mqtt.publish
import pytest

from monitor.errors import ConfigurationError
from monitor.sensors.broker import EmbeddedBroker
from monitor.sensors.link import Link
from monitor.sensors.mqtt import Subscriber

TOPIC = "carboyd/readings/float-a"
WAIT_S = 10.0


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    """A running embedded broker on a free port."""
    one = EmbeddedBroker()
    one.start()
    yield one
    one.stop()


def subscriber_of(broker: EmbeddedBroker) -> Subscriber:
    """A started subscriber with the broker's own login."""
    link = Link(
        broker.host,
        broker.port,
        "carboyd-test",
        ("carboyd/readings/#",),
        username=broker.username,
        password=broker.password,
        protocol="3.1.1",
        reconnect_s=(0.05, 0.2),
    )
    one = Subscriber(link, lambda: 1_764_000_000_000)
    one.start()
    assert one.wait_connected(WAIT_S), one.state
    return one


def send(broker: EmbeddedBroker, *payloads: bytes) -> None:
    """Publish as an anonymous sensor on this machine would."""
    paho.mqtt.publish.multiple(
        [(TOPIC, payload, 1, False) for payload in payloads], hostname=broker.host, port=broker.port
    )


def test_readings_of_an_anonymous_sensor_arrive(broker):
    """A sensor on this machine needs no login, the daemon has one."""
    one = subscriber_of(broker)
    send(broker, b"1", b"2")
    taken = one.take(1, WAIT_S)
    taken += one.take(1, WAIT_S)
    one.acknowledge(taken)
    assert [arrival.payload for arrival in taken] == [b"1", b"2"]
    one.stop()


def test_the_daemons_session_is_kept_while_the_broker_runs(broker):
    """What is sent while the daemon is away arrives when it is back, though marked as retained."""
    subscriber_of(broker).stop()
    send(broker, b"1", b"2", b"3")
    one = subscriber_of(broker)
    taken = []
    while len(taken) < 3:
        some = one.take(3, WAIT_S)
        assert some
        one.acknowledge(some)
        taken += some
    assert sorted(arrival.payload for arrival in taken) == [b"1", b"2", b"3"]
    assert one.state.session_present is True
    assert all(arrival.retain for arrival in taken)
    one.stop()


def test_a_taken_port_is_a_named_fault(broker):
    """Two brokers on one port: the second says so and does not hang."""
    with pytest.raises(ConfigurationError, match=str(broker.port)):
        EmbeddedBroker(broker.port).start()


def test_a_wrong_login_is_refused(broker):
    """A client that names a user must know the password."""
    link = Link(
        broker.host, broker.port, "stranger", ("#",), username="carboyd", password="guess", protocol="3.1.1"
    )
    one = Subscriber(link, lambda: 0)
    one.start()
    assert not one.wait_connected(0.7)
    assert one.state.trouble
    one.stop()


def test_it_starts_again_after_a_stop(broker):
    """Stopped and started, the same broker serves again."""
    broker.stop()
    assert not broker.alive
    broker.start()
    one = subscriber_of(broker)
    send(broker, b"1")
    assert [arrival.payload for arrival in one.take(1, WAIT_S)] == [b"1"]
    one.stop()
