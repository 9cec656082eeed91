"""The JSON API and its OpenAPI document."""

from __future__ import annotations

import json
import re

import pytest
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import validate
from starlette.applications import Starlette
from starlette.routing import Route

from monitor.batch.sheet import LONGEST_SENSOR, Sheet
from monitor.ferment.event import Reading
from monitor.planning import plan_of
from monitor.sensors.topics import is_sensor_name
from monitor.store.values import Refused
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG, Quantity
from monitor.web.openapi import PREFIX

from .rooms import PITCHED_MS, Cellar, Visit

SLUG = "hedgerow-session"
BATCH = f"/api/v1/batches/{SLUG}"


@pytest.fixture
def described(visit: Visit) -> dict[str, object]:
    """The OpenAPI document as it is served."""
    return dict(visit.json("GET", "/api/v1/openapi.json").json())


def test_the_document_is_valid(described: dict[str, object]) -> None:
    """openapi-spec-validator finds no fault with it (OpenAPI 3.1)."""
    validate(described)  # type: ignore[arg-type]


def test_every_route_is_in_the_document(app: Starlette, described: dict[str, object]) -> None:
    """What can be called under the prefix is described, and nothing else is."""
    routes = {
        (re.sub(r":int}", "}", route.path), method.lower())
        for route in app.routes
        if isinstance(route, Route) and route.path.startswith(PREFIX)
        for method in route.methods or ()
        if method != "HEAD"
    }
    paths = described["paths"]
    assert isinstance(paths, dict)
    listed = {(path, method) for path, item in paths.items() for method in item}
    assert routes - listed == {("/api/v1/openapi.json", "get")}
    assert listed <= routes


def test_answers_keep_to_the_document(visit: Visit, described: dict[str, object]) -> None:
    """What is answered is what the document says, checked by a JSON Schema validator."""
    sensor = "/api/v1/sensors/float-hedgerow-session"
    asked = {
        "listBatches": visit.json("GET", "/api/v1/batches?state=all"),
        "getBatch": visit.json("GET", BATCH),
        "getSheet": visit.json("GET", f"{BATCH}/sheet"),
        "getChart": visit.json("GET", f"{BATCH}/chart?width=500"),
        "getPlan": visit.json("GET", f"{BATCH}/plan"),
        "writeDown": visit.json("POST", f"{BATCH}/journal", {"kind": "nutrient", "note": "2 g"}),
        "writeSample": visit.json("POST", f"{BATCH}/samples", {"reading_sg": 1.02}),
        "writeTasting": visit.json("POST", f"{BATCH}/tastings", {"sweetness": 0}),
        "getJournal": visit.json("GET", f"{BATCH}/journal"),
        "takeBack": visit.json("DELETE", f"{BATCH}/journal/entry-1"),
        "makeShare": visit.json("POST", f"{BATCH}/shares"),
        "listShares": visit.json("GET", f"{BATCH}/shares"),
        "makeSilence": visit.json("POST", "/api/v1/silences", {"hours": 1.5, "kind": "stalled"}),
        "listSilences": visit.json("GET", "/api/v1/silences"),
        "listAlerts": visit.json("GET", "/api/v1/alerts?state=all"),
        "listSensors": visit.json("GET", "/api/v1/sensors"),
        "listRefused": visit.json("GET", "/api/v1/refused/messages"),
        "countRefused": visit.json("GET", "/api/v1/refused"),
        "listCalibrations": visit.json("GET", f"{sensor}/calibrations"),
        "testNotice": visit.json("POST", "/api/v1/notices/test"),
        "startBatch": visit.json("POST", "/api/v1/batches", {"name": "Sloe and bay"}),
        "tieSensor": visit.json(
            "POST", "/api/v1/batches/sloe-and-bay/sensors", {"sensor": "room", "role": "other"}
        ),
        "endBatch": visit.json("POST", "/api/v1/batches/sloe-and-bay/end"),
    }
    operations = {
        one["operationId"]: one
        for item in described["paths"].values()
        for one in item.values()  # type: ignore[attr-defined]
    }
    for name, answer in asked.items():
        responses = operations[name]["responses"]
        assert str(answer.status_code) in responses, (name, answer.status_code, answer.text)
        assert answer.status_code < 400, (name, answer.text)
        schema = responses[str(answer.status_code)]["content"]["application/json"]["schema"]
        OAS31Validator({**schema, "components": described["components"]}).validate(answer.json())


