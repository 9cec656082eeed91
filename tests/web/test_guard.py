"""Who may ask what, and with which headers it is answered."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import argon2
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.types import Message, Scope

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
    for origin in ("https://evil.example", "null", "http://[evil"):
        assert visit.post("/silences", fields, origin=origin).status_code == 403
    assert visit.post("/silences", fields, **{"sec-fetch-site": "cross-site"}).status_code == 403
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


def raw_request(path: str, *hosts: str, server: tuple[str, int | None] = ("127.0.0.1", 8417)) -> Scope:
    """A request as it comes off the wire, with these Host headers."""
    return {
        "type": "http", "http_version": "1.1", "method": "GET", "scheme": "http", "root_path": "",
        "path": path, "raw_path": path.encode(), "query_string": b"",
        "headers": [(b"host", host.encode("latin-1")) for host in hosts],
        "client": ("127.0.0.1", 40_000), "server": server,
    }  # fmt: skip


def raw_status(app: Starlette, request: Scope) -> int:
    """The status of the answer to a request as it comes off the wire."""
    sent: list[Message] = []

    async def receive() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    asyncio.run(app(request, receive, send))
    return int(sent[0]["status"])


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1:1/health?", "127.0.0.1/static/", "a/sign-in#", "a\\health", "me@a", "a b", "a\n", "a:port",
        "a:", "", "[::1", "[:::::]", "[1.2]", "[::1]x", "ä",
    ],
)  # fmt: skip
def test_a_host_that_is_no_name_opens_nothing(locked: Starlette, host: str) -> None:
    """A Host header with a path, a user or anything else in it is refused, at the open paths too."""
    for path in ("/api/v1/batches", BATCH, "/health", "/api/v1/nowhere"):
        assert raw_status(locked, raw_request(path, host)) == 400


def test_hosts_that_are_names_are_answered(locked: Starlette) -> None:
    """A name or an address, with a port or without one, or none as in HTTP/1.0; each of two must be one."""
    for host in ("cellar.example", "my_cellar:8417", "192.0.2.7:80", "[::1]:8417", "[2001:db8::7]"):
        assert raw_status(locked, raw_request("/health", host)) == 200
        assert raw_status(locked, raw_request("/api/v1/batches", host)) == 401
        assert raw_status(locked, raw_request("/health", host, "a/b")) == 400
    assert raw_status(locked, raw_request("/health")) == 200


@pytest.mark.parametrize(("path", "status"), [("/api/v1/batches", 401), (BATCH, 303)])
def test_the_path_that_is_routed_decides_what_is_open(locked: Starlette, path: str, status: int) -> None:
    """Where the address as a whole reads like an open one, what is answered stays behind the door."""
    # a server on a socket in the file system; without a Host header its name goes before the path
    request = raw_request(path, server=("/health?", None))
    assert Request(request).url.path == "/health"
    assert raw_status(locked, request) == status


def test_the_way_back_leads_to_the_very_page(stranger: Visit) -> None:
    """What was asked for behind the question mark, and letters beyond ASCII, outlive the sign-in."""
    location = stranger.get("/batches/m%C3%BCst?units=us").headers["location"]
    assert parse_qs(urlsplit(location).query)["next"] == ["/batches/m%C3%BCst?units=us"]


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
