"""Pages to set things up: sensors, a new batch, its sheet, other thresholds, a test notice."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.ferment.premise import MustKind
from monitor.web.forms import Form, number, whole
from monitor.web.frame import Frame
from monitor.web.gather import free_sensor_views, sensor_views
from monitor.web.leaf import Leaf
from monitor.web.sheet_form import choices, filled, sheet_of
from monitor.web.tuning import knobs, tried

REFUSED_SHOWN: Final = 20
PAYLOAD_SHOWN: Final = 160


@dataclass(frozen=True, slots=True)
class SetupPages:
    """Endpoints; each takes a request and answers it, in a worker thread."""

    frame: Frame

    def routes(self) -> list[Route]:
        """Addresses of these pages."""
        form = self.frame.form
        return [
            Route("/setup", self.setup),
            Route("/setup/batches", form(self.start), methods=["POST"]),
            Route("/setup/sensors", form(self.tie), methods=["POST"]),
            Route("/setup/test-notice", form(self.test_notice), methods=["POST"]),
            Route("/setup/quarantine/clear", form(self.clear), methods=["POST"]),
            Route("/batches/{slug}/sheet", self.sheet),
            Route("/batches/{slug}/sheet", form(self.rewrite), methods=["POST"]),
            Route("/batches/{slug}/tune", self.tune),
        ]

    def setup(self, request: Request) -> Response:
        """Everything that is set up once."""
        ports, show = self.frame.ports, self.frame.show(request)
        names = ports.store.readings.sensors()
        leaf = Leaf(whole(request.query_params, "page", 1), len(names))
        shown, free = leaf.part(names), free_sensor_views(ports)
        owners = ports.store.batches.owners(shown)
        owning = ports.store.batches.named(sorted({slug for slugs in owners.values() for slug in slugs}))
        target = ports.forwards_to
        return self.frame.page(
            request,
            "setup.html",
            sensors=sensor_views(ports, shown),
            leaf=leaf,
            free=free,
            copy=None if target is None else ports.store.forwarding.state(target),
            owners=owners,
            # asked for only where there is something to put into one of them
            sheets=ports.store.batches.listed(only_open=True) if free else (),
            names={sheet.slug: sheet.name for sheet in owning},
            values=filled(None, show),
            sensor_names=choices(names, None),
            kinds=list(MustKind),
            chosen_others=(),
            counts=ports.store.quarantine.counts(),
            refused=[
                (one, one.refused.payload[:PAYLOAD_SHOWN].decode(errors="backslashreplace"))
                for one in ports.store.quarantine.listed(REFUSED_SHOWN)
            ],
        )

    def start(self, request: Request, form: Form) -> Response:
        """Start a batch."""
        sheet, expected = self.frame.actions.start(sheet_of(form), learning=not form.text("no_attenuation"))
        said = f"{sheet.name} is being watched." + ("" if expected is None else f" {expected.said}.")
        return self.frame.done(form, said, f"/batches/{sheet.slug}")

    def tie(self, request: Request, form: Form) -> Response:
        """Put a sensor into a batch."""
        sheet = self.frame.actions.tie(form.text("batch"), form.text("sensor"), form.text("role"))
        return self.frame.done(form, f"{form.text('sensor')} stands in {sheet.name}.", "/setup")

    def test_notice(self, request: Request, form: Form) -> Response:
        """Send a test notice to every channel, and say what became of it."""
        return self.frame.page(request, "test_notice.html", tried=self.frame.ports.test_notice())

    def clear(self, request: Request, form: Form) -> Response:
        """Throw away the messages that were set aside."""
        count = self.frame.ports.store.quarantine.clear()
        return self.frame.done(form, f"{count} messages thrown away.", "/setup")

    def sheet(self, request: Request) -> Response:
        """The sheet of a batch, to change it."""
        sheet = self.frame.ports.store.batches.get(request.path_params["slug"])
        heard = self.frame.ports.store.readings.sensors()
        return self.frame.page(
            request,
            "sheet.html",
            sheet=sheet,
            values=filled(sheet, self.frame.show(request)),
            sensor_names=choices(heard, sheet),
            chosen_others=sheet.other_sensors,
            kinds=list(MustKind),
        )

    def rewrite(self, request: Request, form: Form) -> Response:
        """Change the sheet of a batch."""
        sheet = self.frame.actions.rewrite(request.path_params["slug"], partial(sheet_of, form))
        return self.frame.done(form, "The sheet is changed.", f"/batches/{sheet.slug}")

    def tune(self, request: Request) -> Response:
        """What other thresholds would have said so far."""
        ports = self.frame.ports
        sheet = ports.store.batches.get(request.path_params["slug"])
        every = knobs(ports.analysis)
        present = {knob.name: knob.value for knob in every}
        wished = {
            knob.name: number(request.query_params[knob.name], knob.label)
            for knob in every
            if request.query_params.get(knob.name)
        }
        changed = {name: value for name, value in wished.items() if value != present[name]}
        return self.frame.page(
            request,
            "tune.html",
            sheet=sheet,
            knobs=every,
            wished={**present, **wished},
            told=tried(ports, self.frame.trials, sheet.slug, changed) if wished else None,
            changed=changed,
        )
