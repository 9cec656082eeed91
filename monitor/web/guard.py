"""The door of the page: before anything is answered, whether it may be asked; after it, safe headers."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from http import HTTPStatus
from typing import Final
from urllib.parse import quote, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.web.options import LOOPBACK_NAMES, WebSettings
from monitor.web.problem import AccessError, problem_of
from monitor.web.signin import Gate

SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
OPEN_PATHS: Final = ("/static/", "/sign-in", "/shared/", "/health")
BODY_AT_MOST: Final = 256 * 1024

_HOST: Final = re.compile(r"(?:[A-Za-z0-9._-]+|\[(?P<ipv6>[0-9A-Fa-f:.]+)\])(?::[0-9]{1,5})?")

HEADERS: Final = {
    # BokehJS writes style elements of its own; no script runs that is not a file of ours
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
        "connect-src 'self'; font-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # with no referrer at all browsers send forms with the origin "null"
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=()",
}


class Guard:
    """ASGI middleware in front of every route."""

    def __init__(self, app: ASGIApp, settings: WebSettings, gate: Gate, last_id: Callable[[], str]) -> None:
        self._app = app
        self._last_id = last_id
        self._settings = settings
        self._gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse or send to the sign-in page."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # before anything is read: what is told from now on, the page that is made may not hold
        scope["seen"] = self._last_id()
        request = Request(scope, receive)
        answer = self._refusal(request)
        if answer is None:
            await self._app(scope, receive, _with_headers(send))
        else:
            await answer(scope, receive, _with_headers(send))

    def _refusal(self, request: Request) -> Response | None:
        try:
            self._check_host(request)
            self._check_origin(request)
            _check_length(request)
            visitor = self._gate.visitor(request)
            request.scope["visitor"] = visitor
            path = _path(request)
            if visitor.signed_in or path.startswith(OPEN_PATHS):
                if _is_api(request) and not visitor.by_token and request.method not in SAFE_METHODS:
                    self._check_api_action(request)
                return None
            if not _is_api(request) and request.method in SAFE_METHODS:
                query = request.scope.get("query_string", b"").decode("latin-1")
                target = quote(path) + (f"?{query}" if query else "")
                return RedirectResponse(f"/sign-in?next={quote(target, safe='')}", 303)
            raise AccessError(
                "sign in first", status=HTTPStatus.UNAUTHORIZED, hint="send Authorization: Bearer <token>"
            )
        except AccessError as error:
            problem = problem_of(error)
            assert problem is not None
            return problem.response(request)

    def _check_host(self, request: Request) -> None:
        """Without sign-in only loopback names are answered: a foreign name may point here (rebinding)."""
        if not all(_is_plain_host(one) for one in request.headers.getlist("host")):
            raise AccessError("the Host header is no name with a port", status=HTTPStatus.BAD_REQUEST)
        names = self._settings.allowed_hosts
        if self._settings.signs_in and not names:
            return
        host = request.headers.get("host", "")
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        if name not in (*LOOPBACK_NAMES, *names):
            raise AccessError(
                f"this page is not served under the name {name!r}",
                status=HTTPStatus.MISDIRECTED_REQUEST,
                hint="add the name to web.allowed_hosts",
            )

    def _check_origin(self, request: Request) -> None:
        """A browser says from which site an action comes; programs say nothing."""
        if request.method in SAFE_METHODS:
            return
        site = request.headers.get("sec-fetch-site", "none")
        origin = request.headers.get("origin")
        foreign = origin is not None and _netloc(origin) != request.headers.get("host", "")
        if site not in ("same-origin", "none") or foreign:
            raise AccessError("actions from another site are refused", status=HTTPStatus.FORBIDDEN)

    def _check_api_action(self, request: Request) -> None:
        if self._settings.signs_in:
            self._gate.check_form_token(request.scope["visitor"], request.headers.get("x-form-token", ""))
        media = request.headers.get("content-type", "application/json")
        if media.partition(";")[0].strip().lower() not in ("application/json", "text/csv"):
            raise AccessError(
                f"{media!r} is not understood here",
                status=HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
                hint="send application/json",
            )


def _path(request: Request) -> str:
    """The path that is routed; into that of `request.url` goes what the caller says is the host."""
    return str(request.scope["path"])


def _is_plain_host(host: str) -> bool:
    found = _HOST.fullmatch(host)
    if found is None:
        return False
    try:
        return found["ipv6"] is None or bool(ipaddress.IPv6Address(found["ipv6"]))
    except ValueError:
        return False


def _netloc(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc
    except ValueError:  # half a bracket
        return None


def _is_api(request: Request) -> bool:
    return _path(request).startswith(("/api/", "/events", "/metrics"))


def _check_length(request: Request) -> None:
    if request.method in SAFE_METHODS:
        return
    length = request.headers.get("content-length", "")
    chunked = "transfer-encoding" in request.headers
    if chunked or (length and (not length.isdigit() or int(length) > BODY_AT_MOST)):
        raise AccessError(
            f"at most {BODY_AT_MOST} bytes with their length given",
            status=HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
        )


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Cache-Control", "no-store")
        await send(message)

    return sending
