"""How to reach the broker, and how the connection fares."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from monitor.errors import ConfigurationError


@dataclass(frozen=True, slots=True)
class Tls:
    """Encryption: which authority is trusted, and the client's own certificate if the broker wants one."""

    ca_file: Path | None = None
    """None: the authorities that the system trusts."""
    certificate_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """How to reach the broker and what to subscribe to."""

    host: str
    port: int
    client_id: str
    """Fixed and its own: two clients with one identifier throw each other out."""
    topics: tuple[str, ...]
    """Where readings come in; none for a connection that only publishes."""
    call_topics: tuple[str, ...] = ()
    """Where others call: listened to at QoS 0, handed on at once, not stored; no wildcards."""
    username: str | None = None
    password: str | None = None
    tls: Tls | None = None
    protocol: Literal["5", "3.1.1"] = "5"
    """3.1.1 is for the embedded broker only."""
    keepalive_s: int = 60
    session_expiry_s: int = 14 * 86_400
    receive_maximum: int = 1_000
    """Most unacknowledged messages that the broker may have under way (MQTT 5)."""
    queue_size: int = 4_000
    availability_topic: str = "carboyd/daemon/availability"
    """Empty: nobody is told whether this client is there."""
    will_delay_s: int = 5
    connect_timeout_s: float = 3.0
    full_wait_s: float = 2.0
    """How long a full queue may hold up the network thread: well under any keepalive."""
    reconnect_s: tuple[float, float] = (1.0, 60.0)
    """Shortest and longest wait before the next try; doubled each time, with jitter."""


@dataclass(frozen=True, slots=True)
class LinkState:
    """How the connection fares, for the page and for metrics."""

    connected: bool
    alive: bool
    """The network thread runs."""
    session_present: bool | None
    """Whether the broker had kept our session at the last connect; None before the first."""
    connections: int
    refused_topics: tuple[str, ...]
    """Subscriptions that the broker did not grant: nothing will ever come from them."""
    trouble: str
    """Why it is not connected, or empty."""
    waiting: int
    unacknowledged: int
    received: int
    turned_away: int
    """Messages that found the queue full; those with QoS 1 come again."""
    callback_faults: int


def tls_context(tls: Tls) -> ssl.SSLContext:
    """The context of these files; raises ConfigurationError where they cannot be used."""
    try:
        context = ssl.create_default_context(cafile=None if tls.ca_file is None else str(tls.ca_file))
        if tls.certificate_file is not None:
            context.load_cert_chain(tls.certificate_file, tls.key_file)
    except (OSError, ssl.SSLError) as error:
        raise ConfigurationError(
            [f"mqtt certificates cannot be used: {error}"], hint="PEM files, readable by the daemon's user"
        ) from error
    return context
