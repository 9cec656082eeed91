"""The page in a real browser: what is live, what can be done, what everybody can read."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from importlib.resources import files
from typing import Any

import argon2
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from monitor.batch.journal import entry, hand_sample
from monitor.ferment.event import JournalKind, Reading
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity
from monitor.web.actions import Actions
from monitor.web.app import create_app
from monitor.web.options import WebSettings
from monitor.web.server import WebServer, serve

from .rooms import PITCHED_MS, Cellar, a_sheet, readings_of

pytestmark = pytest.mark.browser

SLUG = "hedgerow-session"
FLOAT = f"float-{SLUG}"
BATCH = f"/batches/{SLUG}"
PASSWORD = "heather and bees"
PAGES = ("/", BATCH, *(f"{BATCH}/{leaf}" for leaf in ("report", "sheet", "tune")))
PAGES += ("/alerts", "/compare", "/records", "/setup")
LIVE_MS = 2_000
"""A change shows within this."""
DRAWN_MS = 20_000
"""Long enough for a busy machine to load and draw a chart; how fast it is the benchmarks tell."""

Open = Callable[..., Page]


@pytest.fixture
def cellar() -> Iterator[Cellar]:
    """Four days into a ferment, and a stray float that has told three angles."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        made = Cellar(store, now_ms=PITCHED_MS + 4 * MS_PER_DAY)
        sheet = a_sheet()
        made.add(sheet, readings_of(sheet, 4.0))
        made.store.readings.commit(
            [
                Reading("stray", Quantity.ANGLE, made.now_ms - n * MS_PER_MINUTE, 41.0 + n / 100, made.now_ms)
                for n in range(3)
            ]
        )
        yield made


@pytest.fixture
def server(cellar: Cellar) -> Iterator[WebServer]:
    """The page of that cellar on a free port."""
    started = serve(create_app(cellar.ports(), WebSettings()), cellar.broadcast, "127.0.0.1", 0)
    started.start()
    yield started
    started.stop()


@pytest.fixture
def opening(browser: Browser, server: WebServer) -> Iterator[Open]:
    """Opens pages in fresh profiles; at the end none of them may have complained on its console."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def open_page(path: str, address: str | None = None, *, live: bool = True, **options: Any) -> Page:
        given = {"viewport": {"width": 1280, "height": 900}, "timezone_id": "Europe/Dublin"}
        context = browser.new_context(base_url=address or server.address, **{**given, **options})
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(path)
        if live:
            expect(page.locator("html[data-stream=open]")).to_be_attached()
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert [text for text in complaints if "ERR_" not in text and "status of" not in text] == []


def a_reading(cellar: Cellar, value: float) -> None:
    """A new reading arrives, is stored and judged."""
    cellar.now_ms += 5 * MS_PER_MINUTE
    cellar.store.readings.commit([Reading(FLOAT, Quantity.GRAVITY, cellar.now_ms, value, cellar.now_ms)])
    cellar.judge(SLUG)


def silent_for_days(cellar: Cellar) -> None:
    """The float says nothing for twenty days, and an alert begins."""
    cellar.now_ms += 20 * MS_PER_DAY
    cellar.judge(SLUG)


def test_a_reading_appears_live(cellar: Cellar, opening: Open) -> None:
    """A reading that is stored shows on an open page within two seconds, and in its chart."""
    page = opening(BATCH)
    chart = page.locator("#chart")
    expect(chart).to_have_attribute("data-drawn", "1", timeout=DRAWN_MS)
    a_reading(cellar, 1.0123)
    expect(page.locator("#last-reading")).to_have_text("last read 1.0123", timeout=LIVE_MS)
    expect(chart).to_have_attribute("data-drawn", "2", timeout=DRAWN_MS)


def test_a_shared_page_is_live_too(cellar: Cellar, opening: Open) -> None:
    """Its stream names no batch, and what comes over it is of the one that is shown."""
    _, token = Actions(cellar.ports()).share(SLUG)
    page = opening(f"/shared/{token}")
    a_reading(cellar, 1.0123)
    expect(page.locator("#last-reading")).to_have_text("last read 1.0123", timeout=LIVE_MS)


def test_a_moved_threshold_is_told_at_once(opening: Open) -> None:
    """A slider moves its field, and what would have been said stands there without a button."""
    page = opening(f"{BATCH}/tune")
    expect(page.locator("#told section")).to_have_count(2, timeout=10_000)
    expect(page.locator("#told")).to_contain_text("These are the thresholds that are set.")
    page.locator("[data-knob=finished_dwell]").fill("1")
    expect(page.locator("[name=finished_dwell]")).to_have_value("1")
    expect(page.locator("#told")).not_to_contain_text("that are set", timeout=10_000)
    expect(page.locator("#told section")).to_have_count(2)
    page.locator("[name=finished_dwell]").fill("2")
    expect(page.locator("[data-knob=finished_dwell]")).to_have_value("2")
    expect(page).to_have_url(re.compile(r"finished_dwell=2(&|$)"), timeout=10_000)


def test_a_trial_behind_another_ones_comes_by_itself(server: WebServer, browser: Browser) -> None:
    """While somebody else's is worked out the page says so, and asks again when it may."""
    # a context of its own: what is answered is laid down before the page is opened
    with browser.new_context(base_url=server.address) as context:
        page = context.new_page()
        busy = {"status": 503, "headers": {"Retry-After": "1"}, "body": '<p class="reason">Just now.</p>'}
        page.route(re.compile(r"tune\?"), lambda route: route.fulfill(**busy))
        page.goto(f"{BATCH}/tune")
        expect(page.locator("#told")).to_have_text("Just now.", timeout=10_000)
        page.unroute(re.compile(r"tune\?"))
        expect(page.locator("#told section")).to_have_count(2, timeout=DRAWN_MS)


