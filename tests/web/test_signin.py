"""Passwords, sessions, form tokens and the patience with wrong passwords."""

from __future__ import annotations

import argon2
import pytest
from argon2.low_level import Type
from starlette.requests import HTTPConnection
from starlette.responses import Response

from monitor.errors import InputError
from monitor.units import MS_PER_DAY
from monitor.web.options import WebSettings
from monitor.web.problem import AccessError
from monitor.web.signin import CALLERS_AT_MOST, COOKIE, FREE_TRIES, Gate, Tries, Visitor, hash_password

HASH = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1).hash("a good long password")
TOKEN = "k3Jf9sQp2Lm8Xw4Zt7Vb1Nc6"


class Clock:
    """Time that moves when told to."""

    def __init__(self) -> None:
        self.now_ms = 1_000_000_000_000

    def __call__(self) -> int:
        return self.now_ms


def asking(cookie: str = "", authorization: str = "") -> HTTPConnection:
    headers = [(b"cookie", f"{COOKIE}={cookie}".encode()), (b"authorization", authorization.encode())]
    return HTTPConnection({"type": "http", "headers": headers})


def cookie_of(gate: Gate, visitor: Visitor) -> str:
    answer = Response()
    gate.remember(answer, visitor)
    return answer.headers["set-cookie"].split(";")[0].split("=", 1)[1]


def test_hashes_are_argon2id_and_salted() -> None:
    """The hash is argon2id with the library's RFC 9106 profile, verifies, and differs each time."""
    first, second = hash_password("heather and bees"), hash_password("heather and bees")
    parameters = argon2.extract_parameters(first)
    assert parameters.type is Type.ID
    assert parameters.memory_cost >= 64 * 1024
    assert first != second
    assert argon2.PasswordHasher().verify(first, "heather and bees")


@pytest.mark.parametrize("text", ["", "short", "x" * 2_000])
def test_passwords_that_keep_nobody_out_are_refused(text: str) -> None:
    """Too short or absurdly long is an InputError that does not repeat the password."""
    with pytest.raises(InputError, match="10 to 1024"):
        hash_password(text)


def test_the_right_password_opens_and_outlives_a_restart() -> None:
    """A session signed by one process is known to the next one with the same settings."""
    clock, settings = Clock(), WebSettings(password_hash=HASH)
    cookie = cookie_of(Gate(settings, clock), Gate(settings, clock).sign_in("a good long password", "caller"))
    assert Gate(settings, clock).visitor(asking(cookie)).signed_in
    other = WebSettings(password_hash=argon2.PasswordHasher(1, 64, 1).hash("another password"))
    assert not Gate(other, clock).visitor(asking(cookie)).signed_in


def test_a_session_ends() -> None:
    """After its days a session is signed in no more; a changed cookie never was."""
    clock = Clock()
    gate = Gate(WebSettings(password_hash=HASH, session_days=2), clock)
    cookie = cookie_of(gate, Visitor("s", signed_in=True))
    assert gate.visitor(asking(cookie)).signed_in
    assert not gate.visitor(asking("x" + cookie)).signed_in
    clock.now_ms += 2 * MS_PER_DAY + 1
    assert not gate.visitor(asking(cookie)).signed_in


def test_wrong_passwords_cost_time() -> None:
    """A few tries are free; then each failure doubles the wait, and the right password waits too."""
    clock = Clock()
    gate = Gate(WebSettings(password_hash=HASH), clock)
    for _ in range(FREE_TRIES):
        with pytest.raises(AccessError, match="not the password"):
            gate.sign_in("wrong", "caller")
    with pytest.raises(AccessError, match="15 seconds"):
        gate.sign_in("a good long password", "caller")
    assert gate.sign_in("a good long password", "elsewhere").signed_in
    clock.now_ms += 15_000
    with pytest.raises(AccessError, match="not the password"):
        gate.sign_in("wrong", "caller")
    assert gate.tries.wait_s("caller") == 30
    clock.now_ms += 30_000
    assert gate.sign_in("a good long password", "caller").signed_in
    assert gate.tries.wait_s("caller") == 0


def test_failures_are_remembered_within_bounds() -> None:
    """A flood of callers cannot fill the memory; the longest unseen are forgotten."""
    tries = Tries(Clock())
    for number in range(CALLERS_AT_MOST + 10):
        for _ in range(FREE_TRIES):
            tries.failed(str(number))
    assert tries.wait_s("0") == 0
    assert tries.wait_s(str(CALLERS_AT_MOST + 9)) == 15


def test_tokens_are_bearer_tokens() -> None:
    """RFC 6750: the scheme is case-insensitive, the token is not; a part of it is not enough."""
    gate = Gate(WebSettings(tokens=(TOKEN,)), Clock())
    assert gate.visitor(asking(authorization=f"Bearer {TOKEN}")).by_token
    assert gate.visitor(asking(authorization=f"bearer {TOKEN}")).by_token
    for wrong in (f"Bearer {TOKEN[:-1]}", f"Basic {TOKEN}", f"Bearer {TOKEN.lower()}", "Bearer ", ""):
        assert not gate.visitor(asking(authorization=wrong)).signed_in
    with pytest.raises(AccessError):
        gate.sign_in(TOKEN, "caller")


def test_form_tokens_belong_to_one_session() -> None:
    """A form made for one visitor cannot be sent by another, nor by one without a session."""
    gate = Gate(WebSettings(), Clock())
    token = gate.form_token(Visitor("one", signed_in=True))
    gate.check_form_token(Visitor("one", signed_in=True), token)
    for visitor, sent in (
        (Visitor("two", True), token),
        (Visitor("one", True), ""),
        (Visitor("", True), gate.form_token(Visitor("", True))),
    ):
        with pytest.raises(AccessError, match="stale"):
            gate.check_form_token(visitor, sent)
