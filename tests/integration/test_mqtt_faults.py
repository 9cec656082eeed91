"""What goes wrong between subscriber and broker, on a real Mosquitto."""

from __future__ import annotations

import itertools
import logging
import socket
import threading

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.errors import ConfigurationError, InputError, PayloadError
from monitor.sensors.link import Link, Tls
from monitor.sensors.mqtt import Subscriber
from monitor.sensors.payload import Decoder

pytestmark = pytest.mark.mosquitto

TOPIC = "carboyd/readings/float-a"
AVAILABILITY = "carboyd/daemon/availability"
WAIT_S = 10.0
QUIET_S = 0.3
"""How long nothing must come where nothing is expected."""


class Watcher:
    """A plain client that notes what is published on one topic."""

    def __init__(self, broker, topic: str, **login) -> None:
        self.seen: list[bytes] = []
        self._news = threading.Condition()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.on_message = self._note
        self._client.connect(broker.host, broker.port)
        self._client.subscribe(topic, qos=1)
        self._client.loop_start()
        assert subscribed.wait(WAIT_S)

    def wait_for(self, *payloads: bytes) -> bool:
        """Whether just these have come, in this order, within the time; each may be repeated (QoS 1)."""
        with self._news:
            return self._news.wait_for(lambda: self._changes() == payloads, WAIT_S)

    def _changes(self) -> tuple[bytes, ...]:
        return tuple(payload for payload, _ in itertools.groupby(self.seen))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _note(self, _client, _userdata, message) -> None:
        with self._news:
            self.seen.append(message.payload)
            self._news.notify_all()


@pytest.fixture
def watcher():
    """A factory of watchers, all closed at the end."""
    made = []

    def make(broker, topic):
        made.append(Watcher(broker, topic))
        return made[-1]

    yield make
    for one in made:
        one.close()


class FailingClock:
    """A clock whose second look fails."""

    def __init__(self) -> None:
        self.looks = 0

    def __call__(self) -> int:
        self.looks += 1
        if self.looks == 2:
            raise ValueError("no time")
        return 1_764_000_000_000 + self.looks


def test_an_exception_in_a_callback_ends_nothing(mosquitto, publisher, subscriber, caplog):
    """The network thread lives, the fault is counted and logged, and the message comes again."""
    one = subscriber(mosquitto(), now_ms=FailingClock())
    sender = publisher_of(publisher, one)
    sender.send(TOPIC, b"1", b"2", b"3")
    taken = one.take(1, WAIT_S) + one.take(1, WAIT_S)
    assert [a.payload for a in taken] == [b"1", b"3"]
    assert one.state.alive
    assert one.state.callback_faults == 1
    assert "_on_message" in caplog.text
    one.reconnect()
    assert [a.payload for a in one.take(1, WAIT_S) + one.take(1, WAIT_S)][:2] == [b"1", b"2"]


def publisher_of(publisher, subscriber):
    """A publisher on the subscriber's broker."""
    return publisher(subscriber._link)


def test_a_poison_message_is_acknowledged_and_does_not_come_again(mosquitto, publisher, subscriber):
    """What cannot be decoded is a PayloadError; once acknowledged, the flow goes on without it."""
    broker = mosquitto()
    one = subscriber(broker, receive_maximum=2)
    poison = [b'[{"n":"a:gravity","u":"/","v":NaN}]', b'[{"n":"a:gravity","u":"/","v":1e999}]', b"\xff"]
    good = b'[{"n":"a:gravity","u":"/","v":1.05}]'
    publisher(broker).send(TOPIC, *poison, good)
    decoder, kinds, readings = Decoder(), [], []
    while len(kinds) + len(readings) < 4:
        (arrival,) = one.take(1, WAIT_S)
        try:
            readings += decoder.decode(arrival.topic, arrival.payload, arrival.received_ms).readings
        except PayloadError as error:
            kinds.append(error.kind)
        one.acknowledge([arrival])
    assert kinds == ["not_finite", "not_finite", "unmapped"]
    assert [reading.value for reading in readings] == [1.05]
    one.stop()
    assert subscriber(broker).take(1, QUIET_S) == []


