"""Pages of alerts, of batches beside each other, and of what is past."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.batch.sheet import Sheet
from monitor.errors import InputError
from monitor.ferment.emission import AlertKind
from monitor.untold import TOLD_SOON, untold
from monitor.web import words
from monitor.web.forms import Form, whole
from monitor.web.frame import Frame
from monitor.web.gather import alert_views, batch_views, journal_views, samples_of, standings_of, unjudged
from monitor.web.leaf import Leaf
from monitor.web.overlay import MOST, NARROW, WIDE, has_curve, overlay, table
from monitor.web.pages_batch import batch_context
from monitor.web.view import SilenceView

CHOICES: Final = 100
"""Batches on a page of those that can be laid over each other."""


@dataclass(frozen=True, slots=True)
class MorePages:
    """Endpoints; each takes a request and answers it, in a worker thread."""

    frame: Frame

    def routes(self) -> list[Route]:
        """Addresses of these pages."""
        form = self.frame.form
        return [
            Route("/alerts", self.alerts),
            Route("/alerts/{number:int}/acknowledge", form(self.acknowledge), methods=["POST"]),
            Route("/silences", form(self.silence), methods=["POST"]),
            Route("/silences/{number:int}/lift", form(self.lift), methods=["POST"]),
            Route("/compare", self.compare),
            Route("/records", self.records),
            Route("/batches/{slug}/report", self.report),
        ]

    def alerts(self, request: Request) -> Response:
        """What is open, what is quiet, what there was."""
        ports = self.frame.ports
        sheets = ports.store.batches.listed()
        # asked for by themselves: one that has long been open is not pushed out by those that came and went
        opened = alert_views(ports, sheets)
        going = {sheet.slug for sheet in sheets if sheet.open}
        every = alert_views(ports, sheets, only_open=False)
        return self.frame.page(
            request,
            "alerts.html",
            open=opened,
            untold=untold(
                {slug: one for slug, one in ports.snapshots().items() if slug in going},
                ports.store.alerts.listed(only_firing=True),
            ),
            told_soon=TOLD_SOON,
            past=sorted((one for one in every if not one.is_open), key=lambda one: -one.fired_ms),
            silences=[
                SilenceView(one.id, one.batch, one.kind, one.until_ms)
                for one in ports.store.alerts.silences(ports.now_ms())
            ],
            batches=[sheet for sheet in sheets if sheet.open],
            names={sheet.slug: sheet.name for sheet in sheets},
        )

    def acknowledge(self, request: Request, form: Form) -> Response:
        """Somebody has seen it."""
        stored = self.frame.actions.acknowledge(request.path_params["number"])
        return self.frame.done(form, f"Seen: {words.ALERT[stored.kind]}.", "/alerts")

    def silence(self, request: Request, form: Form) -> Response:
        """Quiet for a time."""
        kind = form.choice("kind", "kind of alert", AlertKind) if form.text("kind") else None
        hours = form.number("hours", "hours")
        made = self.frame.actions.silence(hours=hours, batch=form.text("batch") or None, kind=kind)
        return self.frame.done(form, f"Quiet until {form.show.when(made.until_ms)}.", "/alerts")

    def lift(self, request: Request, form: Form) -> Response:
        """End a quiet time."""
        self.frame.actions.lift(request.path_params["number"])
        return self.frame.done(form, "Notices are sent again.", "/alerts")

    def compare(self, request: Request) -> Response:
        """Batches laid over each other from pitching."""
        ports = self.frame.ports
        sheets = ports.store.batches.listed()[::-1]
        chosen = list(dict.fromkeys(request.query_params.getlist("batch")))
        if len(chosen) > MOST:
            raise InputError(f"{len(chosen)} batches: at most {MOST} can be told apart")
        if not chosen:
            chosen = _alike(sheets)
        stands = [unjudged(ports, slug) for slug in chosen]
        views = batch_views(ports, stands)
        samples = {
            view.slug: samples_of(ports, one.sheet)
            for one, view in zip(stands, views, strict=True)
            if not has_curve(view)
        }
        leaf = Leaf(whole(request.query_params, "page", 1), len(sheets), CHOICES)
        offered = leaf.part(sheets)
        show = self.frame.show(request)
        return self.frame.page(
            request,
            "compare.html",
            # what is chosen already goes along from page to page
            sheets=[*(one.sheet for one in stands if one.sheet not in offered), *offered],
            leaf=leaf,
            chosen=chosen,
            views=views,
            overlays=tuple(overlay(views, box, samples) for box in (WIDE, NARROW)),
            undrawn=[slug for slug, found in samples.items() if not found],
            rows=table(stands, views, show),
        )

    def records(self, request: Request) -> Response:
        """Batches that have ended, then the others, on several pages; the way to take any batch out."""
        ports = self.frame.ports
        batches = ports.store.batches
        made = batches.ended_count()
        leaf = Leaf(whole(request.query_params, "page", 1), made + len(batches.open_slugs()))
        stands = standings_of(ports, batches.past_first(leaf.size, skipping=leaf.first))
        views = batch_views(ports, stands, drawn=False)
        return self.frame.page(
            request,
            "records.html",
            made=made,
            leaf=leaf,
            ended=[one for one in views if one.ended_ms is not None],
            going=[one for one in views if one.ended_ms is None],
        )

    def report(self, request: Request) -> Response:
        """One batch on paper."""
        stands = self.frame.standing(request)
        context = batch_context(self.frame, request, stands)
        history = alert_views(self.frame.ports, [stands.sheet], slug=stands.sheet.slug, only_open=False)
        context.update(
            sheet=stands.sheet,
            journal=tuple(reversed(journal_views(self.frame.ports, stands.sheet.slug))),
            days=tuple(reversed(context["days"])),
            history=sorted(history, key=lambda one: one.fired_ms),
            phases=stands.phases,
        )
        return self.frame.page(request, "report.html", **context)


def _alike(sheets: Sequence[Sheet]) -> list[str]:
    """Of batches, the youngest first, the youngest of the recipe that was made last, if more than once."""
    made: dict[str, list[str]] = {}
    for sheet in sheets:
        if sheet.recipe.strip():
            made.setdefault(sheet.recipe, []).append(sheet.slug)
    same = next((slugs for slugs in made.values() if len(slugs) > 1), [sheet.slug for sheet in sheets[:2]])
    return same[:MOST][::-1]
