"""The pages as a reader without script sees them, and the forms on them."""

from __future__ import annotations

import html
import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path

import pytest

from monitor.errors import StoreUnavailableError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.replay.recording import read
from monitor.store.values import Refused
from monitor.units import MS_PER_DAY, Quantity, ms_from_rfc3339
from monitor.web.app import create_app
from monitor.web.metrics import ChannelVitals, Vitals
from monitor.web.options import UnitSystem, WebSettings
from monitor.web.ports import TriedNotice

from .rooms import Cellar, Visit, a_sheet, readings_of, words_of

SLUG = "hedgerow-session"
BATCH = f"/batches/{SLUG}"
PAGES = (
    "/",
    BATCH,
    f"{BATCH}/report",
    f"{BATCH}/sheet",
    f"{BATCH}/tune",
    "/alerts",
    "/compare",
    "/records",
    "/setup",
)


class Outline(HTMLParser):
    """Ids, headings and labelled fields of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.headings: list[int] = []
        self.open: list[str] = []
        self.bare_fields: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note what matters."""
        values = dict(attrs)
        if values.get("id"):
            self.ids.append(values["id"] or "")
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if (
            tag in ("input", "select", "textarea")
            and values.get("type") != "hidden"
            and "label" not in self.open
        ):
            self.bare_fields.append(values.get("name") or tag)
        if tag == "label":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """A label ends."""
        if tag == "label":
            self.open.remove(tag)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_sound(visit: Visit, path: str) -> None:
    """One main heading, no level skipped, ids used once, every field with its label."""
    answer = visit.get(path)
    assert answer.status_code == 200
    outline = Outline(answer.text)
    assert outline.headings.count(1) == 1
    assert all(
        after - before <= 1 for before, after in zip(outline.headings, outline.headings[1:], strict=False)
    )
    assert len(outline.ids) == len(set(outline.ids))
    assert outline.bare_fields == []
    assert "nan" not in words_of(answer.text).lower().split()
    assert "None" not in words_of(answer.text).split()


def test_all_batches_at_a_glance(visit: Visit, busy: Cellar) -> None:
    """Each batch with phase, gravity, fall, alcohol, temperature and range, and what is due."""
    said = words_of(visit.get("/").text)
    assert "Hedgerow session" in said
    assert "Slowing" in said
    assert re.search(r"falling \d+\.\d points a day", said)
    assert re.search(r"\d\.\d % by volume so far", said)
    assert "within the yeast’s 15 to 24 °C" in said
    assert "Give nutrient" in said


def test_an_empty_cellar_says_what_to_do(cellar: Cellar, visiting: Callable[..., Visit]) -> None:
    """Without a batch the page leads to setting one up."""
    visitor = visiting(create_app(cellar.ports(), WebSettings()))
    assert "start a batch" in words_of(visitor.get("/").text)
    for path in ("/alerts", "/compare", "/records", "/setup"):
        assert visitor.get(path).status_code == 200


