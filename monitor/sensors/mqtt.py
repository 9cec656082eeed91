"""The MQTT side: subscribe, stamp the arrival, hand over, acknowledge once stored; publish state.

Nothing is lost while either side restarts: the client identifier is fixed, the session outlives the
connection by days, every connect asks for the old session, and a message is acknowledged only when
`acknowledge` is called for it. Callbacks run in paho's network thread and only stamp and enqueue.
"""

from __future__ import annotations

import functools
import logging
import random
import socket
import ssl
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final, Literal, ParamSpec, cast

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import InputError
from monitor.sensors.arrivals import Arrival, Arrivals
from monitor.sensors.link import Link, LinkState, tls_context

ONLINE: Final = b"online"
OFFLINE: Final = b"offline"
LINGER_S: Final = 0.02
"""Long enough to gather a hundred messages of a flood, too short to be noticed."""

_SESSION_TAKEN_OVER: Final = 0x8E
_RETAINED_NEVER: Final = 2
_STABLE_S: Final = 10.0
"""A connection that lasts so long was a good one: the next try after it is an early one again."""
_SHORT_LIVES: Final = 3
_MOST_OUTGOING: Final = 10_000

logger = logging.getLogger(__name__)
P = ParamSpec("P")


class Subscriber:
    """One connection to a broker, for a single worker that takes, stores and acknowledges."""

    def __init__(
        self,
        link: Link,
        now_ms: Callable[[], int],
        jitter: Callable[[], float] = random.random,
        monotonic_s: Callable[[], float] = time.monotonic,
        called: Callable[[str, bytes], None] = lambda _topic, _payload: None,
    ) -> None:
        """Connects nothing before `start`; raises ConfigurationError for certificates that cannot be used.

        `called` gets what comes on the link's call topics, in the network thread: it must not wait.
        """
        self._link = link
        self._now_ms = now_ms
        self._jitter = jitter
        self._monotonic_s = monotonic_s
        self._called = called
        self._arrivals = Arrivals(link.queue_size)
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._stopping = False
        self._deaf = False
        self._overflowed = False
        self._connected = threading.Event()
        self._session_present: bool | None = None
        self._connections = 0
        self._connected_s = 0.0
        self._failures = 0
        self._short_lives = 0
        self._on_purpose = False
        self._asked: dict[int, tuple[str, ...]] = {}
        self._refused: tuple[str, ...] = ()
        self._trouble = "not started"
        self._received = 0
        self._turned_away = 0
        self._faults = 0
        self._client = self._new_client()

    # -- life ---------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect, and to try again for ever; returns at once."""
        link = self._link
        if link.protocol == "5":
            properties = _properties(
                PacketTypes.CONNECT,
                SessionExpiryInterval=link.session_expiry_s,
                ReceiveMaximum=link.receive_maximum,
            )
            self._client.connect_async(
                link.host, link.port, link.keepalive_s, clean_start=False, properties=properties
            )
        else:
            self._client.connect_async(link.host, link.port, link.keepalive_s)
        self._client.loop_start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """Say goodbye and disconnect, keeping the session; what is unacknowledged comes again next time.

        Takes no longer than `timeout_s`; a broker that does not answer by then is left to its will message.
        """
        self._stopping = True
        deadline_s = self._monotonic_s() + timeout_s
        if self._link.availability_topic and self._client.is_connected():
            farewell = self._client.publish(self._link.availability_topic, OFFLINE, qos=1, retain=True)
            try:
                farewell.wait_for_publish(timeout_s / 2.0)
            except (RuntimeError, ValueError):
                logger.debug("the connection went before the farewell could be sent")
        self._client.disconnect()
        if self._thread is not None:
            self._thread.join(max(0.0, deadline_s - self._monotonic_s()))
            if not self._thread.is_alive():
                self._client.loop_stop()
        self._connected.clear()
        self._trouble = "stopped"

    def wait_connected(self, timeout_s: float) -> bool:
        """Whether the link is up and subscribed, waiting at most so long for it."""
        return self._connected.wait(timeout_s)

    def reconnect(self) -> None:
        """Break the connection on purpose, so that all that is unacknowledged is sent again.

        For after a failed commit: what this connection still brings is not taken.
        """
        self._deaf = self._on_purpose = True
        broken = self._client.socket()
        if broken is not None:
            try:
                # the plain shutdown: an SSL socket's own would let the reader see raw bytes
                socket.socket.shutdown(cast(socket.socket, broken), socket.SHUT_RDWR)
            except OSError:
                logger.debug("the connection was gone already")

    def revive(self) -> bool:
        """Start the network thread again if it died; True if it had. To be called now and then."""
        if self._stopping or self._thread is None or self._thread.is_alive():
            return False
        logger.error("the MQTT network thread ended by itself; it is started again")
        self._arrivals.new_connection()
        self.reconnect()
        self._client.loop_start()
        return True

    @property
    def state(self) -> LinkState:
        """A snapshot."""
        alive = self._thread is not None and self._thread.is_alive()
        return LinkState(
            connected=alive and self._connected.is_set(),
            alive=alive,
            session_present=self._session_present,
            connections=self._connections,
            refused_topics=self._refused,
            trouble=self._trouble,
            waiting=len(self._arrivals),
            unacknowledged=self._arrivals.unacknowledged,
            received=self._received,
            turned_away=self._turned_away,
            callback_faults=self._faults,
        )

    # -- readings in --------------------------------------------------------------------------------------

    def take(self, most: int, wait_s: float, linger_s: float = LINGER_S) -> list[Arrival]:
        """Up to `most` arrivals in order; none if nothing comes within `wait_s`.

        Once there is one, up to `linger_s` more is waited while others keep coming.
        """
        taken = self._arrivals.take(most, wait_s, linger_s)
        if self._overflowed and not len(self._arrivals):
            self._overflowed = False
            self.reconnect()
        return taken

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Let the broker forget these: they are stored, or set aside for good.

        Acknowledgements leave in order of arrival; those of a connection that has gone are void.
        """
        with self._lock:
            for mid in self._arrivals.settle(arrivals):
                self._client.ack(mid, 1)

    # -- state out ----------------------------------------------------------------------------------------

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: Literal[0, 1] = 1) -> bool:
        """Publish; True if it will leave, now or with QoS 1 after the next connect. Never waits.

        What has not left is lost with the process: whoever must not lose it keeps it elsewhere.
        Raises InputError for a topic that cannot be published to.
        """
        try:
            code = self._client.publish(topic, payload, qos=qos, retain=retain).rc
        except ValueError as error:
            raise InputError(f"cannot publish to {topic!r}: {error}") from error
        taken = code == MQTTErrorCode.MQTT_ERR_SUCCESS or (code == MQTTErrorCode.MQTT_ERR_NO_CONN and qos > 0)
        if not taken:
            logger.warning("not published to %s: %s", topic, paho.error_string(code))
        return taken

    # -- paho ---------------------------------------------------------------------------------------------

    def _new_client(self) -> paho.Client:
        link = self._link
        version5 = link.protocol == "5"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=link.client_id,
            clean_session=None if version5 else False,
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
        )
        client.suppress_exceptions = True  # a second net: every callback below is guarded already
        client.connect_timeout = link.connect_timeout_s
        client.max_queued_messages_set(_MOST_OUTGOING)
        if link.username is not None:
            client.username_pw_set(link.username, link.password)
        if link.tls is not None:
            client.tls_set_context(tls_context(link.tls))
        if link.availability_topic:
            delay = (
                _properties(PacketTypes.WILLMESSAGE, WillDelayInterval=link.will_delay_s)
                if version5
                else None
            )
            client.will_set(link.availability_topic, OFFLINE, qos=1, retain=True, properties=delay)
        # before connecting: a resumed session's messages follow the CONNACK at once
        client.on_pre_connect = self._guarded(self._on_pre_connect)
        client.on_connect = self._guarded(self._on_connect)
        client.on_connect_fail = self._guarded(self._on_connect_fail)
        client.on_disconnect = self._guarded(self._on_disconnect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_message = self._guarded(self._on_message)
        return client

    def _guarded(self, callback: Callable[P, None]) -> Callable[P, None]:
        """The callback, wrapped whole: an exception in one would end the network thread without a word."""

        @functools.wraps(callback)
        def guarded(*args: P.args, **kwargs: P.kwargs) -> None:
            try:
                callback(*args, **kwargs)
            except Exception:  # whatever it is, the thread must live, and the operator must see it
                self._faults += 1
                logger.exception("in %s", callback.__name__)

        return guarded

    def _on_pre_connect(self, _client: paho.Client, _userdata: object) -> None:
        self._thread = threading.current_thread()
        with self._lock:
            self._arrivals.new_connection()

    def _on_connect(
        self,
        client: paho.Client,
        _userdata: object,
        flags: paho.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._note_trouble(f"the broker refuses the connection: {reason}", _hint_of(reason))
            return
        lost = self._connections > 0 and not flags.session_present
        if lost:
            logger.warning("the broker has lost our session; what it held for us is gone")
        self._session_present = flags.session_present
        self._connections += 1
        self._connected_s = self._monotonic_s()
        self._deaf = self._overflowed = self._on_purpose = False
        self._trouble = ""
        self._subscribe(client)
        if self._link.availability_topic:
            client.publish(self._link.availability_topic, ONLINE, qos=1, retain=True)
        logger.info(
            "connected to %s:%d, session %s",
            self._link.host,
            self._link.port,
            "resumed" if flags.session_present else "new",
        )

    def _subscribe(self, client: paho.Client) -> None:
        wanted = [*((topic, 1) for topic in self._link.topics), *((t, 0) for t in self._link.call_topics)]
        topics = tuple(topic for topic, _ in wanted)
        if not wanted:  # it only publishes
            self._connected.set()
            return
        if self._link.protocol == "5":
            _, mid = client.subscribe(
                [(topic, SubscribeOptions(qos, retainHandling=_RETAINED_NEVER)) for topic, qos in wanted]
            )
        else:
            _, mid = client.subscribe(wanted)
        if mid is not None:
            self._asked = {mid: topics}

    def _on_subscribe(
        self,
        _client: paho.Client,
        _userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        topics = self._asked.pop(mid, ())
        self._refused = tuple(
            topic for topic, reason in zip(topics, reasons, strict=False) if reason.is_failure
        )
        logger.info("subscribed to %s", ", ".join(topic for topic in topics if topic not in self._refused))
        for topic in self._refused:
            logger.error(
                "the broker refuses the subscription to %s; its access list must allow reading it", topic
            )
        self._connected.set()

    def _on_connect_fail(self, _client: paho.Client, _userdata: object) -> None:
        error = sys.exception()  # paho calls this while it handles the error, and does not hand it on
        if isinstance(error, ssl.SSLError):
            hint = (
                "check ca_file, that the certificate names this host, and that the port is the one with TLS"
            )
        else:
            hint = "is the broker running there? Mosquitto without a listener line answers on localhost only"
        self._note_trouble(f"no connection to {self._link.host}:{self._link.port}: {error}", hint)
        self._back_off()

    def _on_disconnect(
        self,
        _client: paho.Client,
        _userdata: object,
        _flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._connected.clear()
        with self._lock:
            self._arrivals.new_connection()
        if self._stopping:
            return
        lived = self._monotonic_s() - self._connected_s >= _STABLE_S
        if lived:
            self._failures = 0
        self._short_lives = 0 if lived or self._on_purpose else self._short_lives + 1
        # Mosquitto 2.0 does not always say 0x8E, so a few short lives in a row are taken for it too
        if reason.value == _SESSION_TAKEN_OVER or self._short_lives >= _SHORT_LIVES:
            self._note_trouble(
                f"thrown out soon after connecting: does another client use {self._link.client_id!r}?",
                "give each daemon a client_id of its own",
            )
        elif not self._trouble:
            self._note_trouble(f"the connection was lost: {reason}", "")
        self._back_off()

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        now_ms = self._now_ms()
        self._received += 1
        if self._deaf:
            return
        topic, payload, mid = message.topic, bytes(message.payload), message.mid
        if topic in self._link.call_topics:
            if message.qos:  # another subscription covers the topic too
                self._client.ack(mid, message.qos)
            self._called(topic, payload)
            return
        token = 0
        if message.qos:
            token = self._arrivals.token(mid)
            now_ms = self._arrivals.stamp(mid, topic, payload, message.dup, now_ms)
        content_type = getattr(message.properties, "ContentType", "")
        arrival = Arrival(topic, payload, now_ms, content_type, message.retain, token)
        if not self._arrivals.put(arrival, self._link.full_wait_s):
            self._turned_away += 1
            if token:
                # leave a gap in no order: nothing more from this connection, then everything again
                self._deaf = self._overflowed = True
                logger.warning("the queue is full; the rest waits at the broker")

    def _note_trouble(self, what: str, hint: str) -> None:
        if what != self._trouble:
            logger.warning("%s%s", what, f" ({hint})" if hint else "")
        self._trouble = what

    def _back_off(self) -> None:
        shortest, longest = self._link.reconnect_s
        delay_s = min(longest, shortest * 2.0**self._failures) * (0.5 + 0.5 * self._jitter())
        self._failures = min(self._failures + 1, 16)
        # paho types these as whole seconds and computes with whatever they are
        self._client.reconnect_delay_set(delay_s, delay_s)  # type: ignore[arg-type]


def _properties(packet_type: int, **values: int) -> Properties:
    properties = Properties(packet_type)  # type: ignore[no-untyped-call]
    for name, value in values.items():
        setattr(properties, name, value)
    return properties


def _hint_of(reason: ReasonCode) -> str:
    name = str(reason)
    if name in ("Bad user name or password", "Not authorized"):
        return "check mqtt username and password, and that the broker allows this client"
    if name == "Unsupported protocol version":
        return "this broker speaks an older MQTT than 5"
    return ""