def test_faults_are_problem_details(visit: Visit) -> None:
    """Every kind of fault comes as application/problem+json with the status in its body (RFC 9457)."""
    faulty = {
        404: visit.json("GET", "/api/v1/batches/none"),
        405: visit.json("DELETE", "/api/v1/batches"),
        400: visit.json("POST", f"{BATCH}/samples"),
        422: visit.json("POST", f"{BATCH}/samples", {"reading_sg": 1.9}),
    }
    for status, answer in faulty.items():
        assert answer.status_code == status, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == status
        assert answer.json()["detail"]


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("samples", {"reading_sg": "1.02x"}),
        ("samples", {"reading_sg": 1.02, "colour": "pale"}),
        ("journal", {"kind": "decanted"}),
        ("journal", {"kind": "note", "done_ms": 2**60}),
        ("tastings", {}),
        ("tastings", {"sweetness": 11}),
        ("sensors", {"sensor": "", "role": "other"}),
        ("sensors", {"sensor": "s" * (LONGEST_SENSOR + 1), "role": "other"}),
        ("tune", {"thresholds": {"patience": 1}}),
        ("end", {"ended_ms": 5}),
    ],
)
def test_wrong_bodies_change_nothing(visit: Visit, busy: Cellar, path: str, body: object) -> None:
    """A wrong value is refused with 422, and the store stays as it was."""
    before = busy.store.changes.position()
    assert visit.json("POST", f"{BATCH}/{path}", body).status_code == 422
    assert busy.store.changes.position() == before


def test_a_sensor_may_be_called_as_long_as_on_the_wire(visit: Visit, busy: Cellar) -> None:
    """The longest name that a message may bring can be tied to a batch."""
    longest = "s" * LONGEST_SENSOR
    assert is_sensor_name(longest)
    answer = visit.json("POST", f"{BATCH}/sensors", {"sensor": longest, "role": "other"})
    assert answer.status_code == 200
    assert busy.store.batches.get(SLUG).other_sensors == (longest,)


def test_not_json_is_refused(visit: Visit) -> None:
    """Bytes that are no JSON, and numbers that JSON does not know, are refused with 422."""
    for text in ("{", "[]", '{"reading_sg": NaN}', '{"reading_sg": 1e999}'):
        answer = visit.json("POST", f"{BATCH}/samples", None, **{"content-type": "application/json"})
        assert answer.status_code == 400
        sent = visit.raw("POST", f"{BATCH}/samples", text.encode())
        assert sent.status_code == 422, text


def test_a_batch_from_beginning_to_end(visit: Visit, busy: Cellar) -> None:
    """Started, changed, written down, shared, ended: every step by the API alone."""
    sheet = {
        "name": "Crab apple dry",
        "pitched_ms": busy.now_ms - MS_PER_DAY,
        "must": {"kind": "honey", "original_gravity_sg": 1.048, "volume_l": 12.0},
    }
    made = visit.json("POST", "/api/v1/batches", sheet)
    assert made.json()["slug"] == "crab-apple-dry"
    one = "/api/v1/batches/crab-apple-dry"
    changed = visit.json("PATCH", f"{one}/sheet", {"sample_ph": 3.4})
    assert changed.json()["sample_ph"] == 3.4
    assert changed.json()["must"]["volume_l"] == 12.0
    deed = {"kind": "racked", "done_ms": busy.now_ms - MS_PER_HOUR}
    assert visit.json("POST", f"{one}/journal", deed).status_code == 201
    assert [line["title"] for line in visit.json("GET", f"{one}/journal").json()] == ["Racked"]
    address = visit.json("POST", f"{one}/shares").json()["address"]
    assert visit.get(address).status_code == 200
    assert visit.json("POST", f"{one}/end").json()["ended_ms"] == busy.now_ms
    slugs = [batch["slug"] for batch in visit.json("GET", "/api/v1/batches").json()["batches"]]
    assert "crab-apple-dry" not in slugs


def test_a_sheet_that_was_changed_since_it_was_read_is_left_alone(visit: Visit, busy: Cellar) -> None:
    """If-Match (RFC 9110, 13.1.1): an old whole sheet does not open an ended batch again, and it is said."""
    address = f"/api/v1/batches/{SLUG}/sheet"
    read = visit.json("GET", address)
    busy.store.batches.end(SLUG, ended_ms=busy.now_ms, at_ms=busy.now_ms)
    refused = visit.json("PATCH", address, read.json(), **{"If-Match": read.headers["etag"]})
    assert refused.status_code == 412
    assert "changed since" in refused.json()["detail"]
    now = visit.json("GET", address)
    assert now.json()["ended_ms"] == busy.now_ms
    assert now.headers["etag"] != read.headers["etag"]
    for named in (f"{read.headers['etag']}, {now.headers['etag']}", "*"):
        changed = visit.json("PATCH", address, {"sample_ph": 3.5}, **{"If-Match": named})
        assert changed.status_code == 200
        assert changed.headers["etag"] == visit.json("GET", address).headers["etag"] != now.headers["etag"]


