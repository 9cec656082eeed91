"""Where notices go: a channel has a name, which may be shown, and an address, which is a secret."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import apprise
from apprise.attachment.memory import AttachMemory

from monitor.errors import ConfigurationError, DeliveryError
from monitor.ferment.emission import Severity
from monitor.notify.notice import Notice

CONNECT_LIMIT_S: Final = 5.0
READ_LIMIT_S: Final = 10.0
SEND_LIMIT_S: Final = 45.0
"""For one notice, whatever the service does; what is accepted after it is sent a second time."""

_KIND: Final = {
    Severity.DANGER: apprise.NotifyType.FAILURE,
    Severity.ACT: apprise.NotifyType.WARNING,
    Severity.NOTE: apprise.NotifyType.INFO,
}


class Channel(Protocol):
    """One place that notices go to."""

    @property
    def name(self) -> str:
        """What it is called in settings, logs and the outbox."""
        ...

    @property
    def carries_pictures(self) -> bool:
        """Whether a notice's pictures arrive with it."""
        ...

    def send(self, notice: Notice) -> None:
        """Hand a notice over; DeliveryError where it was not accepted, or perhaps was not."""
        ...


@dataclass(frozen=True, slots=True)
class Target:
    """A channel as it is configured."""

    name: str
    url: str = field(repr=False)
    """An apprise URL; it holds passwords and tokens."""
    pictures: bool = True
    """Whether pictures are wanted, where the service carries them."""


class AppriseChannel:
    """A channel behind one apprise URL, one apprise object each, so that its outcome is its own.

    Raises ConfigurationError for a URL that apprise does not understand.
    """

    def __init__(self, target: Target) -> None:
        self._name = target.name
        self._apprise = apprise.Apprise()
        _keep_addresses_out_of_logs()
        with warnings.catch_warnings():
            # its plugins are loaded here, and what they say of their own old imports is no one's concern
            warnings.simplefilter("ignore", DeprecationWarning)
            understood = self._apprise.add(_with_limits(target.url))
        if not understood:
            raise ConfigurationError(
                [
                    f"notify.channels: {target.name}: the URL (not shown) is none that apprise understands; "
                    "allowed: one of its service URLs, such as mailtos://... or json://..."
                ]
            )
        self._carries = target.pictures and all(one.attachment_support for one in self._apprise)

    @property
    def name(self) -> str:
        """What it is called."""
        return self._name

    @property
    def carries_pictures(self) -> bool:
        """Whether pictures are wanted here and the service takes attachments."""
        return self._carries

    def send(self, notice: Notice) -> None:
        """Hand the notice to the service; blocks until it answers or the limits are over."""
        try:
            accepted: Any = self._apprise.notify(
                title=notice.title,
                body=notice.body,
                notify_type=_KIND[notice.severity],
                body_format=apprise.NotifyFormat.TEXT,
                attach=self._attached(notice),
                interpret_escapes=False,
                timeout=SEND_LIMIT_S,
            )
        except Exception as error:  # noqa: BLE001  a service's plugin may raise anything, and this is the seam
            raise DeliveryError(f"{self._name}: {type(error).__name__}", retry=True) from None
        if not accepted:
            raise DeliveryError(
                f"{self._name} did not accept the notice ({accepted.status.name.lower()})",
                retry=True,
                hint="check that the service can be reached and that the channel's URL is right",
            )

    def _attached(self, notice: Notice) -> list[AttachMemory] | None:
        if not self._carries or not notice.pictures:
            return None
        attachment: Any = AttachMemory  # it ships no type information
        return [attachment(one.png, name=one.name, mimetype="image/png") for one in notice.pictures]


def channels_of(targets: Sequence[Target]) -> list[Channel]:
    """A channel for each target; ConfigurationError lists every one that is wrong."""
    made: list[Channel] = []
    faults: list[str] = []
    for target in targets:
        try:
            made.append(AppriseChannel(target))
        except ConfigurationError as error:
            faults += error.faults
    if faults:
        raise ConfigurationError(faults)
    return made


def _with_limits(url: str) -> str:
    # apprise reads cto and rto (seconds) from every URL; what the operator wrote there stays
    extra = [
        f"{key}={limit:g}"
        for key, limit in (("cto", CONNECT_LIMIT_S), ("rto", READ_LIMIT_S))
        if f"{key}=" not in url.partition("?")[2]
    ]
    if not extra:
        return url
    return f"{url}{'&' if '?' in url else '?'}{'&'.join(extra)}"


def _keep_addresses_out_of_logs() -> None:
    # its debug lines and some of its warnings hold the address; what matters is in our own
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    # its debug lines hold the path of each request, which is the secret of many a web hook
    logging.getLogger("urllib3").setLevel(logging.INFO)
