"""Pages of batches: all at a glance, one in full, what is written down, what others may look at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from pydantic import TypeAdapter
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.batch.journal import Tasting
from monitor.errors import InputError, PackagedError
from monitor.ferment.event import JournalKind
from monitor.planning import ASKED, MALOLACTIC, MALOLACTIC_SAYS, plan_of, told_by
from monitor.units import MS_PER_DAY
from monitor.untold import TOLD_SOON
from monitor.web import words
from monitor.web.course import ChartView, chart, days
from monitor.web.drawing import Ruler, common_scale
from monitor.web.export import recording_zip
from monitor.web.forms import Form, whole
from monitor.web.frame import Frame
from monitor.web.gather import (
    Standing,
    batch_view,
    batch_views,
    journal_view,
    journal_views,
    sensor_views,
    standings_of,
)
from monitor.web.picture import picture_png
from monitor.web.rack import Rack, rack
from monitor.web.show import Show
from monitor.web.view import Need, by_need

CHART_JSON: Final = TypeAdapter(ChartView)
PICTURE_PX: Final = (1_100, 560)


@dataclass(frozen=True, slots=True)
class BatchPages:
    """Endpoints; each takes a request and answers it, in a worker thread."""

    frame: Frame

    def routes(self) -> list[Route]:
        """Addresses of these pages."""
        form = self.frame.form
        one = "/batches/{slug}"
        return [
            Route("/", self.everything),
            Route(one, self.one),
            Route(f"{one}/chart.json", self.chart_json),
            Route(f"{one}/chart.png", self.chart_png),
            Route(f"{one}/recording.zip", self.recording),
            Route(f"{one}/sample", form(self.sample), methods=["POST"]),
            Route(f"{one}/journal", form(self.deed), methods=["POST"]),
            Route(f"{one}/tasting", form(self.tasting), methods=["POST"]),
            Route(f"{one}/journal/{{name}}/take-back", form(self.take_back), methods=["POST"]),
            Route(f"{one}/end", form(self.end), methods=["POST"]),
            Route(f"{one}/shares", form(self.share), methods=["POST"]),
            Route("/shares/{number:int}/revoke", form(self.revoke), methods=["POST"]),
        ]

    def everything(self, request: Request) -> Response:
        """All open batches, those that need the maker first; many of them on several pages."""
        ports = self.frame.ports
        placed = rack(ports, whole(request.query_params, "page", 1))
        stands = standings_of(ports, ports.store.batches.named(placed.shown))
        found = by_need(batch_views(ports, stands))
        scale = common_scale(found)
        return self.frame.page(
            request,
            "batches.html",
            batches=found,
            scale=scale,
            rulers={batch.slug: Ruler.of(batch, scale) for batch in found},
            rack=placed,
            headline=headline(placed, lambda slug: ports.store.batches.get(slug).name),
            waiting=placed.waiting,
            vitals=ports.vitals(),
            refused=sum(one.count for one in ports.store.quarantine.counts()),
        )

    def one(self, request: Request) -> Response:
        """One batch in full."""
        stands = self.frame.standing(request)
        return self.frame.page(request, "batch.html", **batch_context(self.frame, request, stands))

    def chart_json(self, request: Request) -> Response:
        """What the chart draws."""
        return chart_answer(self.frame, request, self.frame.standing(request))

    def chart_png(self, request: Request) -> Response:
        """The chart as a picture, for readers without script."""
        return picture_answer(self.frame, request, self.frame.standing(request))

    def recording(self, request: Request) -> Response:
        """The batch as a recording that can be replayed."""
        sheet = self.frame.ports.store.batches.get(request.path_params["slug"])
        packed = recording_zip(self.frame.ports.store, sheet)
        name = f"{sheet.slug}.zip"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(packed, headers=headers, media_type="application/zip")

    def sample(self, request: Request, form: Form) -> Response:
        """A hand sample."""
        slug = request.path_params["slug"]
        sample_c = form.celsius_or_none("sample_temperature", "sample temperature")
        given_c = form.celsius_or_none("calibrated_at", "temperature that the hydrometer is made for")
        made_c = 20.0 if given_c is None else given_c
        sample = self.frame.actions.sample(
            slug,
            reading_sg=form.number("reading_sg", "hydrometer reading"),
            sample_c=made_c if sample_c is None else sample_c,
            taken_ms=form.moment_ms("taken", "taken"),
            calibrated_at_c=made_c,
        )
        said = f"Hand sample {sample.value:.4f} is written down. {sample.doubt}".rstrip()
        return self._back(form, slug, said)

    def deed(self, request: Request, form: Form) -> Response:
        """Something the maker did."""
        slug = request.path_params["slug"]
        kind = form.choice("kind", "what was done", JournalKind)
        self.frame.actions.deed(slug, kind, done_ms=form.moment_ms("done", "done"), note=form.text("note"))
        return self._back(form, slug, f"“{words.DEED[kind]}” is written down.")

    def tasting(self, request: Request, form: Form) -> Response:
        """How it tasted."""
        slug = request.path_params["slug"]
        tasted = Tasting(
            sweetness=form.whole_or_none("sweetness", "sweetness"),
            acid=form.whole_or_none("acid", "acid"),
            words=form.text("words"),
        )
        self.frame.actions.tasting(slug, tasted, done_ms=form.show.now_ms)
        return self._back(form, slug, "The tasting is written down.")

    def take_back(self, request: Request, form: Form) -> Response:
        """Something was written down by mistake."""
        slug = request.path_params["slug"]
        line = journal_view(self.frame.actions.take_back(slug, request.path_params["name"]))
        return self._back(form, slug, f"“{line.title}” is taken back.")

    def end(self, request: Request, form: Form) -> Response:
        """End a batch."""
        sheet = self.frame.actions.end(request.path_params["slug"])
        return self.frame.done(form, f"{sheet.name} has ended; its sensors are free.", "/records")

    def share(self, request: Request, form: Form) -> Response:
        """Make a link to share; it is shown on the page that answers, and never again."""
        slug = request.path_params["slug"]
        _, token = self.frame.actions.share(slug)
        stands = self.frame.standing(request)
        context = batch_context(self.frame, request, stands)
        context["new_share"] = f"{request.url.scheme}://{request.url.netloc}/shared/{token}"
        return self.frame.page(request, "batch.html", **context)

    def revoke(self, request: Request, form: Form) -> Response:
        """Take a shared link back."""
        self.frame.actions.revoke(request.path_params["number"])
        return self.frame.done(form, "The link leads nowhere now.")

    def _back(self, form: Form, slug: str, said: str) -> Response:
        return self.frame.done(form, said, f"/batches/{slug}")


def batch_context(frame: Frame, request: Request, stands: Standing) -> dict[str, Any]:
    """What the page of one batch shows."""
    ports, sheet = frame.ports, stands.sheet
    batch = batch_view(ports, stands)
    show = frame.show(request)
    sensors = tuple(name for name in sheet.sensors if name != sheet.hand_sensor)
    return {
        "batch": batch,
        "base": f"/batches/{batch.slug}",
        "days": days(
            ports.store,
            sheet,
            evidence=stands.evidence,
            zone=show.zone,
            now_ms=show.now_ms,
        ),
        "journal": journal_views(ports, sheet.slug, struck=True),
        "sensors": sensor_views(ports, sensors),
        "shares": ports.store.shares.listed(sheet.slug),
        "new_share": None,
        "here": "/",
        **_plan(frame, request, stands, show),
    }


def _plan(frame: Frame, request: Request, stands: Standing, show: Show) -> dict[str, Any]:
    texts = {name: request.query_params.get(name, "") for name in (*(one.name for one in ASKED), MALOLACTIC)}
    context: dict[str, Any] = {
        "plan": None,
        "plan_over": "",
        "plan_fault": "",
        "plan_lacks": "",
        "plan_units": show.units,
        "plan_asked": ASKED,
        "plan_texts": texts,
        "plan_told": any(texts.values()),
        "plan_malolactic": (MALOLACTIC, MALOLACTIC_SAYS),
    }
    if not stands.sheet.open:
        return {**context, "plan_over": "This batch has ended"}
    try:
        told = told_by(texts)
    except InputError as error:
        return {**context, "plan_fault": _hinted(error)}
    try:
        plan = plan_of(
            frame.ports.store,
            stands.sheet,
            stands.evidence,
            show.now_ms,
            phase=stands.phase,
            told=told,
            zone=show.zone,
        )
    except PackagedError as error:
        return {**context, "plan_over": _hinted(error)}
    except InputError as error:
        return {**context, "plan_lacks": _hinted(error)}
    return {**context, "plan": plan}


def _hinted(error: InputError) -> str:
    return f"{error}; {error.hint}" if error.hint else str(error)


def chart_answer(frame: Frame, request: Request, stands: Standing) -> Response:
    """The chart's values as JSON; `from_ms`, `to_ms` and `width` choose a part and how fine."""
    view = chart_of(
        frame, stands, width_px=whole(request.query_params, "width", 1_000), between_ms=_between(request)
    )
    return Response(CHART_JSON.dump_json(view), media_type="application/json")