def test_batches_are_listed_a_page_at_a_time(visit: Visit, busy: Cellar) -> None:
    """Each comes once, from the youngest to the oldest, though one is started and one ended in between."""
    for number in range(5):
        sheet = Sheet(f"cider-{number}", f"Cider {number}", PITCHED_MS + number % 2)
        busy.store.batches.start(sheet, at_ms=PITCHED_MS)
    before = [one.slug for one in busy.store.batches.from_youngest(99, only_open=True)]
    pages: list[list[str]] = []
    address: str | None = "/api/v1/batches?limit=2"
    while address is not None:
        answer = visit.json("GET", address)
        pages.append([one["slug"] for one in answer.json()["batches"]])
        address = answer.json()["next"]
        assert answer.headers.get("link") == (None if address is None else f'<{address}>; rel="next"')
        if len(pages) == 1:
            busy.store.batches.start(Sheet("sloe", "Sloe", busy.now_ms), at_ms=busy.now_ms)
            busy.store.batches.end(before[1], ended_ms=busy.now_ms, at_ms=busy.now_ms)
    assert [len(page) for page in pages] == [2, 2, 2, 1]
    # within a page those come first that need somebody
    assert [sorted(page) for page in pages] == [sorted(before[at : at + 2]) for at in range(0, 7, 2)]


def test_a_caller_that_asks_for_no_page_gets_the_first(visit: Visit, busy: Cellar) -> None:
    """A hundred, and the address of the rest; what was asked besides stands in it."""
    for number in range(100):
        busy.store.batches.start(Sheet(f"cider-{number}", f"Cider {number}", PITCHED_MS), at_ms=PITCHED_MS)
    first = visit.json("GET", "/api/v1/batches?state=all").json()
    assert len(first["batches"]) == 100
    assert "state=all" in first["next"]
    rest = visit.json("GET", first["next"]).json()
    assert (len(rest["batches"]), rest["next"]) == (2, None)
    assert len(visit.json("GET", "/api/v1/batches?limit=500").json()["batches"]) == 102


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("after=plum", 400),
        ("after=", 400),
        ("limit=0", 422),
        ("limit=501", 422),
        ("limit=-1", 422),
        ("limit=--1", 422),
        ("limit=ten", 422),
    ],
)
def test_a_page_that_cannot_be_is_a_problem(visit: Visit, query: str, status: int) -> None:
    """The problem names the parameter, and what to do."""
    answer = visit.json("GET", f"/api/v1/batches?{query}")
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"].startswith(query.split("=")[0])


def test_the_pages_of_the_list_are_in_the_document(described: dict[str, object]) -> None:
    """The limits of `limit`, the cursor and the header that leads on."""
    paths = described["paths"]
    assert isinstance(paths, dict)
    listing = paths["/api/v1/batches"]["get"]
    schemas = {one["name"]: one["schema"] for one in listing["parameters"]}
    assert schemas["limit"] == {"type": "integer", "minimum": 1, "maximum": 500, "default": 100}
    assert schemas["after"] == {"type": "string"}
    assert "Link" in listing["responses"]["200"]["headers"]


def test_an_alert_is_acknowledged(visit: Visit, busy: Cellar) -> None:
    """The answer says when, and the list of alerts says so too."""
    busy.now_ms += 20 * MS_PER_DAY
    busy.judge(SLUG)
    number = visit.json("GET", "/api/v1/alerts").json()[0]["number"]
    answer = visit.json("POST", f"/api/v1/alerts/{number}/acknowledge")
    assert answer.json()["acknowledged_ms"] == busy.now_ms
    shown = {one["number"]: one["acknowledged_ms"] for one in visit.json("GET", "/api/v1/alerts").json()}
    assert shown[number] == busy.now_ms
    assert visit.json("POST", "/api/v1/alerts/9999/acknowledge").status_code == 404


def test_refused_messages_are_listed_and_thrown_away(visit: Visit, busy: Cellar) -> None:
    """Bytes come as base64 (RFC 4648); after throwing them away the counts stay."""
    busy.store.readings.commit([], refused=[Refused(busy.now_ms, "shed", b"\xff", "not-json", "no JSON")])
    (kept,) = visit.json("GET", "/api/v1/refused/messages").json()
    assert (kept["topic"], kept["payload_base64"]) == ("shed", "/w==")
    assert visit.json("DELETE", "/api/v1/refused").status_code == 204
    assert visit.json("GET", "/api/v1/refused/messages").json() == []
    assert [one["count"] for one in visit.json("GET", "/api/v1/refused").json()] == [1]