def test_a_page_heals_after_a_restart(cellar: Cellar, server: WebServer, opening: Open) -> None:
    """When the server comes back the page listens again and shows what it missed, without being touched."""
    page = opening(BATCH)
    port = int(server.address.rsplit(":", 1)[1])
    server.stop()
    expect(page.locator("html[data-stream=lost]")).to_be_attached()
    a_reading(cellar, 1.0117)
    again = serve(create_app(cellar.ports(), WebSettings()), cellar.broadcast, "127.0.0.1", port)
    again.start()
    try:
        expect(page.locator("#last-reading")).to_have_text("last read 1.0117", timeout=10_000)
    finally:
        page.close()
        again.stop()


def test_a_page_heals_after_sleep(cellar: Cellar, opening: Open) -> None:
    """A phone that slept is told nothing; when it wakes it asks for everything."""
    page = opening(BATCH)
    cellar.broadcast.close()  # the stream ends as it does under a sleeping phone
    cellar.store.readings.commit([Reading(FLOAT, Quantity.GRAVITY, cellar.now_ms + 1, 1.0101, cellar.now_ms)])
    cellar.broadcast.open()
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("#last-reading")).to_have_text("last read 1.0101", timeout=LIVE_MS)


def test_a_hand_sample_moves_the_level(cellar: Cellar, opening: Open) -> None:
    """A sample six points above the float lifts the big number, and stands in journal and chart."""
    page = opening(BATCH)
    before = float(page.locator("#gravity").inner_text().split()[-1])
    page.get_by_label("Hydrometer reads").fill(f"{before + 0.006:.3f}")
    page.get_by_role("button", name="Write down the sample").click()
    expect(page.get_by_role("status").filter(has_text="is written down")).to_be_visible()
    after = float(page.locator("#gravity").inner_text().split()[-1])
    assert after - before >= 0.003
    expect(page.locator("#journal")).to_contain_text(f"Hand sample {before + 0.006:.4f}")
    assert cellar.store.readings.read(["hand." + SLUG]).time_ms[-1] == cellar.now_ms


