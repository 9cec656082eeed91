"""Signing in and out, the reader's units, the event stream, and what a shared link shows."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from http import HTTPStatus
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from monitor.cellar.shown import UnitSystem
from monitor.errors import InputError, StoreError
from monitor.store.values import Share
from monitor.web.actions import digest
from monitor.web.forms import Form
from monitor.web.frame import UNITS_COOKIE, YEAR_S, Frame, local_path
from monitor.web.gather import Standing, standing
from monitor.web.pages_batch import batch_context, chart_answer, picture_answer
from monitor.web.problem import AccessError
from monitor.web.signin import COOKIE

STREAM_HEADERS: Final = {
    "Cache-Control": "no-cache, no-transform",
    "X-Accel-Buffering": "no",  # proxies hold small answers back otherwise
}


@dataclass(frozen=True, slots=True)
class DoorPages:
    """Endpoints that are open to visitors who are not signed in, and the stream."""

    frame: Frame

    def routes(self) -> list[Route]:
        """Addresses of these pages."""
        form = self.frame.form
        return [
            Route("/sign-in", self.sign_in_page),
            Route("/sign-in", form(self.sign_in), methods=["POST"]),
            Route("/sign-out", form(self.sign_out), methods=["POST"]),
            Route("/units", form(self.units), methods=["POST"]),
            Route("/health", self.health),
            Route("/events", self.events),
            Route("/shared/{token}", self.shared),
            Route("/shared/{token}/chart.json", self.shared_chart),
            Route("/shared/{token}/chart.png", self.shared_picture),
            Route("/shared/{token}/events", self.shared_events),
        ]

    def sign_in_page(self, request: Request) -> Response:
        """Ask for the password."""
        target = local_path(request.query_params.get("next", "/"))
        if request.scope["visitor"].signed_in:
            return RedirectResponse(target, 303)
        return self.frame.page(request, "sign_in.html", next=target, complaint="")

    def sign_in(self, request: Request, form: Form) -> Response:
        """Let in, or say why not."""
        target = local_path(form.text("next"))
        password = form.data.get("password", "")
        try:
            visitor = self.frame.gate.sign_in(password if isinstance(password, str) else "", caller(request))
        except AccessError as error:
            answer: Response = self.frame.page(
                request, "sign_in.html", status=int(error.status), next=target, complaint=str(error)
            )
            if error.wait_s:
                answer.headers["Retry-After"] = str(error.wait_s)
            return answer
        answer = RedirectResponse(target, 303)
        self.frame.gate.remember(answer, visitor)
        return answer

    def sign_out(self, request: Request, form: Form) -> Response:
        """Forget this browser."""
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(COOKIE)
        return answer

    def units(self, request: Request, form: Form) -> Response:
        """Remember which units this reader likes."""
        units = form.choice("units", "units", UnitSystem)
        answer = RedirectResponse(local_path(form.text("next")), 303)
        answer.set_cookie(UNITS_COOKIE, units, max_age=YEAR_S, httponly=True, samesite="lax")
        return answer

    def health(self, request: Request) -> Response:
        """Whether the page answers at all; says nothing of any batch."""
        return PlainTextResponse("ok\n")

    async def events(self, request: Request) -> Response:
        """Everything that changes."""
        return self._stream(request)

    async def shared_events(self, request: Request) -> Response:
        """Changes of one batch, without a word on what changed, as long as the link is open."""
        share = await run_in_threadpool(self._share, request)

        async def allowed() -> bool:
            try:
                await run_in_threadpool(self._share, request)
            except StoreError:
                return False  # a store that is away for a while: the page comes again by itself
            return True

        return self._stream(request, batch=share.batch, allowed=allowed)

    def shared(self, request: Request) -> Response:
        """One batch to look at."""
        stands = self._shared(request)
        context = batch_context(self.frame, request, stands)
        base = f"/shared/{request.path_params['token']}"
        context.update(base=base, shared=True, shares=(), waiting=0, events=f"{base}/events")
        return self.frame.page(request, "batch.html", **context)

    def shared_chart(self, request: Request) -> Response:
        """The chart of a shared batch."""
        return chart_answer(self.frame, request, self._shared(request))

    def shared_picture(self, request: Request) -> Response:
        """The picture of a shared batch."""
        return picture_answer(self.frame, request, self._shared(request))

    def _share(self, request: Request) -> Share:
        token = request.path_params["token"]
        if len(token) > 100:
            raise InputError("this is no link of ours")
        return self.frame.ports.store.shares.find(digest(token))

    def _shared(self, request: Request) -> Standing:
        return standing(self.frame.ports, self.frame.past, self._share(request).batch)

    def _stream(
        self,
        request: Request,
        *,
        batch: str | None = None,
        allowed: Callable[[], Awaitable[bool]] | None = None,
    ) -> Response:
        broadcast = self.frame.ports.broadcast
        if broadcast.is_full:
            raise AccessError("too many pages are open", status=HTTPStatus.SERVICE_UNAVAILABLE, wait_s=30)
        # a page that was made before its stream began says what it has seen
        seen = request.headers.get("last-event-id", request.query_params.get("seen"))
        body = broadcast.events(seen, batch=batch, allowed=allowed)
        return StreamingResponse(body, headers=STREAM_HEADERS, media_type="text/event-stream")


def caller(request: Request) -> str:
    """The address that a sign-in comes from."""
    return request.client.host if request.client is not None else ""