def picture_answer(frame: Frame, request: Request, stands: Standing) -> Response:
    """The chart as PNG."""
    width, height = PICTURE_PX
    view = chart_of(frame, stands, width_px=width)
    picture = picture_png(view, frame.show(request), width, height)
    return Response(picture, media_type="image/png")


def chart_of(
    frame: Frame, stands: Standing, *, width_px: int, between_ms: tuple[int, int] | None = None
) -> ChartView:
    """The chart of a batch."""
    return chart(
        frame.ports.store,
        stands.sheet,
        evidence=stands.evidence,
        phases=stands.phases,
        journal=stands.journal,
        now_ms=frame.ports.now_ms(),
        width_px=width_px,
        between_ms=between_ms,
    )


def headline(found: Rack, name_of: Callable[[str], str]) -> str:
    """What matters, in one sentence; `name_of` tells what the maker calls a batch."""
    if not found.count:
        return "No batch is open."
    needy = [batch for batch in found.pressing if batch.need is Need.NOW]
    danger = [batch for batch in needy if batch.danger]
    if danger:
        return f"Danger: look at {name_of(danger[0].slug)} now."
    if len(needy) == 1:
        others = 0 if found.untold else found.count - 1
        rest = (
            "" if not others else " The other can wait." if others == 1 else f" The other {others} can wait."
        )
        return f"{name_of(needy[0].slug)} needs you.{rest}"
    if needy:
        return f"{len(needy)} of {found.count} batches need you."
    if found.untold:
        many = len(found.untold)
        who = f"{name_of(found.untold[0])} has" if many == 1 else f"{many} of {found.count} batches have"
        return f"{who} something from a backlog: {TOLD_SOON}."
    return "Nothing needs you now." if found.count > 1 else f"{name_of(found.slugs[0])} needs nothing now."


def _between(request: Request) -> tuple[int, int] | None:
    if "from_ms" not in request.query_params and "to_ms" not in request.query_params:
        return None
    from_ms, to_ms = whole(request.query_params, "from_ms", 0), whole(request.query_params, "to_ms", 0)
    if not 0 < to_ms - from_ms <= 4_000 * MS_PER_DAY:
        raise InputError("from_ms and to_ms: both given, the first before the second")
    return from_ms, to_ms