def test_a_mistake_is_taken_back_with_the_keyboard(cellar: Cellar, opening: Open) -> None:
    """The line is opened, asks once, and is struck through; an open question outlasts what comes in."""
    wrong = hand_sample(
        cellar.store.batches.get(SLUG), gravity_sg=1.1, time_ms=cellar.now_ms, received_ms=cellar.now_ms
    )
    cellar.store.readings.record_sample(SLUG, wrong)
    cellar.judge(SLUG)
    page = opening(BATCH)
    lifted = page.locator("#gravity").inner_text()
    journal = page.locator("#journal")
    journal.locator("summary").focus()
    page.keyboard.press("Enter")
    cellar.store.batches.write_down(
        SLUG, entry(JournalKind.RACKED, done_ms=cellar.now_ms - 1, at_ms=cellar.now_ms)
    )
    a_reading(cellar, 1.0123)
    expect(page.locator("#last-reading")).to_have_text("float last read 1.0123", timeout=LIVE_MS)
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name=re.compile("Take it back.*Hand sample"))).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").filter(has_text="is taken back")).to_be_visible()
    expect(journal.locator("li.struck s")).to_have_text("Hand sample 1.1000")
    expect(journal.locator("li.struck")).to_contain_text("Taken back")
    assert page.locator("#gravity").inner_text() != lifted
    rules = files("axe_playwright_python").joinpath("axe.min.js").read_text()
    page.evaluate(rules)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    assert [one["id"] for one in found["violations"]] == []


def test_an_alert_is_seen_on_every_page(cellar: Cellar, opening: Open) -> None:
    """One page says it was seen, another that is open shows so at once, and it asks no more."""
    silent_for_days(cellar)
    one, other = opening(BATCH), opening("/")
    expect(other.get_by_text("needs you").first).to_be_visible()
    while one.get_by_role("button", name="I have seen it").count():
        one.get_by_role("button", name="I have seen it").first.click()
        expect(one.get_by_role("status").filter(has_text="Seen:")).to_be_visible()
    expect(other.locator("#rack")).to_contain_text("seen", timeout=LIVE_MS)
    expect(other.locator("#rack").get_by_text("needs you")).to_have_count(0, timeout=LIVE_MS)
    assert all(alert.acknowledged_ms for alert in cellar.store.alerts.listed(only_firing=True))


def test_a_silence_holds_and_ends(cellar: Cellar, opening: Open) -> None:
    """Kept quiet for a day, an alert asks no more; after a day it asks again."""
    silent_for_days(cellar)
    page = opening("/alerts")
    count = page.get_by_role("button", name="Keep quiet about").count()
    assert count > 0
    for _ in range(count):
        bell = page.locator(".bell").filter(has=page.get_by_role("button", name="Keep quiet about")).first
        bell.get_by_label("Quiet for").select_option("24")
        bell.get_by_role("button", name="Keep quiet about").click()
        expect(page.get_by_role("status").filter(has_text="Quiet until")).to_be_visible()
    expect(page.get_by_role("heading", level=1)).to_have_text("All open alerts have been seen.")
    cellar.now_ms += 23 * MS_PER_HOUR
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("All open alerts have been seen.")
    cellar.now_ms += 2 * MS_PER_HOUR
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_contain_text("wait")


def test_sign_in_refuses_and_lets_in(cellar: Cellar, browser: Browser, opening: Open) -> None:
    """A wrong password stays outside; the right one leads to the page that was asked for."""
    hashed = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1).hash(PASSWORD)
    app = create_app(cellar.ports(), WebSettings(password_hash=hashed))
    locked = serve(app, cellar.broadcast, "127.0.0.1", 0)
    locked.start()
    try:
        page = opening(BATCH, locked.address, live=False)
        expect(page).to_have_title("Sign in · carboyd")
        page.get_by_label("Password").fill("heather and beans")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("alert")).to_contain_text("not the password")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page).to_have_url(locked.address + BATCH)
        expect(page.locator("html[data-stream=open]")).to_be_attached()
        page.get_by_role("button", name="Sign out").click()
        expect(page).to_have_title("Sign in · carboyd")
    finally:
        page.close()
        locked.stop()


