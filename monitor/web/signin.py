"""Who a visitor is: password (argon2) or bearer token, a signed cookie, and a form token against forgery."""

from __future__ import annotations

import hashlib
import hmac
import math
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from itsdangerous import BadData, URLSafeSerializer
from starlette.requests import HTTPConnection
from starlette.responses import Response

from monitor.errors import InputError
from monitor.units import MS_PER_DAY, MS_PER_SECOND
from monitor.web.options import WebSettings
from monitor.web.problem import AccessError

COOKIE: Final = "carboyd"
SHORTEST_PASSWORD: Final = 10
LONGEST_PASSWORD: Final = 1_024
FREE_TRIES: Final = 5
LONGEST_WAIT_S: Final = 900
CALLERS_AT_MOST: Final = 1_000
_HASHER: Final = PasswordHasher()  # the library's defaults follow RFC 9106
_HASHING: Final = threading.BoundedSemaphore(2)
"""Each verification takes 64 MiB: a flood of them must queue, not fill the memory."""


def hash_password(text: str) -> str:
    """The argon2id hash of a password, for the setting `web.password_hash`.

    Raises InputError for one that is too short to keep anybody out, or absurdly long.
    """
    if not SHORTEST_PASSWORD <= len(text) <= LONGEST_PASSWORD:
        raise InputError(
            f"a password of {len(text)} characters: {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}",
            hint="a few words that do not belong together are easy to keep in mind",
        )
    return _HASHER.hash(text)


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks: a browser's session or a program with a token."""

    session: str
    signed_in: bool
    by_token: bool = False
    fresh: bool = False
    """Made just now: no cookie of ours came with the request, or none that holds any more."""


@dataclass(slots=True)
class Tries:
    """Failed sign-ins by caller: a few are free, then each costs twice the wait of the last.

    Remembers a bounded number of callers, the longest unseen forgotten first.
    """

    now_ms: Callable[[], int]
    _failures: OrderedDict[str, tuple[int, int]] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, caller: str) -> int:
        """Seconds until this caller may try again; 0 for now."""
        with self._lock:
            count, last_ms = self._failures.get(caller, (0, 0))
        if count < FREE_TRIES:
            return 0
        pause_s = min(LONGEST_WAIT_S, 15 << (count - FREE_TRIES))
        return max(0, math.ceil(pause_s - (self.now_ms() - last_ms) / MS_PER_SECOND))

    def failed(self, caller: str) -> None:
        """Count one more failure."""
        with self._lock:
            count, _ = self._failures.pop(caller, (0, 0))
            self._failures[caller] = (min(count + 1, 64), self.now_ms())
            while len(self._failures) > CALLERS_AT_MOST:
                self._failures.popitem(last=False)

    def succeeded(self, caller: str) -> None:
        """Forget the failures of a caller who knew the password."""
        with self._lock:
            self._failures.pop(caller, None)


class Gate:
    """Lets visitors in. `now_ms` is the clock at the door."""

    def __init__(self, settings: WebSettings, now_ms: Callable[[], int]) -> None:
        self._settings = settings
        self._now_ms = now_ms
        self.tries = Tries(now_ms)
        # Out of the password and the tokens: sessions outlive a restart and end when these change.
        # Without sign-in the key guards nothing: what a forged form lacks is the session in the cookie.
        secret = "\n".join(("carboyd", settings.password_hash or "", *settings.tokens))
        self._key = hashlib.blake2b(secret.encode(), digest_size=32).digest()
        self._signer = URLSafeSerializer(self._key, salt="session")

    def visitor(self, connection: HTTPConnection) -> Visitor:
        """Who asks; an unknown one gets a fresh session that is not signed in."""
        scheme, _, token = connection.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and self._known(token.strip()):
            return Visitor("", signed_in=True, by_token=True)
        found = self._session(connection.cookies.get(COOKIE, ""))
        if found is not None:
            session, signed_in = found
            return Visitor(session, signed_in=signed_in or not self._settings.signs_in)
        return Visitor(secrets.token_urlsafe(18), signed_in=not self._settings.signs_in, fresh=True)

    def sign_in(self, password: str, caller: str) -> Visitor:
        """A signed-in session for the right password.

        Raises AccessError for a wrong one, and without looking when this caller failed too often.
        """
        wait_s = self.tries.wait_s(caller)
        if wait_s:
            raise AccessError(
                f"too many tries; wait {wait_s} seconds",
                status=HTTPStatus.TOO_MANY_REQUESTS,
                wait_s=wait_s,
            )
        if self._settings.password_hash is None or not _matches(self._settings.password_hash, password):
            self.tries.failed(caller)
            raise AccessError("that is not the password", status=HTTPStatus.UNAUTHORIZED)
        self.tries.succeeded(caller)
        return Visitor(secrets.token_urlsafe(18), signed_in=True)  # a new one: the old may be known

    def remember(self, response: Response, visitor: Visitor) -> None:
        """Put a visitor's session into the cookie."""
        signed = self._signer.dumps([visitor.session, visitor.signed_in, self._now_ms()])
        response.set_cookie(
            COOKIE,
            str(signed),
            max_age=int(self._settings.session_days * 86_400),
            httponly=True,
            samesite="lax",
            secure=self._settings.secure_cookies,
        )

    def form_token(self, visitor: Visitor) -> str:
        """What a form of this visitor carries so that no other site can send it."""
        return hmac.new(self._key, b"form:" + visitor.session.encode(), hashlib.sha256).hexdigest()

    def check_form_token(self, visitor: Visitor, token: str) -> None:
        """Raise AccessError when a form was not made for this visitor."""
        if not visitor.session or not hmac.compare_digest(self.form_token(visitor).encode(), token.encode()):
            raise AccessError(
                "this form has gone stale; nothing was changed",
                status=HTTPStatus.FORBIDDEN,
                hint="load the page again and repeat",
            )

    def _known(self, token: str) -> bool:
        # every token is compared, so that the time taken says nothing
        found = [hmac.compare_digest(token.encode(), known.encode()) for known in self._settings.tokens]
        return any(found)

    def _session(self, cookie: str) -> tuple[str, bool] | None:
        try:
            session, signed_in, since_ms = self._signer.loads(cookie)
        except (BadData, ValueError, TypeError):
            return None
        if self._now_ms() - int(since_ms) > self._settings.session_days * MS_PER_DAY:
            return None
        return str(session), signed_in is True


def _matches(password_hash: str, password: str) -> bool:
    if len(password) > LONGEST_PASSWORD:
        return False
    with _HASHING:
        try:
            return _HASHER.verify(password_hash, password)
        except (VerificationError, InvalidHashError):
            return False
