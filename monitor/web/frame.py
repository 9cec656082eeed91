"""What every page shares: templates, how this reader wants numbers, and one word of answer after a deed."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from datetime import tzinfo
from functools import wraps
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, unquote
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import tzlocal
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup, escape
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from monitor.cellar.plan_text import shown_amount, shown_days
from monitor.cellar.shown import UnitSystem, in_units
from monitor.errors import ConfigurationError
from monitor.web import words
from monitor.web.actions import Actions
from monitor.web.assets import Assets
from monitor.web.drawing import curve_points
from monitor.web.forms import Form
from monitor.web.gather import Standing, standing, unseen
from monitor.web.history import Past
from monitor.web.options import WebSettings
from monitor.web.ports import Ports
from monitor.web.problem import Problem
from monitor.web.show import NARROW, Show, upper_first
from monitor.web.signin import Gate, Visitor
from monitor.web.tuning import Trials
from monitor.web.view import AlertView

TEMPLATES: Final = Path(__file__).parent / "templates"
UNITS_COOKIE: Final = "units"
SAID_COOKIE: Final = "said"
YEAR_S: Final = 365 * 86_400

FormAction = Callable[[Request, Form], Response]


@dataclass(frozen=True, slots=True)
class Frame:
    """The parts that pages and API are made of."""

    ports: Ports
    settings: WebSettings
    gate: Gate
    assets: Assets
    past: Past
    trials: Trials
    actions: Actions
    templates: Environment
    zone: tzinfo

    @classmethod
    def build(cls, ports: Ports, settings: WebSettings, gate: Gate, assets: Assets) -> Frame:
        """Raises ConfigurationError for an unknown time zone."""
        templates = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=select_autoescape(default=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        templates.filters["upper_first"] = upper_first
        templates.globals.update(asset=assets.address, words=words, curve_points=curve_points)
        templates.globals.update(shown_amount=shown_amount, shown_days=shown_days)
        past = Past(ports.store, ports.analysis)
        trials = Trials(ports.store, ports.analysis)
        zone = _zone(settings.time_zone)
        return cls(ports, settings, gate, assets, past, trials, Actions(ports), templates, zone)

    def show(self, request: Request) -> Show:
        """How this reader wants numbers and times."""
        wished = request.query_params.get("units") or request.cookies.get(UNITS_COOKIE, "")
        units = UnitSystem(wished) if wished in list(UnitSystem) else self.settings.units
        return Show(units, self.zone, self.ports.now_ms())

    def standing(self, request: Request) -> Standing:
        """Where the batch stands that the address names."""
        return standing(self.ports, self.past, request.path_params["slug"])

    def page(self, request: Request, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
        """A whole page."""
        visitor: Visitor = request.scope["visitor"]
        show = self.show(request)
        form_token = self.gate.form_token(visitor)
        said = unquote(request.cookies.get(SAID_COOKIE, ""))
        path = quote(request.scope["path"])
        if "waiting" not in context:
            # every page of the maker's says how many alerts nobody has seen
            context["waiting"] = unseen(self.ports) if visitor.signed_in else 0
        everything = {
            "request": request,
            "path": path,
            "here": "/" + path.removeprefix("/").partition("/")[0],
            "visitor": visitor,
            "signs_in": self.settings.signs_in,
            "form_token": form_token,
            "token": lambda: Markup('<input type="hidden" name="form_token" value="{}">').format(form_token),
            "show": show,
            "say": lambda text: degrees(in_units(text, show.units)),
            "alert_text": lambda alert: degrees(in_units(alert_text(alert), show.units)),
            "time": lambda time_ms, form="when": _time(show, time_ms, form),
            "said": said,
            "shared": False,
            "seen": request.scope["seen"],
            "events": "/events" if visitor.signed_in else "",
            **context,
        }
        answer = HTMLResponse(self.templates.get_template(template).render(everything), status)
        if said:
            answer.delete_cookie(SAID_COOKIE)
        if visitor.fresh:
            self.gate.remember(
                answer, replace(visitor, signed_in=visitor.signed_in and self.settings.signs_in)
            )
        return answer

    def fault(self, request: Request, problem: Problem) -> HTMLResponse:
        """A page that says what went wrong."""
        answer = self.page(request, "fault.html", status=int(problem.status), problem=problem, waiting=0)
        for name, value in problem.headers().items():
            answer.headers.setdefault(name, value)
        return answer

    def done(self, form: Form, said: str, default: str = "/") -> RedirectResponse:
        """Back to where the form was, with a word of what was done."""
        answer = RedirectResponse(local_path(form.text("next"), default), 303)
        answer.set_cookie(SAID_COOKIE, quote(said), max_age=60, httponly=True, samesite="lax")
        return answer

    def form(self, action: FormAction) -> Callable[[Request], Awaitable[Response]]:
        """An endpoint that reads a form, refuses a forged one and works in a thread."""

        @wraps(action)
        async def endpoint(request: Request) -> Response:
            async with request.form(max_files=0, max_fields=200) as data:
                form = Form(data, self.show(request))
                self.gate.check_form_token(request.scope["visitor"], form.text("form_token"))
                return await run_in_threadpool(action, request, form)

        return endpoint


def local_path(target: str, default: str = "/") -> str:
    """A path on this site; anything else would lead a reader astray."""
    inside = target.startswith("/") and not target.startswith(("//", "/\\")) and "\n" not in target
    return target if inside and "\r" not in target else default


def _time(show: Show, time_ms: int, form: str) -> Markup:
    text = {"day": show.day, "ago": show.ago}.get(form, show.when)(time_ms)
    # rounded to a minute, so that a page that says the same is the same
    return Markup('<time datetime="{}" data-as="{}">{}</time>').format(
        show.utc(time_ms // 1000 * 1000), form, escape(text)
    )


def alert_text(alert: AlertView) -> str:
    """What an alert says, without its title, which stands above it."""
    text = alert.message.removeprefix(f"{words.ALERT[alert.kind]}: ")
    if text != alert.message and text[:1].islower():
        text = f"It {text}"
    return text


def degrees(text: str) -> str:
    """Text of the analysis or the plan with the sign that people read."""
    return text.replace(" degC", f"{NARROW}°C").replace(" degF", f"{NARROW}°F")


def _zone(name: str) -> tzinfo:
    if not name:
        return tzlocal.get_localzone()
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ConfigurationError(
            [f"web.time_zone = {name!r}: allowed: a name such as Europe/Dublin"]
        ) from error
