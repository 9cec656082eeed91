"""What each operation of the API does: from a request and a checked body to a value."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from monitor.batch.journal import Tasting
from monitor.batch.plain import from_plain, to_plain
from monitor.batch.sheet import Sheet, slug_of
from monitor.cellar.plan_sheet import Plan
from monitor.errors import InputError
from monitor.ferment.event import JournalEntry
from monitor.planning import plan_of, told_by
from monitor.sensors.calibration import Calibration, Pair
from monitor.store.values import FaultCount, Place, Share, Silence, StoredAlert
from monitor.web import cursor
from monitor.web.actions import WrittenSample
from monitor.web.bodies import (
    CalibrationBody,
    DeedBody,
    EndBody,
    SampleBody,
    SheetBody,
    SilenceBody,
    TastingBody,
    TieBody,
    TuneBody,
)
from monitor.web.export import recording_zip
from monitor.web.forms import whole
from monitor.web.frame import Frame
from monitor.web.gather import (
    alert_views,
    batch_view,
    batch_views,
    free_sensor_views,
    journal_view,
    journal_views,
    sensor_views,
    standings_of,
)
from monitor.web.history import Told
from monitor.web.openapi import Headed
from monitor.web.pages_batch import chart_answer
from monitor.web.ports import TriedNotice
from monitor.web.problem import ChangedMeanwhileError
from monitor.web.tuning import tried
from monitor.web.view import AlertView, BatchView, JournalView, SensorView, by_need

USUAL: Final = 100
ANY_STATE: Final = "*"
MOST: Final = 500
"""Batches on a page of the list."""


@dataclass(frozen=True, slots=True)
class BatchPage:
    """A part of the batches, and the address of the next part; null with the last."""

    batches: tuple[BatchView, ...]
    next: str | None = None


@dataclass(frozen=True, slots=True)
class NewShare:
    """A link that was made; the token is told this once."""

    id: int
    batch: str
    address: str


@dataclass(frozen=True, slots=True)
class Tried:
    """What is told of a batch so far as things are set, and with other thresholds."""

    present: Told
    other: Told


@dataclass(frozen=True, slots=True)
class RefusedMessage:
    """A message that could not be read, as far as it is kept."""

    id: int
    received_ms: int
    topic: str
    kind: str
    reason: str
    payload_base64: str


@dataclass(frozen=True, slots=True)
class Acts:
    """One method for each operation."""

    frame: Frame

    def batches(self, request: Request) -> BatchPage | Headed:
        """A page of batches, those of it that need the maker first."""
        asked, ports = request.query_params, self.frame.ports
        limit = whole(asked, "limit", USUAL)
        if not 1 <= limit <= MOST:
            raise InputError(f"limit = {limit}: from 1 to {MOST}")
        found = ports.store.batches.from_youngest(
            limit + 1,
            after=cursor.read(asked["after"]) if "after" in asked else None,
            only_open=asked.get("state", "open") == "open",
        )
        shown = found[:limit]
        views = by_need(batch_views(ports, standings_of(ports, shown)))
        if len(found) <= limit:
            return BatchPage(views)
        place = Place(shown[-1].pitched_ms, shown[-1].slug)
        address = request.url.include_query_params(limit=limit, after=cursor.written(place))
        following = f"{address.path}?{address.query}"
        return Headed(BatchPage(views, following), {"Link": f'<{following}>; rel="next"'})

    def start(self, request: Request, body: SheetBody) -> dict[str, Any]:
        """Start a batch; without a slug, a pitching time or an expected attenuation they are made.

        An expected attenuation of null is none, and none is looked for.
        """
        plain = body.plain()
        plain.setdefault("slug", slug_of(str(plain.get("name", ""))))
        plain.setdefault("pitched_ms", self.frame.ports.now_ms())
        must = plain.get("must")
        learning = not isinstance(must, dict) or "expected_apparent_attenuation" not in must
        sheet, _ = self.frame.actions.start(from_plain(plain), learning=learning)
        return to_plain(sheet)

    def batch(self, request: Request) -> BatchView:
        """One batch."""
        return batch_view(self.frame.ports, self.frame.standing(request))

    def sheet(self, request: Request) -> Headed:
        """The sheet of a batch."""
        return _tagged(self._sheet(request))

    def rewrite(self, request: Request, body: SheetBody) -> Headed:
        """Replace a sheet; what the body leaves out stays.

        Raises `ChangedMeanwhileError` where the request names another state of the sheet than is there.
        """
        said, wanted = body.plain(), request.headers.get("If-Match", ANY_STATE)

        def changed(before: Sheet) -> Sheet:
            stands = to_plain(before)
            if wanted != ANY_STATE and _tag(stands) not in [one.strip() for one in wanted.split(",")]:
                raise ChangedMeanwhileError(
                    "The sheet was changed since it was read.",
                    hint="read it again, and send the change with the ETag that comes with it",
                )
            return from_plain({**stands, **said, "slug": before.slug})

        return _tagged(self.frame.actions.rewrite(self._slug(request), changed))

    def end(self, request: Request, body: EndBody) -> dict[str, Any]:
        """End a batch."""
        return to_plain(self.frame.actions.end(self._slug(request), ended_ms=body.ended_ms))

    def tie(self, request: Request, body: TieBody) -> dict[str, Any]:
        """Put a sensor into a batch."""
        return to_plain(self.frame.actions.tie(self._slug(request), body.sensor, body.role))

    def chart(self, request: Request) -> Response:
        """The chart of a batch."""
        return chart_answer(self.frame, request, self.frame.standing(request))

    def recording(self, request: Request) -> Response:
        """A batch as a recording."""
        packed = recording_zip(self.frame.ports.store, self._sheet(request))
        return Response(packed, media_type="application/zip")

    def plan(self, request: Request) -> Plan:
        """The plan of a batch, as it stands, with what the address tells of it."""
        told = told_by(request.query_params)
        stands = self.frame.standing(request)
        ports = self.frame.ports
        return plan_of(
            ports.store,
            stands.sheet,
            stands.evidence,
            ports.now_ms(),
            phase=stands.phase,
            told=told,
            zone=self.frame.zone,
        )

    def journal(self, request: Request) -> list[JournalView]:
        """The journal of a batch."""
        struck = request.query_params.get("state", "counting") == "all"
        return list(journal_views(self.frame.ports, self._slug(request), struck=struck))

    def take_back(self, request: Request) -> JournalView:
        """Take a line of the journal back."""
        return journal_view(self.frame.actions.take_back(self._slug(request), request.path_params["name"]))

    def deed(self, request: Request, body: DeedBody) -> JournalEntry:
        """Write down a deed."""
        return self.frame.actions.deed(
            self._slug(request), body.kind, done_ms=self._moment(body.done_ms), note=body.note
        )

    def tasting(self, request: Request, body: TastingBody) -> JournalEntry:
        """Write down a tasting."""
        tasted = Tasting(sweetness=body.sweetness, acid=body.acid, words=body.words)
        return self.frame.actions.tasting(self._slug(request), tasted, done_ms=self._moment(body.done_ms))

    def sample(self, request: Request, body: SampleBody) -> WrittenSample:
        """Write down a hand sample; where it is far off the float the answer says so."""
        return self.frame.actions.sample(
            self._slug(request),
            reading_sg=body.reading_sg,
            sample_c=body.sample_c,
            calibrated_at_c=body.calibrated_at_c,
            taken_ms=self._moment(body.taken_ms),
        )

    def tune(self, request: Request, body: TuneBody) -> Tried:
        """Try other thresholds."""
        return Tried(*tried(self.frame.ports, self.frame.trials, self._slug(request), body.thresholds))

    def shares(self, request: Request) -> list[Share]:
        """Links to a batch."""
        return self.frame.ports.store.shares.listed(self._sheet(request).slug)

    def share(self, request: Request) -> NewShare:
        """Make a link."""
        made, token = self.frame.actions.share(self._slug(request))
        return NewShare(made.id, made.batch, f"/shared/{token}")

    def revoke(self, request: Request) -> None:
        """Take a link back."""
        self.frame.actions.revoke(request.path_params["number"])

    def alerts(self, request: Request) -> list[AlertView]:
        """Alerts."""
        state = request.query_params.get("state", "open")
        sheets = self.frame.ports.store.batches.listed()
        return list(alert_views(self.frame.ports, sheets, only_open=state == "open"))

    def acknowledge(self, request: Request) -> StoredAlert:
        """Acknowledge an alert."""
        return self.frame.actions.acknowledge(request.path_params["number"])

    def silences(self, request: Request) -> list[Silence]:
        """Silences in force."""
        return self.frame.ports.store.alerts.silences(self.frame.ports.now_ms())

    def silence(self, request: Request, body: SilenceBody) -> Silence:
        """Hold notices back."""
        return self.frame.actions.silence(hours=body.hours, batch=body.batch, kind=body.kind, note=body.note)

    def lift(self, request: Request) -> None:
        """End a silence."""
        self.frame.actions.lift(request.path_params["number"])

    def sensors(self, request: Request) -> list[SensorView]:
        """Sensors."""
        free = request.query_params.get("state", "all") == "free"
        return list(free_sensor_views(self.frame.ports) if free else sensor_views(self.frame.ports))

    def calibrations(self, request: Request) -> list[dict[str, Any]]:
        """Calibrations of a sensor."""
        found = self.frame.ports.store.calibrations.listed(request.path_params["sensor"])
        return [one.document for one in found]

    def try_calibration(self, request: Request, body: CalibrationBody) -> dict[str, Any]:
        """What a calibration would be; nothing is kept."""
        return self._fitted(request, body).to_dict()

    def calibrate(self, request: Request, body: CalibrationBody) -> dict[str, Any]:
        """Keep a calibration."""
        return self.frame.actions.calibrate(self._fitted(request, body)).to_dict()

    def refused(self, request: Request) -> list[FaultCount]:
        """Counts of messages that could not be read."""
        return self.frame.ports.store.quarantine.counts()

    def refused_messages(self, request: Request) -> list[RefusedMessage]:
        """The newest messages that could not be read."""
        return [
            RefusedMessage(
                one.id,
                one.refused.received_ms,
                one.refused.topic,
                one.refused.kind,
                one.refused.reason,
                base64.b64encode(one.refused.payload).decode(),
            )
            for one in self.frame.ports.store.quarantine.listed()
        ]

    def clear_refused(self, request: Request) -> None:
        """Throw them away."""
        self.frame.ports.store.quarantine.clear()

    def test_notice(self, request: Request) -> list[TriedNotice]:
        """Send a test notice."""
        return list(self.frame.ports.test_notice())

    def _fitted(self, request: Request, body: CalibrationBody) -> Calibration:
        pairs = [Pair(one.angle_deg, one.gravity_sg) for one in body.pairs]
        return self.frame.actions.fitted(
            request.path_params["sensor"], pairs, self._moment(body.valid_from_ms)
        )

    def _moment(self, time_ms: int | None) -> int:
        return self.frame.ports.now_ms() if time_ms is None else time_ms

    def _slug(self, request: Request) -> str:
        slug: str = request.path_params["slug"]
        return slug

    def _sheet(self, request: Request) -> Sheet:
        return self.frame.ports.store.batches.get(self._slug(request))


def _tag(plain: dict[str, Any]) -> str:
    """The state of a sheet as an entity tag (RFC 9110): alike for the same members, and for no other."""
    return f'"{hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:16]}"'


def _tagged(sheet: Sheet) -> Headed:
    plain = to_plain(sheet)
    return Headed(plain, {"ETag": _tag(plain)})