def test_what_carboyd_itself_lacks_is_said_first(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """A broker that is away and a channel that refuses stand above the batches; else nothing is said."""
    channels = {"phone": ChannelVitals(3, 0, False), "mail": ChannelVitals(0, 4, True)}
    deaf = replace(busy.ports(), vitals=lambda: Vitals(connected=False, channels=channels))
    said = words_of(visiting(create_app(deaf, WebSettings())).get("/").text)
    assert "The broker is away: no reading comes in." in said
    assert "Notices do not get through to mail." in said
    assert "to phone" not in said
    well = words_of(visiting(create_app(busy.ports(), WebSettings())).get("/").text)
    assert "away" not in well


def test_times_are_utc_for_machines_and_local_for_people(visit: Visit) -> None:
    """A reading of 06:13 UTC in late February is shown at 06:13 in Dublin; the attribute holds UTC."""
    text = visit.get(BATCH).text
    moments = re.findall(r'<time datetime="([^"]+)" data-as=', text)
    assert len(moments) >= 3
    assert all(ms_from_rfc3339(moment) for moment in moments)
    assert all(moment.endswith("Z") for moment in moments)
    assert "Wed 25 Feb" in words_of(text)


def test_us_units_are_remembered(visit: Visit) -> None:
    """After the button everything speaks °F and gallons; forms understand them too."""
    visit.post("/units", {"units": "us", "next": BATCH})
    said = words_of(visit.get(BATCH).text)
    assert "59 to 75.2 °F" in said
    assert "US gal" in said
    assert not re.search(r"\d °C", said[: said.index("Gravity and temperature")])
    visit.post(f"{BATCH}/sample", {"reading_sg": "1.020", "sample_temperature": "68"})
    assert "Hand sample 1.0200" in words_of(visit.get(BATCH).text)


def test_the_setting_gives_the_units(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """A reader who chose nothing gets the configured units."""
    visitor = visiting(create_app(busy.ports(), WebSettings(units=UnitSystem.US)))
    assert "°F" in words_of(visitor.get("/").text)


def test_a_hand_sample_is_written_down(visit: Visit, busy: Cellar) -> None:
    """With a decimal comma as well as a point; the page goes back to the batch and says what was done."""
    answer = visit.post(f"{BATCH}/sample", {"reading_sg": "1,0215", "sample_temperature": "20", "taken": ""})
    assert answer.headers["location"] == BATCH
    assert "Hand sample 1.0215 is written down." in words_of(visit.get(BATCH).text)
    assert "is written down." not in words_of(visit.get(BATCH).text)
    assert busy.store.readings.read(["hand." + SLUG]).time_ms[-1] == busy.now_ms


def test_a_sample_is_corrected_for_its_hydrometer_and_doubted_where_it_is_far_off(
    visit: Visit, busy: Cellar
) -> None:
    """Made for 15.56 and read at 15.56 there is nearly nothing to correct; far off the float it is said."""
    form = {"reading_sg": "1.090", "sample_temperature": "15.56", "calibrated_at": "15.56", "taken": ""}
    visit.post(f"{BATCH}/sample", form)
    assert "points above what the float reads: measure again" in words_of(visit.get(BATCH).text)
    assert busy.store.readings.read(["hand." + SLUG]).value[-1] == pytest.approx(1.090, abs=5e-4)


def test_a_moment_is_local_without_script_and_utc_with_it(visit: Visit, busy: Cellar) -> None:
    """Without script a time is the server's zone; with it the exact UTC moment wins."""
    plain = {"kind": "racked", "done": "2026-02-27T10:00"}
    visit.post(f"{BATCH}/journal", plain)
    visit.post(f"{BATCH}/journal", {**plain, "done_utc": "2026-02-27T09:30:00.000Z"})
    done = [entry.done_ms for entry in busy.store.batches.journal(SLUG)]
    assert done == [ms_from_rfc3339("2026-02-27T10:00:00Z"), ms_from_rfc3339("2026-02-27T09:30:00Z")]


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("sample", {"reading_sg": "ten"}, "hydrometer reading"),
        ("sample", {}, "hydrometer reading is missing"),
        ("sample", {"reading_sg": "1.02", "taken": "yesterday"}, "a date and a time"),
        ("sample", {"reading_sg": "1.02", "taken_utc": "noon"}, "a time in UTC"),
        ("journal", {"kind": "decanted"}, "what was done"),
        ("tasting", {"words": "fine"}, "a tasting needs a score"),
        ("tasting", {"sweetness": "2.5"}, "a whole number"),
        ("sheet", {"name": "x", "yeast_low": "10"}, "both its lowest and its highest"),
        ("sheet", {"name": "x", "original_gravity": "2"}, "original gravity"),
    ],
)
def test_a_wrong_field_is_named(
    visit: Visit, busy: Cellar, path: str, fields: dict[str, str], said: str
) -> None:
    """The page that answers says which field is wrong and what is allowed; nothing is changed."""
    before = busy.store.changes.position()
    answer = visit.post(f"{BATCH}/{path}", fields)
    assert answer.status_code == 422
    assert said.lower() in words_of(answer.text).lower()
    assert busy.store.changes.position() == before


