"""The JSON API: one table of operations gives the routes and their description."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from http import HTTPStatus
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.cellar.plan_sheet import Plan
from monitor.ferment.event import JournalEntry
from monitor.planning import ASKED, MALOLACTIC, MALOLACTIC_SAYS
from monitor.store.values import FaultCount, Share, Silence, StoredAlert
from monitor.web.actions import WrittenSample
from monitor.web.api_acts import MOST, USUAL, Acts, BatchPage, NewShare, RefusedMessage, Tried
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
from monitor.web.course import ChartView
from monitor.web.frame import Frame
from monitor.web.openapi import PREFIX, Operation, Parameter, document
from monitor.web.ports import TriedNotice
from monitor.web.problem import AccessError
from monitor.web.view import AlertView, BatchView, JournalView, SensorView

SLUG = Parameter("slug", says="the batch’s short name")
NUMBER = Parameter("number", "integer")
SENSOR = Parameter("sensor")
IF_MATCH = Parameter(
    "If-Match",
    place="header",
    says="the `ETag` of the sheet that was read: refused if another was written since",
)
TAGGED = {"ETag": "Names the sheet as it stands, for `If-Match`."}
NAME = Parameter("name", says="the `number` of a line of the journal, a hand sample’s too")
TAKEN_BACK = "Take a line of the journal or a hand sample back: on record it stays, and counts for nothing"
SAMPLED = "Write down a hand sample; the answer’s `doubt` says where it is far off the float"
LISTED = "Batches a page at a time, from the youngest to the oldest; within a page those that need you first"
STARTED = (
    "Start a batch; an expected attenuation left out is taken from earlier ones, with null there is none"
)
PAGED = (
    Parameter("limit", "integer", "query", "how many on a page", least=1, most=MOST, default=USUAL),
    Parameter("after", "string", "query", "where the page before ended; stands in its `next`"),
)


def _query(name: str, kind: str, says: str) -> Parameter:
    return Parameter(name, kind, "query", says)


TOLD = (
    *(_query(one.name, "string", f"{one.says} Such as {one.example}.") for one in ASKED),
    _query(MALOLACTIC, "boolean", MALOLACTIC_SAYS),
)
"""What the maker can tell the plan."""


def operations(acts: Acts) -> tuple[Operation, ...]:
    """Everything that can be asked and done."""
    return (
        *_batch_operations(acts),
        *_book_operations(acts),
        *_alert_operations(acts),
        *_sensor_operations(acts),
    )


def _batch_operations(acts: Acts) -> tuple[Operation, ...]:
    one, tag = (SLUG,), "batches"
    state = _query("state", "string", "open (default) or all")
    fine = (
        _query("from_ms", "integer", "first moment"),
        _query("to_ms", "integer", "last moment"),
        _query("width", "integer", "pixels that the chart has"),
    )
    batch = "/batches/{slug}"
    sheet = dict[str, Any]
    return (
        Operation("GET", "/batches", "listBatches", LISTED, tag, acts.batches, answer=BatchPage,
                  parameters=(state, *PAGED), headers={"Link": 'The next page, as `<...>; rel="next"`.'}),
        Operation("POST", "/batches", "startBatch", STARTED, tag,
                  acts.start, SheetBody, sheet, 201),
        Operation("GET", batch, "getBatch", "One batch", tag, acts.batch, answer=BatchView, parameters=one),
        Operation("GET", f"{batch}/sheet", "getSheet", "The sheet of a batch", tag,
                  acts.sheet, answer=sheet, parameters=one, headers=TAGGED),
        Operation("PATCH", f"{batch}/sheet", "changeSheet", "Change members of the sheet", tag,
                  acts.rewrite, SheetBody, sheet, parameters=(SLUG, IF_MATCH), headers=TAGGED),
        Operation("POST", f"{batch}/end", "endBatch", "End a batch and free its sensors", tag,
                  acts.end, EndBody, sheet, parameters=one, optional_body=True),
        Operation("POST", f"{batch}/sensors", "tieSensor", "Put a sensor into a batch", tag,
                  acts.tie, TieBody, sheet, parameters=one),
        Operation("GET", f"{batch}/chart", "getChart", "What the chart of a batch draws", tag,
                  acts.chart, answer=ChartView, parameters=(SLUG, *fine)),
        Operation("GET", f"{batch}/recording", "getRecording", "A batch as a recording, zipped", tag,
                  acts.recording, answer=bytes, parameters=one, media="application/zip"),
        Operation("GET", f"{batch}/plan", "getPlan", "From the last bubble to the glass", tag,
                  acts.plan, answer=Plan, parameters=(SLUG, *TOLD)),
    )  # fmt: skip


def _book_operations(acts: Acts) -> tuple[Operation, ...]:
    one, tag, batch = (SLUG,), "batches", "/batches/{slug}"
    state = _query("state", "string", "counting (default) or all: what was taken back too")
    return (
        Operation("GET", f"{batch}/journal", "getJournal", "The journal, newest first", tag,
                  acts.journal, answer=list[JournalView], parameters=(SLUG, state)),
        Operation("DELETE", f"{batch}/journal/{{name}}", "takeBack", TAKEN_BACK, tag,
                  acts.take_back, answer=JournalView, parameters=(SLUG, NAME)),
        Operation("POST", f"{batch}/journal", "writeDown", "Write down what was done", tag,
                  acts.deed, DeedBody, JournalEntry, 201, one),
        Operation("POST", f"{batch}/samples", "writeSample", SAMPLED, tag,
                  acts.sample, SampleBody, WrittenSample, 201, one),
        Operation("POST", f"{batch}/tastings", "writeTasting", "Write down a tasting", tag,
                  acts.tasting, TastingBody, JournalEntry, 201, one),
        Operation("POST", f"{batch}/tune", "tryThresholds", "What other thresholds would have said", tag,
                  acts.tune, TuneBody, Tried, parameters=one),
        Operation("GET", f"{batch}/shares", "listShares", "Links to a batch", tag,
                  acts.shares, answer=list[Share], parameters=one),
        Operation("POST", f"{batch}/shares", "makeShare", "Make a link to look at one batch", tag,
                  acts.share, answer=NewShare, status=201, parameters=one),
        Operation("DELETE", "/shares/{number}", "revokeShare", "Take a link back", tag,
                  acts.revoke, parameters=(NUMBER,)),
    )  # fmt: skip


def _alert_operations(acts: Acts) -> tuple[Operation, ...]:
    state = _query("state", "string", "open (default) or all")
    return (
        Operation("GET", "/alerts", "listAlerts", "Alerts, the most urgent first", "alerts",
                  acts.alerts, answer=list[AlertView], parameters=(state,)),
        Operation("POST", "/alerts/{number}/acknowledge", "acknowledgeAlert", "Say it was seen", "alerts",
                  acts.acknowledge, answer=StoredAlert, parameters=(NUMBER,)),
        Operation("GET", "/silences", "listSilences", "Quiet times in force", "alerts",
                  acts.silences, answer=list[Silence]),
        Operation("POST", "/silences", "makeSilence", "Hold notices back for a time", "alerts",
                  acts.silence, SilenceBody, Silence, 201),
        Operation("DELETE", "/silences/{number}", "endSilence", "End a quiet time now", "alerts",
                  acts.lift, parameters=(NUMBER,)),
        Operation("POST", "/notices/test", "testNotice", "Send a test notice to every channel", "alerts",
                  acts.test_notice, answer=list[TriedNotice]),
    )  # fmt: skip


def _sensor_operations(acts: Acts) -> tuple[Operation, ...]:
    state = _query("state", "string", "all (default) or free: those that stand in no batch")
    calibrations = "/sensors/{sensor}/calibrations"
    plain = dict[str, Any]
    return (
        Operation("GET", "/sensors", "listSensors", "Sensors and what they said last", "sensors",
                  acts.sensors, answer=list[SensorView], parameters=(state,)),
        Operation("GET", calibrations, "listCalibrations", "Calibrations of a sensor", "sensors",
                  acts.calibrations, answer=list[plain], parameters=(SENSOR,)),
        Operation("POST", f"{calibrations}/try", "tryCalibration", "What a calibration would be", "sensors",
                  acts.try_calibration, CalibrationBody, plain, parameters=(SENSOR,)),
        Operation("POST", calibrations, "calibrate", "Keep a calibration", "sensors",
                  acts.calibrate, CalibrationBody, plain, 201, (SENSOR,)),
        Operation("GET", "/refused", "countRefused", "Messages that could not be read, by kind", "sensors",
                  acts.refused, answer=list[FaultCount]),
        Operation("GET", "/refused/messages", "listRefused", "The newest of them", "sensors",
                  acts.refused_messages, answer=list[RefusedMessage]),
        Operation("DELETE", "/refused", "clearRefused", "Throw them away; the counts stay", "sensors",
                  acts.clear_refused),
    )  # fmt: skip


def api_routes(frame: Frame) -> list[Route]:
    """Addresses of the API."""
    every = operations(Acts(frame))
    described = json.dumps(document(every), ensure_ascii=False).encode()

    def openapi(request: Request) -> Response:
        return Response(described, media_type="application/json")

    routes = [Route(f"{PREFIX}/openapi.json", openapi)]
    routes += [Route(one.address, _endpoint(one), methods=[one.method], name=one.name) for one in every]
    return routes


def _endpoint(one: Operation) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        arguments: list[Any] = [request]
        if one.body is not None:
            raw = await request.body()
            if not raw and not one.optional_body:
                raise AccessError("a JSON body is missing", status=HTTPStatus.BAD_REQUEST)
            arguments.append(one.body.model_validate_json(raw or b"{}"))
        return one.respond(await run_in_threadpool(one.act, *arguments))

    return endpoint