def test_the_plan_rests_on_what_was_judged(visit: Visit, busy: Cellar) -> None:
    """One reading is not the temperature of a must: page and API plan with the same as a notice does."""
    at_ms = busy.now_ms + 1
    busy.store.readings.commit([Reading(f"float-{SLUG}", Quantity.TEMPERATURE, at_ms, 5.0, at_ms)])
    evidence = busy.snapshots()[SLUG].evidence
    plan = plan_of(busy.store, busy.store.batches.get(SLUG), evidence, busy.now_ms)
    assert any(one.value == pytest.approx(evidence.temperature_c) for one in plan.facts)
    answer = visit.json("GET", f"{BATCH}/plan").json()
    assert [one["value"] for one in answer["facts"]] == [one.value for one in plan.facts]


def test_a_sample_far_off_the_float_is_doubted_as_on_the_page(visit: Visit, busy: Cellar) -> None:
    """Both are kept: of one near the float nothing is said, of one far off it what the page says."""
    float_sg = busy.snapshots()[SLUG].evidence.shown_points / POINTS_PER_SG + 1.0
    for reading_sg, doubted in ((float_sg + 0.001, False), (float_sg + 0.07, True)):
        busy.now_ms += MS_PER_HOUR
        answer = visit.json("POST", f"{BATCH}/samples", {"reading_sg": reading_sg})
        assert answer.status_code == 201
        doubt = answer.json()["doubt"]
        assert bool(doubt) is doubted
        kept_sg = busy.store.readings.read([f"hand.{SLUG}"]).value[-1]
        assert kept_sg == answer.json()["value"] == pytest.approx(reading_sg, abs=1e-4)
    off = re.fullmatch(
        r"That is (\d+) points above what the float reads: measure again, or take it back\.", doubt
    )
    assert off is not None
    # the first sample has moved what the float is taken to read by a point at the most
    assert int(off[1]) == pytest.approx(70, abs=2)


def test_thresholds_are_tried(visit: Visit) -> None:
    """What is told now and what would be told come beside each other."""
    answer = visit.json("POST", f"{BATCH}/tune", {"thresholds": {"finished_dwell": 2}})
    assert set(answer.json()) == {"present", "other"}
    assert answer.json()["present"]["snapshot"]["phase"]


def test_numbers_that_are_unknown_are_null(visit: Visit) -> None:
    """JSON knows no NaN (RFC 8259): what is not known is null, wherever it stands."""
    text = visit.json("POST", f"{BATCH}/tune", {"thresholds": {}}).text

    def refuse(name: str) -> None:
        raise AssertionError(name)

    json.loads(text, parse_constant=refuse)
    assert "null" in text


def test_a_calibration_is_tried_and_kept(visit: Visit, busy: Cellar) -> None:
    """Trying keeps nothing; keeping tells the daemon; pairs that make no curve are refused."""
    one = "/api/v1/sensors/float-hedgerow-session/calibrations"
    pairs = [
        {"angle_deg": a, "gravity_sg": g} for a, g in ((25.0, 1.0), (40.0, 1.03), (52.0, 1.06), (61.0, 1.09))
    ]
    assert visit.json("POST", f"{one}/try", {"pairs": pairs}).status_code == 200
    assert busy.store.calibrations.listed() == []
    kept = visit.json("POST", one, {"pairs": pairs, "valid_from_ms": busy.now_ms})
    assert kept.status_code == 201
    assert [c["valid_from_ms"] for c in visit.json("GET", one).json()] == [busy.now_ms]
    assert busy.changes[-1] == ""
    assert visit.json("POST", one, {"pairs": pairs[:2]}).status_code == 422
    assert visit.json("POST", "/api/v1/sensors/none/calibrations", {"pairs": pairs}).status_code == 404


def test_a_line_of_the_journal_is_taken_back(visit: Visit) -> None:
    """It is named by its number, answers with when, and is listed with all from then on; twice is 404."""
    visit.json("POST", f"{BATCH}/journal", {"kind": "sweetened"})
    visit.json("POST", f"{BATCH}/samples", {"reading_sg": 1.1})
    before = visit.json("GET", f"{BATCH}/journal").json()
    assert [one["struck_ms"] for one in before] == [None, None]
    for one in before:
        struck = visit.json("DELETE", f"{BATCH}/journal/{one['number']}")
        assert struck.json() == {**one, "struck_ms": struck.json()["struck_ms"], "doubt": ""}
        assert struck.json()["struck_ms"] is not None
        again = visit.json("DELETE", f"{BATCH}/journal/{one['number']}")
        assert again.status_code == 404
        assert "taken back already" in again.json()["detail"]
    assert visit.json("GET", f"{BATCH}/journal").json() == []
    every = visit.json("GET", f"{BATCH}/journal?state=all").json()
    assert [one["number"] for one in every] == [one["number"] for one in before]
    assert visit.json("GET", f"{BATCH}/chart").json()["samples"]["time_ms"] == []