def test_a_batch_is_started_from_the_form(visit: Visit, busy: Cellar) -> None:
    """Name, must, yeast and sensors land on the sheet; an unknown zone of time does not matter."""
    fields = {"name": "Elder and lemon", "pitched": "2026-02-28T20:00", "must_kind": "honey"}
    fields |= {"original_gravity": "1,046", "volume": "10", "yeast_low": "14", "yeast_high": "22"}
    fields |= {"gravity_sensor": "float-new", "recipe": "1.2 kg"}
    answer = visit.post("/setup/batches", fields)
    assert answer.headers["location"] == "/batches/elder-and-lemon"
    sheet = busy.store.batches.get("elder-and-lemon")
    assert sheet.must.original_gravity_sg == 1.046
    assert sheet.yeast.temperature_c == (14.0, 22.0)
    assert sheet.pitched_ms == ms_from_rfc3339("2026-02-28T20:00:00Z")
    again = visit.post("/setup/batches", fields)
    assert again.status_code == 422


def test_a_sheet_comes_back_as_it_was(visit: Visit, busy: Cellar) -> None:
    """Sending the sheet's form unchanged changes nothing of the sheet."""
    before = busy.store.batches.get(SLUG)
    text = visit.get(f"{BATCH}/sheet").text
    form = text[text.index(f'action="{BATCH}/sheet"') :]
    fields = {m[1]: html.unescape(m[2]) for m in re.finditer(r'<input name="(\w+)" value="([^"]*)"', form)}
    chosen = re.findall(r'<select name="(\w+)">.*?<option[^>]* selected>([^<]+)', form, flags=re.S)
    recipe = re.search(r"<textarea[^>]*>([^<]*)", form)
    assert recipe is not None
    visit.post(f"{BATCH}/sheet", {**fields, **dict(chosen), "recipe": html.unescape(recipe[1])})
    assert busy.store.batches.get(SLUG) == before


def test_alerts_are_seen_and_hushed(visit: Visit, busy: Cellar) -> None:
    """One button says it was seen, the other keeps quiet; both show at once and can be undone."""
    busy.now_ms += 20 * MS_PER_DAY
    busy.judge(SLUG)
    number = busy.store.alerts.listed(batch=SLUG, only_firing=True)[0].id
    assert "needs you" in words_of(visit.get("/").text)
    visit.post(f"/alerts/{number}/acknowledge", {"next": BATCH})
    assert busy.store.alerts.get(number).acknowledged_ms == busy.now_ms
    assert "; told again only if it changes" in words_of(visit.get(BATCH).text)
    visit.post("/silences", {"batch": "plum-batch", "kind": "", "hours": "8"})
    assert "Everything, Plum batch, until" in words_of(visit.get("/alerts").text)
    (silence,) = busy.store.alerts.silences(busy.now_ms)
    visit.post(f"/silences/{silence.id}/lift", {})
    assert busy.store.alerts.silences(busy.now_ms) == []


def test_every_page_says_how_many_alerts_wait(visit: Visit, busy: Cellar) -> None:
    """Not only those of the batch that is looked at; what was seen or hushed does not count."""
    for slug, kind in (("plum-batch", AlertKind.STALLED), ("hedgerow-session", AlertKind.TEMPERATURE_HIGH)):
        change = AlertChange(
            busy.now_ms, kind, AlertState.FIRING, busy.now_ms, Severity.ACT, "Too warm: 30.0 degC."
        )
        stored = busy.store.alerts.record(slug, change, now_ms=busy.now_ms)
    count = re.compile(r'id="waiting"[^>]*>(\d+)<')
    for path in ("/", BATCH, "/alerts", "/compare", "/records", "/setup", f"{BATCH}/tune"):
        assert count.findall(visit.get(path).text) == ["2"], path
    assert stored is not None
    busy.store.alerts.acknowledge(stored.id, at_ms=busy.now_ms)
    assert count.findall(visit.get("/setup").text) == ["1"]
    assert "86.0\u00a0°F" in visit.get("/alerts?units=us").text