def test_nothing_scrolls_sideways_on_a_phone(cellar: Cellar, opening: Open) -> None:
    """At 360 pixels every page fits, with a name that has no place to break and open alerts on it."""
    cellar.store.batches.update(a_sheet(name="Quincequincequincequincequincequincequince"), at_ms=0)
    silent_for_days(cellar)
    page = opening("/", viewport={"width": 360, "height": 740}, has_touch=True)
    for path in PAGES:
        page.goto(path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path


def test_what_was_typed_is_there_after_a_fault(opening: Open) -> None:
    """A sample that cannot be is refused in words; one step back it stands in its field, to be corrected."""
    page = opening(BATCH)
    page.locator("[name=reading_sg]").fill("1012")
    page.locator("#deed-form [name=note]").fill("fed, 10 g")
    page.get_by_role("button", name="Write down the sample").click()
    expect(page.locator("h1")).to_have_text("That could not be taken")
    expect(page.locator(".reason")).to_have_text("Sample gravity 1012 sg: 0.97 to 1.25 is possible.")
    page.go_back()
    expect(page.locator("[name=reading_sg]")).to_have_value("1012")
    expect(page.locator("#deed-form [name=note]")).to_have_value("fed, 10 g")


def test_a_fault_is_not_taken_for_an_outage(cellar: Cellar, opening: Open) -> None:
    """What a form was answered cannot be asked for again: the page stays as it is, and live."""
    page = opening(BATCH)
    page.locator("[name=reading_sg]").fill("1012")
    page.get_by_role("button", name="Write down the sample").click()
    expect(page.locator("html[data-stream=open]")).to_be_attached()
    with page.expect_response(lambda answer: answer.url.endswith("/sample") and answer.status in (404, 405)):
        cellar.broadcast.publish("alert", "change-9", {"batch": ""})
    page.wait_for_function("document.getElementById('live').textContent.startsWith('Live')")
    expect(page.locator("h1")).to_have_text("That could not be taken")


def test_the_small_curve_is_on_a_phone_too(cellar: Cellar, opening: Open) -> None:
    """At 360 pixels a batch's curve stands under its ruler, as wide; none without readings."""
    cellar.add(a_sheet("bare", gravity_sensor=None, temperature_sensor=None), [])
    page = opening("/", viewport={"width": 360, "height": 740})
    curve = page.locator(".small-curve")
    expect(curve).to_have_count(1)
    drawn, ruler = curve.bounding_box(), page.locator(f"li:has(a[href='{BATCH}']) .ruler").bounding_box()
    assert drawn is not None
    assert ruler is not None
    assert (drawn["x"], drawn["width"]) == (ruler["x"], ruler["width"])
    assert drawn["y"] >= ruler["y"] + ruler["height"]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 360)])
def test_axe_finds_nothing(cellar: Cellar, opening: Open, scheme: str, width: int) -> None:
    """axe-core finds no violation on any page, in light and dark, wide and narrow (WCAG 2.2 A and AA)."""
    silent_for_days(cellar)
    rules = files("axe_playwright_python").joinpath("axe.min.js").read_text()
    page = opening("/", viewport={"width": width, "height": 800}, color_scheme=scheme)
    for path in (*PAGES, "/setup/calibrate?sensor=stray", "/nowhere"):
        page.goto(path)
        for details in page.locator("details").all():
            details.evaluate("element => { element.open = true; }")
        page.evaluate(rules)
        found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
        said = [(one["id"], one["impact"], one["nodes"][0]["html"][:120]) for one in found["violations"]]
        assert said == [], path


def test_the_chart_is_read_by_keyboard(opening: Open) -> None:
    """The slider moves through time with arrow keys and tells what lies there."""
    page = opening(BATCH)
    expect(page.locator("#chart")).to_have_attribute("data-drawn", "1", timeout=DRAWN_MS)
    slider = page.get_by_label("Look at a moment")
    slider.focus()
    slider.press("Home")
    for _ in range(3):
        slider.press("PageUp")
    values = page.locator("#chart-values")
    expect(values).to_have_text(re.compile(r"level \d\.\d{4} · curve \d\.\d{4}.* · \d+\.\d °C"))
    assert slider.get_attribute("aria-valuetext") == values.inner_text()
    page.get_by_role("button", name="Last 2 days").click()
    expect(page.locator("#chart")).to_have_attribute("data-drawn", "2", timeout=DRAWN_MS)
    expect(page.get_by_role("button", name="Last 2 days")).to_have_attribute("aria-pressed", "true")


