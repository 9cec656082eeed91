"""Who may ask what, and with which headers it is answered."""

from __future__ import annotations

from collections.abc import Callable

import argon2
import pytest
from starlette.applications import Starlette

from monitor.web.app import create_app
from monitor.web.options import WebSettings

from .rooms import Cellar, Visit

HASH = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1).hash("a good long password")
TOKEN = "k3Jf9sQp2Lm8Xw4Zt7Vb1Nc6"
BATCH = "/batches/hedgerow-session"


@pytest.fixture
def locked(busy: Cellar) -> Starlette:
    """The page with sign-in on."""
    return create_app(busy.ports(), WebSettings(password_hash=HASH, tokens=(TOKEN,)))


@pytest.fixture
def stranger(locked: Starlette, visiting: Callable[..., Visit]) -> Visit:
    return visiting(locked)


def test_strangers_see_the_door_only(stranger: Visit) -> None:
    """Pages lead to the sign-in page, the API answers 401; nothing is said of batches."""
    for path in ("/", BATCH, "/alerts", "/setup", f"{BATCH}/chart.json", f"{BATCH}/recording.zip"):
        answer = stranger.get(path)
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/sign-in?next=%2F")
    for path in ("/api/v1/batches", "/api/v1/openapi.json", "/events"):
        answer = stranger.json("GET", path)
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["www-authenticate"].startswith("Bearer")
    assert "edgerow" not in stranger.get("/sign-in").text


def test_the_password_opens(stranger: Visit) -> None:
    """After signing in the page that was asked for is shown; signing out closes it again."""
    refused = stranger.post("/sign-in", {"password": "wrong password", "next": BATCH}, token=stranger.token())
    assert refused.status_code == 401
    assert "not the password" in refused.text
    opened = stranger.post(
        "/sign-in", {"password": "a good long password", "next": BATCH}, token=stranger.token()
    )
    assert opened.headers["location"] == BATCH
    assert "HttpOnly" in opened.headers["set-cookie"]
    assert "SameSite=lax" in opened.headers["set-cookie"]
    assert stranger.get(BATCH).status_code == 200
    stranger.post("/sign-out", {}, token=stranger.token("/"))
    assert stranger.get(BATCH).status_code == 303


def test_an_old_cookie_is_replaced(stranger: Visit) -> None:
    """A cookie from before the password was changed does not keep anybody from signing in."""
    stale = {"cookie": "carboyd=old.and-worthless"}
    page = stranger.get("/sign-in", headers=stale)
    assert "carboyd=" in page.headers["set-cookie"]
    answer = stranger.post("/sign-in", {"password": "a good long password"}, token=stranger.token())
    assert answer.status_code == 303


def test_the_door_gets_slower(stranger: Visit) -> None:
    """After five wrong passwords the sixth is not even looked at."""
    token = stranger.token()
    codes = [
        stranger.post("/sign-in", {"password": "wrong password"}, token=token).status_code for _ in range(6)
    ]
    assert codes == [401] * 5 + [429]
    right = stranger.post("/sign-in", {"password": "a good long password"}, token=token)
    assert right.status_code == 429
    assert int(right.headers["retry-after"]) > 0


@pytest.mark.parametrize(
    "target", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:x"]
)
def test_nobody_is_led_astray(stranger: Visit, target: str) -> None:
    """After signing in only pages of this site are gone to."""
    answer = stranger.post(
        "/sign-in", {"password": "a good long password", "next": target}, token=stranger.token()
    )
    assert answer.headers["location"] == "/"


def test_a_token_acts_without_cookie(stranger: Visit) -> None:
    """A program with a bearer token may do everything, without a form token."""
    sent = {"authorization": f"Bearer {TOKEN}"}
    assert stranger.json("GET", "/api/v1/batches", **sent).status_code == 200
    made = stranger.json("POST", "/api/v1/silences", {"hours": 1}, **sent)
    assert made.status_code == 201
    assert stranger.json("GET", "/api/v1/batches", authorization="Bearer wrong").status_code == 401


def test_a_signed_in_browser_needs_the_form_token_for_the_api(stranger: Visit) -> None:
    """The cookie alone is not enough to act: another site could send it."""
    stranger.post("/sign-in", {"password": "a good long password"}, token=stranger.token())
    assert stranger.json("POST", "/api/v1/silences", {"hours": 1}).status_code == 403
    token = stranger.token("/setup")
    made = stranger.json("POST", "/api/v1/silences", {"hours": 1}, **{"x-form-token": token})
    assert made.status_code == 201


def test_forged_forms_are_refused(visit: Visit, busy: Cellar) -> None:
    """A form without its token, with another's, or from another site changes nothing."""
    fields = {"hours": "1"}
    assert visit.post("/silences", fields, token="").status_code == 403
    assert visit.post("/silences", fields, token="0" * 64).status_code == 403
    for headers in ({"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"}):
        assert visit.post("/silences", fields, **headers).status_code == 403
    assert (
        visit.json("POST", "/api/v1/silences", {"hours": 1}, origin="http://evil.example").status_code == 403
    )
    assert busy.store.alerts.silences(busy.now_ms) == []
    assert visit.post("/silences", fields, origin="http://127.0.0.1:8417").status_code == 303


def test_a_foreign_name_for_this_machine_is_refused(visit: Visit) -> None:
    """Without sign-in a name that was made to point here gets nothing; loopback names do."""
    for host in ("cellar.evil.example", "cellar.evil.example:8417", "127.0.0.1.evil.example"):
        assert visit.get("/", headers={"host": host}).status_code == 421
    for host in ("localhost:8417", "127.0.0.1:1", "[::1]:8417"):
        assert visit.get("/", headers={"host": host}).status_code == 200


def test_forms_of_other_media_cannot_reach_the_api(visit: Visit) -> None:
    """What a foreign form could send without asking is not understood by the API."""
    sent = {"content-type": "text/plain"}
    assert visit.json("POST", "/api/v1/silences", {"hours": 1}, **sent).status_code == 415


def test_bodies_are_bounded(visit: Visit) -> None:
    """A body too large is refused by its length, before it is read."""
    answer = visit.json("POST", "/api/v1/silences", {"hours": 1, "note": "x" * 300_000})
    assert answer.status_code == 413


@pytest.mark.parametrize("path", ["/", "/sign-in", "/api/v1/batches", "/nowhere", "/api/v1/nowhere"])
def test_every_answer_has_the_safe_headers(visit: Visit, path: str) -> None:
    """No script that is not a file of ours, no frames, no guessing of types, no cache of what is private."""
    headers = visit.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


def test_pages_hold_no_inline_script(visit: Visit) -> None:
    """The policy would stop it; no page tries."""
    for path in ("/", BATCH, "/alerts", "/compare", "/records", "/setup", f"{BATCH}/tune", f"{BATCH}/report"):
        text = visit.get(path).text
        assert "<script>" not in text
        assert "onclick" not in text
        assert text.count("<script") == text.count('<script type="module" src="/static/')


def test_names_are_escaped(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """A batch, a note or a sensor that looks like markup is shown as text."""
    nasty = "<img src=x onerror=alert(1)>"
    visitor = visiting(create_app(busy.ports(), WebSettings()))
    visitor.post("/setup/batches", {"name": nasty, "recipe": nasty})
    visitor.post(f"{BATCH}/journal", {"kind": "note", "note": nasty})
    for path in ("/", BATCH, "/setup", "/records", "/compare"):
        assert "<img src=x" not in visitor.get(path).text
    assert "&lt;img src=x" in visitor.get("/").text