def test_a_shared_link_shows_one_batch_and_changes_nothing(
    visit: Visit, busy: Cellar, visiting: Callable[..., Visit], app: object
) -> None:
    """A guest sees curve and journal, no form, no other batch; taken back the link leads nowhere."""
    page = visit.post(f"{BATCH}/shares", {}).text
    found = re.search(r'href="http://127\.0\.0\.1:8417(/shared/[^"]+)"', page)
    assert found is not None
    guest = visiting(create_app(busy.ports(), WebSettings(tokens=("t" * 24,))))
    text = guest.get(found[1]).text
    assert "Hedgerow session" in text
    assert "Plum" not in text
    assert "<form" not in text
    assert guest.get(f"{found[1]}/chart.json").json()["raw"]["time_ms"]
    assert guest.get(f"{found[1]}/chart.png").headers["content-type"] == "image/png"
    assert guest.get(BATCH).status_code == 303
    (share,) = busy.store.shares.listed(SLUG)
    visit.post(f"/shares/{share.id}/revoke", {})
    for path in ("", "/chart.json", "/chart.png", "/events"):
        assert guest.get(found[1] + path).status_code == 404


def test_a_recording_can_be_replayed(visit: Visit, busy: Cellar, tmp_path: Path) -> None:
    """The exported archive is a recording with every reading of the batch."""
    visit.post(f"{BATCH}/journal", {"kind": "nutrient", "note": "2 g"})
    packed = visit.get(f"{BATCH}/recording.zip")
    zipfile.ZipFile(BytesIO(packed.content)).extractall(tmp_path)
    recording = read(tmp_path / SLUG)
    kept = [one for one in readings_of(a_sheet(), 4.0) if one.quantity is Quantity.GRAVITY]
    found = [one for one in recording.readings() if one.quantity is Quantity.GRAVITY]
    assert [(one.time_ms, one.value) for one in found] == [(one.time_ms, one.value) for one in kept]
    assert [entry.note for entry in recording.journal] == ["2 g"]


def test_messages_that_could_not_be_read_are_shown(visit: Visit, busy: Cellar) -> None:
    """Counted on the first page, listed under setup as text whatever their bytes, thrown away on demand."""
    refused = Refused(busy.now_ms, "shed/float", b"\xff<b>", "not-json", "this is no JSON")
    busy.store.readings.commit([], refused=[refused])
    assert "1 message could not be read" in words_of(visit.get("/").text)
    text = visit.get("/setup").text
    assert "this is no JSON" in text
    assert "\\xff&lt;b&gt;" in text
    visit.post("/setup/quarantine/clear", {})
    assert busy.store.quarantine.listed() == []


def test_a_test_notice_says_what_became_of_it(visit: Visit, busy: Cellar) -> None:
    """Each channel is named with its answer; without a channel the page says where to add one."""
    assert "No channel is set up" in words_of(visit.post("/setup/test-notice", {}).text)
    busy.tests = [TriedNotice("phone"), TriedNotice("mail", "connection refused")]
    said = words_of(visit.post("/setup/test-notice", {}).text)
    assert "phone : accepted" in said
    assert "mail : not accepted: connection refused" in said


def test_an_unassigned_sensor_is_put_into_a_batch(visit: Visit, busy: Cellar) -> None:
    """A sensor that nobody named shows up and can be chosen."""
    stray = a_sheet("stray")
    busy.store.readings.commit(readings_of(stray, 0.1))
    assert "float-stray tells" in words_of(visit.get("/setup").text)
    visit.post("/setup/sensors", {"batch": "plum-batch", "sensor": "float-stray", "role": "other"})
    assert busy.store.batches.get("plum-batch").other_sensors == ("float-stray",)


def test_a_plan_with_the_batchs_own_numbers(visit: Visit, busy: Cellar) -> None:
    """The plan stands on the page with its cautions; without a volume the page says what is lacking."""
    said = words_of(visit.get(BATCH).text)
    assert "It has not finished." in said
    assert said.count("Caution,") >= 3
    us = visit.get(f"{BATCH}?units=us").text
    plan = us[us.index('id="plan-title"') : us.index('id="sensors-title"')]
    # hydrometers are made for 20 degC, 68 degF; figures keep the metric ones behind, sentences do not
    assert "read its gravity at 68\u00a0°F" in plan
    assert not re.search(r"[\d.]+\s°C(?!\))", plan)
    busy.store.batches.update(a_sheet(must=type(a_sheet().must)()), at_ms=busy.now_ms)
    assert "No plan without the volume of the batch" in words_of(visit.get(BATCH).text)