def test_labels_of_deeds_do_not_cover_each_other(cellar: Cellar, opening: Open) -> None:
    """On a phone three deeds of two hours share a label; looked at closer, each has its own."""
    for kind, minutes in ((JournalKind.NUTRIENT, 0), (JournalKind.RACKED, 55), (JournalKind.NUTRIENT, 110)):
        done_ms = cellar.now_ms - MS_PER_DAY + minutes * MS_PER_MINUTE
        cellar.store.batches.write_down(SLUG, entry(kind, done_ms=done_ms, at_ms=done_ms))
    cellar.judge(SLUG)
    page = opening(BATCH, viewport={"width": 360, "height": 740})
    expect(page.locator("#chart")).to_have_attribute("data-drawn", "1", timeout=DRAWN_MS)
    shown = """() => [...Bokeh.documents[0].roots()[0].references()]
        .filter((model) => model.type === "Label" && model.angle && model.visible)
        .map((model) => model.text)"""
    assert page.evaluate(shown) == ["Fed 2×, Racked"]
    page.get_by_role("button", name="Last 2 days").click()
    for _ in range(3):
        page.get_by_role("button", name="Closer").click()
    assert sorted(page.evaluate(shown)) == ["Fed", "Fed", "Racked"]


def test_a_gap_is_a_gap(cellar: Cellar, opening: Open) -> None:
    """After a day of silence the level's line is broken, not drawn down to zero; the last phase goes on."""
    later = a_sheet()
    cellar.now_ms += 2 * MS_PER_DAY
    cellar.store.readings.commit(
        [one for one in readings_of(later, 6.0) if one.time_ms > PITCHED_MS + 5 * MS_PER_DAY]
    )
    cellar.judge(SLUG)
    page = opening(BATCH)
    expect(page.locator("#chart")).to_have_attribute("data-drawn", "1", timeout=DRAWN_MS)
    drawn = page.evaluate(
        """() => [...Bokeh.documents[0].roots()[0].references()]
            .filter((model) => model.type === "ColumnDataSource" && "sg" in model.data)
            .map((model) => [...model.data.sg])"""
    )
    values = [value for line in drawn for value in line]
    assert any(value is None or value != value for value in values)  # NaN is what a glyph leaves out
    assert min(value for value in values if value is not None and value == value) > 0.98


def test_without_script_everything_can_be_read_and_done(cellar: Cellar, opening: Open) -> None:
    """The picture stands where the chart would, the table says the same, and a form works."""
    page = opening(BATCH, live=False, java_script_enabled=False)
    picture = page.locator("#chart img")
    expect(picture).to_be_visible()
    assert (picture.bounding_box() or {"height": 0})["height"] > 300
    page.get_by_text("The same as a table").click()
    expect(page.locator("#table tbody tr")).to_have_count(5)
    page.get_by_label("Hydrometer reads").fill("1.012")
    page.get_by_role("button", name="Write down the sample").click()
    expect(page.get_by_role("status").filter(has_text="is written down")).to_be_visible()
    assert len(cellar.store.readings.read(["hand." + SLUG])) == 1


def test_times_are_those_of_the_readers_zone(opening: Open) -> None:
    """A reader in Auckland sees the pitching on their own day; the attribute keeps UTC."""
    page = opening(f"{BATCH}/report", timezone_id="Pacific/Auckland")
    began = page.locator("time[datetime='2026-02-25T06:13:20Z']").first
    expect(began).to_contain_text("25 Feb")
    near = opening(f"{BATCH}/report", timezone_id="Pacific/Honolulu")
    expect(near.locator("time[datetime='2026-02-25T06:13:20Z']").first).to_contain_text("24 Feb")


def test_the_first_tab_leads_past_the_menu(opening: Open) -> None:
    """The first stop of the keyboard is the way to the content."""
    page = opening("/")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    assert page.url.endswith("#main")


def test_a_float_is_calibrated_on_the_page(cellar: Cellar, opening: Open) -> None:
    """Angles come from the float itself or are typed; the calibration is kept at the last step."""
    page = opening("/setup/calibrate?sensor=stray")
    expect(page.locator("#steady")).to_contain_text("41.01°")
    page.get_by_label("Gravity by a good hydrometer").fill("1.030")
    page.get_by_role("button", name="Add this pair").click()
    for angle, gravity in (("25", "1.000"), ("55", "1.070")):
        page.get_by_label("Gravity by a good hydrometer").fill(gravity)
        page.get_by_label("Angle, empty for the newest ones").fill(angle)
        page.get_by_role("button", name="Add this pair").click()
    expect(page.get_by_alt_text("The pairs and the curve through them")).to_be_visible()
    page.get_by_role("button", name="Keep this calibration").click()
    expect(page.get_by_role("status").filter(has_text="is kept")).to_be_visible()
    assert len(cellar.store.calibrations.listed("stray")) == 1