class Listener(logging.Handler):
    """Waits for a text in the log."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text
        self._said = threading.Event()

    def emit(self, record: logging.LogRecord) -> None:
        if self._text in record.getMessage():
            self._said.set()

    def wait(self, timeout_s: float) -> bool:
        """Whether it has been said, waiting at most so long."""
        return self._said.wait(timeout_s)


@pytest.fixture
def said():
    """A listener for the hint that another client uses the same identifier."""
    listener = Listener("give each daemon a client_id of its own")
    logging.getLogger("monitor.sensors.mqtt").addHandler(listener)
    yield listener
    logging.getLogger("monitor.sensors.mqtt").removeHandler(listener)


def test_two_clients_with_one_identifier_are_told_so(mosquitto, subscriber, said):
    """The ones that throw each other out say so, and leave longer and longer between their tries."""
    broker = mosquitto()
    first = subscriber(broker, reconnect_s=(0.02, 60.0))
    second = subscriber(broker, reconnect_s=(0.02, 60.0))
    assert said.wait(WAIT_S)
    first.stop()
    second.stop()


def test_a_retained_value_does_not_come_at_each_connect(mosquitto, publisher, subscriber):
    """A reading that somebody retained weeks ago is not delivered as if it were new."""
    broker = mosquitto()
    publisher(broker).send(TOPIC, b"old", retain=True)
    one = subscriber(broker)
    assert one.take(1, QUIET_S) == []
    one.reconnect()
    publisher(broker).send("carboyd/readings/float-b", b"new")
    assert [a.payload for a in one.take(5, WAIT_S)] == [b"new"]


def test_a_content_type_is_handed_on(mosquitto, publisher, subscriber):
    """The MQTT 5 property arrives with the message."""
    broker = mosquitto()
    one = subscriber(broker)
    publisher(broker).send(TOPIC, b"\x81", content_type="application/senml+cbor")
    assert one.take(1, WAIT_S)[0].content_type == "application/senml+cbor"


def test_the_will_and_the_birth_share_a_topic(mosquitto, subscriber, watcher):
    """Online at each connect, offline by the broker when it breaks and by ourselves when we go."""
    broker = mosquitto()
    seen = watcher(broker, AVAILABILITY)
    one = subscriber(broker)
    assert seen.wait_for(b"online")
    one.reconnect()
    assert seen.wait_for(b"online", b"offline", b"online")
    one.stop()
    assert seen.wait_for(b"online", b"offline", b"online", b"offline")
    late = watcher(broker, AVAILABILITY)
    assert late.wait_for(b"offline")


def test_state_published_while_the_broker_is_away_arrives_after(mosquitto, subscriber, watcher):
    """A publish with QoS 1 without a connection leaves after the next connect; with QoS 0 it is refused."""
    broker = mosquitto(start=False)
    one = subscriber(broker, connect=False)
    assert one.publish("carboyd/batch/1/state", b"active", retain=True)
    assert not one.publish("carboyd/batch/1/state", b"active", qos=0)
    broker.start()
    assert broker.wait_for_log("Sending SUBACK to carboyd-test", WAIT_S)
    assert watcher(broker, "carboyd/batch/1/state").wait_for(b"active")


def test_a_topic_that_cannot_be_published_to_is_an_input_error(mosquitto, subscriber):
    """A wildcard in a topic is refused."""
    with pytest.raises(InputError):
        subscriber(mosquitto()).publish("carboyd/#", b"x")


def test_it_may_start_before_its_broker(mosquitto, publisher, subscriber):
    """The first connect is tried again like any other, and the trouble is named meanwhile."""
    broker = mosquitto(start=False)
    one = subscriber(broker, connect=False)
    assert not one.wait_connected(QUIET_S)
    assert "no connection" in one.state.trouble
    broker.start()
    assert one.wait_connected(WAIT_S)
    publisher(broker).send(TOPIC, b"1")
    assert one.take(1, WAIT_S)
    assert one.state.trouble == ""


def test_it_stops_without_its_broker(mosquitto, subscriber):
    """A subscriber that never connected stops, and its thread ends."""
    one = subscriber(mosquitto(start=False), connect=False, reconnect_s=(30.0, 30.0))
    one.wait_connected(QUIET_S)
    one.stop()
    assert not one.state.alive


ACL = """user sensor
topic write carboyd/readings/#
user carboyd
topic read carboyd/readings/#
topic write carboyd/daemon/#
"""
USERS = {"sensor": "rain", "carboyd": "honey"}


def test_tls_password_and_access_list(mosquitto, certificates, publisher, subscriber):
    """Encrypted, logged in and allowed, a reading arrives; what the list does not allow does not."""
    broker = mosquitto(users=USERS, acl=ACL, certificates=certificates)
    one = subscriber(broker, username="carboyd", password="honey", tls=Tls(certificates.ca))
    sender = publisher(broker, username="sensor", password="rain", ca=certificates.ca)
    sender.send(TOPIC, b"1")
    sender.send(AVAILABILITY, b"forged")
    assert broker.wait_for_log("Denied PUBLISH", WAIT_S)
    assert [a.payload for a in one.take(5, WAIT_S)] == [b"1"]
    one.reconnect()  # over TLS too
    assert [a.payload for a in one.take(5, WAIT_S)] == [b"1"]


def test_a_client_certificate_may_be_demanded(mosquitto, certificates, subscriber):
    """With its certificate the subscriber is let in, without it is not."""
    broker = mosquitto(certificates=certificates, client_certificates=True)
    tls = Tls(certificates.ca, certificates.client, certificates.client_key)
    assert subscriber(broker, tls=tls).state.connected
    bare = subscriber(broker, connect=False, client_id="bare", tls=Tls(certificates.ca))
    assert not bare.wait_connected(QUIET_S)


# paho leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_that_cannot_prove_itself_is_not_talked_to(mosquitto, certificates, subscriber):
    """A certificate of an authority that the system does not trust ends the attempt."""
    one = subscriber(mosquitto(certificates=certificates), connect=False, tls=Tls())
    assert not one.wait_connected(QUIET_S)
    assert one.state.alive
    assert "certificate" in one.state.trouble


def test_a_wrong_password_is_named(mosquitto, subscriber, caplog):
    """The refusal and what to check are in the log, once."""
    broker = mosquitto(users=USERS)
    one = subscriber(broker, connect=False, username="carboyd", password="wrong", client_id="wrong")
    assert broker.wait_for_log("not authorised", WAIT_S)
    assert not one.wait_connected(QUIET_S)
    assert "refuses the connection" in one.state.trouble
    assert caplog.text.count("username and password") == 1


def test_certificates_that_cannot_be_read_are_a_configuration_error(tmp_path):
    """Nothing is started with a file that is no certificate."""
    (tmp_path / "ca.pem").write_text("no certificate")
    link = Link("localhost", 1, "c", ("#",), tls=Tls(tmp_path / "ca.pem"))
    with pytest.raises(ConfigurationError):
        Subscriber(link, lambda: 0)


class RawBroker:
    """Speaks just enough MQTT 5 to let a client in, then sends what it is told: a script to each connection,
    the last of them to all that follow."""

    def __init__(self, *scripts: bytes) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = self._listener.getsockname()
        self._scripts = scripts
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        for script in itertools.chain(self._scripts, itertools.repeat(self._scripts[-1])):
            try:
                peer, _ = self._listener.accept()
                self._open.append(peer)
                peer.recv(4_096)
                peer.sendall(script)
            except ConnectionError:
                continue  # the client broke it off: it comes again
            except OSError:
                return

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._thread.join(WAIT_S)
        for peer in self._open:
            peer.close()
        self._listener.close()


CONNACK = bytes.fromhex("20 03 00 00 00")
SUBACK = bytes.fromhex("90 04 00 01 00 01")
REFUSED = bytes.fromhex("90 04 00 01 00 87")


def test_a_refused_subscription_is_named(subscriber):
    """A SUBACK with 0x87, not authorised, is an error in the log and in the state: silence would follow."""
    broker = RawBroker(CONNACK + REFUSED)
    one = subscriber(broker)
    assert one.state.refused_topics == ("carboyd/readings/#",)
    one.stop(0.1)
    broker.close()


@pytest.mark.parametrize(
    "garbage",
    [
        "30 02 00 10",  # a topic longer than its packet
        "32 05 00 01 ff 00 01",  # a topic that is not UTF-8
        "30 04 00 01 61 05",  # properties longer than their packet
        "f0 ff ff ff ff",  # a length that never ends
        "90 00",  # an empty SUBACK
    ],
)
def test_malformed_packets_do_not_silence_it(subscriber, garbage):
    """After garbage the network thread lives or is revived, and a reading on the next connection arrives."""
    reading = bytes.fromhex("30 05 00 01 61 00 37")  # "7" on topic "a", QoS 0
    broker = RawBroker(CONNACK + SUBACK + bytes.fromhex(garbage), CONNACK + SUBACK + reading)
    one = subscriber(broker)
    arrived = []
    for _ in range(50):
        arrived = one.take(1, 0.1)
        if arrived:
            break
        one.revive()
        one.reconnect()
    assert [a.payload for a in arrived] == [b"7"]
    one.stop(0.1)
    broker.close()