def test_days_of_the_table_are_dates(visit: Visit) -> None:
    """They are those of the page's zone and no moments, which a browser would tell in a zone of its own."""
    for path in (BATCH, f"{BATCH}/report"):
        assert '<th scope="row"><time datetime="2026-02-28">Sat 28 Feb</time></th>' in visit.get(path).text


def test_a_picture_for_readers_without_script(visit: Visit) -> None:
    """The picture is a PNG of the promised size (PNG specification: width and height at byte 16)."""
    picture = visit.get(f"{BATCH}/chart.png").content
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    assert (int.from_bytes(picture[16:20], "big"), int.from_bytes(picture[20:24], "big")) == (1100, 560)
    assert f'<noscript><img src="{BATCH}/chart.png' in visit.get(BATCH).text


@pytest.mark.parametrize(
    "query", ["from_ms=1", "from_ms=5&to_ms=5", "width=wide", "from_ms=0&to_ms=" + "9" * 20]
)
def test_a_senseless_part_of_a_chart_is_refused(visit: Visit, query: str) -> None:
    """A range that is none is a fault that is named."""
    assert visit.get(f"{BATCH}/chart.json?{query}", headers={"accept": "application/json"}).status_code == 422


def test_other_thresholds_change_nothing(visit: Visit, busy: Cellar) -> None:
    """The preview shows both tellings and keeps nothing."""
    before = busy.store.changes.position()
    said = words_of(visit.get(f"{BATCH}/tune?finished_dwell=1").text)
    assert "As it is set" in said
    assert "As you tried it" in said
    assert visit.get(f"{BATCH}/tune?finished_dwell=-1").status_code == 422
    assert busy.store.changes.position() == before


def test_a_store_that_is_away_is_said_so(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """A page says that the store cannot be reached, with 503, and shows nothing of the machine."""
    busy.store.close()

    class Away:
        """A part of a store that cannot be reached."""

        def __getattr__(self, name: str) -> object:
            raise StoreUnavailableError("the store cannot be reached", hint="try again soon")

    busy.store.batches = Away()  # type: ignore[assignment]
    visitor = visiting(create_app(busy.ports(), WebSettings()))
    answer = visitor.get("/")
    assert answer.status_code == 503
    assert "The store cannot be reached" in words_of(answer.text)
    assert visitor.json("GET", "/api/v1/batches").status_code == 503


def test_a_float_is_calibrated_step_by_step(visit: Visit, busy: Cellar) -> None:
    """Pairs gather on the page, the curve appears with three, and it is kept only at the end."""
    sensor = "float-hedgerow-session"
    pairs = ""
    for angle, gravity in ((25.0, 1.000), (41.0, 1.030), (52.0, 1.060), (60.0, 1.090)):
        fields = {
            "sensor": sensor,
            "pairs": pairs,
            "gravity": str(gravity),
            "angle": str(angle),
            "step": "add",
        }
        text = visit.post("/setup/calibrate", fields).text
        found = re.search(r"<textarea[^>]*>([^<]*)</textarea>", text)
        assert found is not None
        pairs = found[1]
    assert "A curve of degree" in text
    assert "data:image/png;base64," in text
    assert busy.store.calibrations.listed() == []
    visit.post("/setup/calibrate", {"sensor": sensor, "pairs": pairs, "step": "keep"})
    (kept,) = busy.store.calibrations.listed(sensor)
    assert len(kept.document["pairs"]) == 4
    assert (
        visit.post("/setup/calibrate", {"sensor": sensor, "pairs": "25.0, x", "step": "look"}).status_code
        == 422
    )
    assert visit.get("/setup/calibrate?sensor=none").status_code == 404
