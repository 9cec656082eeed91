"""What can be set about the page."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from typing import Final

from argon2 import extract_parameters
from argon2.exceptions import InvalidHashError

from monitor.cellar.shown import UnitSystem
from monitor.errors import ConfigurationError

DEFAULT_PORT: Final = 8417
LOOPBACK_NAMES: Final = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True, slots=True)
class WebSettings:
    """Where the page is served, who may see it and how it speaks.

    `password_hash` is what `signin.hash_password` gives; `tokens` are bearer tokens for programs, 24
    characters at least. Without either the page is served on loopback only.
    """

    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    password_hash: str | None = None
    tokens: tuple[str, ...] = ()
    units: UnitSystem = UnitSystem.METRIC
    time_zone: str = ""
    """IANA name used where a browser cannot say its own; empty for the machine's."""
    allowed_hosts: tuple[str, ...] = ()
    """Names by which browsers may reach the page besides loopback; empty allows any once sign-in is on."""
    secure_cookies: bool = False
    """True behind a proxy that speaks https."""
    session_days: float = 30.0

    @property
    def signs_in(self) -> bool:
        """Whether a password or a token is asked for."""
        return self.password_hash is not None or bool(self.tokens)

    def check(self) -> None:
        """Raise ConfigurationError when others could see or change batches unasked."""
        faults = []
        if not self.signs_in and not is_loopback(self.host):
            faults.append(
                f"web.host = {self.host!r}: without a password or a token allowed: a loopback address"
            )
        if self.password_hash is not None and not _is_hash(self.password_hash):
            faults.append("web.password_hash: (not shown): allowed: what 'carboyd password' prints")
        if any(len(token) < 24 for token in self.tokens):
            faults.append("web.tokens: (not shown): allowed: 24 characters or more each")
        if faults:
            raise ConfigurationError(faults, hint="make a password hash with 'carboyd password'")


def _is_hash(text: str) -> bool:
    try:
        extract_parameters(text)
    except InvalidHashError:
        return False
    return True


def is_loopback(host: str) -> bool:
    """Whether an address is reachable from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
