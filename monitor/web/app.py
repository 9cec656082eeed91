"""The page as one ASGI application."""

from __future__ import annotations

from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.errors import CarboydError
from monitor.web.api import api_routes
from monitor.web.assets import Assets
from monitor.web.courtesy import Answering
from monitor.web.frame import Frame
from monitor.web.guard import Guard
from monitor.web.metrics import metrics_route
from monitor.web.options import WebSettings
from monitor.web.pages_batch import BatchPages
from monitor.web.pages_calibrate import CalibratePages
from monitor.web.pages_door import DoorPages
from monitor.web.pages_more import MorePages
from monitor.web.pages_setup import SetupPages
from monitor.web.ports import Ports
from monitor.web.problem import problem_of
from monitor.web.signin import Gate

SMALLEST_PACKED = 600


def create_app(ports: Ports, settings: WebSettings) -> Starlette:
    """The application; holds no state of any batch.

    Raises ConfigurationError where the settings would let others in unasked.
    """
    settings.check()
    gate = Gate(settings, ports.now_ms)
    assets = Assets.collect()
    frame = Frame.build(ports, settings, gate, assets)

    def failed(request: Request, error: Exception) -> Response:
        problem = problem_of(error)
        if problem is None:
            raise error
        wants_words = "text/html" in request.headers.get("accept", "")
        if request.scope["path"].startswith("/api/") or not wants_words:
            return problem.response(request)
        return frame.fault(request, problem)

    routes = [
        Route("/static/{digest}/{name}", assets.respond),
        *BatchPages(frame).routes(),
        *MorePages(frame).routes(),
        *SetupPages(frame).routes(),
        *CalibratePages(frame).routes(),
        *DoorPages(frame).routes(),
        metrics_route(ports.vitals, ports.snapshots),
        *api_routes(frame),
    ]
    return Starlette(
        routes=routes,
        middleware=[
            Middleware(Answering, courtesy=ports.courtesy),
            Middleware(Guard, settings=settings, gate=gate, last_id=lambda: ports.broadcast.last_id),
            # streams are left alone: it does not touch text/event-stream
            Middleware(GZipMiddleware, minimum_size=SMALLEST_PACKED, compresslevel=6),
        ],
        exception_handlers={HTTPException: failed, CarboydError: failed, ValidationError: failed},
    )
