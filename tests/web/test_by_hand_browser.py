"""In a real browser: a batch by hand samples alone, and a table that is wider than a phone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from monitor.batch.journal import hand_sample
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity
from monitor.web.app import create_app
from monitor.web.options import WebSettings
from monitor.web.server import WebServer, serve

from .rooms import PITCHED_MS, Cellar, Reading, a_sheet

pytestmark = pytest.mark.browser

DRAWN_MS = 20_000


@pytest.fixture
def server() -> Iterator[WebServer]:
    """The page of a cellar with one batch by hand and one stray float."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        cellar = Cellar(store, now_ms=PITCHED_MS + 4 * MS_PER_DAY)
        sheet = a_sheet("by-hand", gravity_sensor=None, temperature_sensor=None)
        store.batches.start(sheet, at_ms=PITCHED_MS)
        for day, gravity in enumerate((1.050, 1.030, 1.012)):
            at_ms = PITCHED_MS + day * MS_PER_DAY
            sample = hand_sample(sheet, gravity_sg=gravity, time_ms=at_ms, received_ms=at_ms)
            store.readings.record_sample("by-hand", sample)
        told_ms = cellar.now_ms - MS_PER_MINUTE
        store.readings.commit([Reading("stray-float-one", Quantity.ANGLE, told_ms, 41.0, told_ms)])
        cellar.judge("by-hand")
        started = serve(create_app(cellar.ports(), WebSettings()), cellar.broadcast, "127.0.0.1", 0)
        started.start()
        yield started
        started.stop()


def test_the_chart_shows_only_what_a_batch_by_hand_has(browser: Browser, server: WebServer) -> None:
    """No panel of temperature, and a key without readings, level and temperature."""
    page = browser.new_page(base_url=server.address, viewport={"width": 1280, "height": 900})
    page.goto("/batches/by-hand")
    expect(page.locator("#chart")).to_have_attribute("data-drawn", "1", timeout=DRAWN_MS)
    shown = page.locator(".key li:visible").evaluate_all("all => all.map((one) => one.dataset.key)")
    assert "samples" in shown
    assert not {"raw", "level", "temperature"} & {*shown}
    assert page.evaluate("Bokeh.documents.at(-1).roots()[0].children.length") == 1
    page.close()


def test_a_table_wider_than_a_phone_says_that_it_goes_on(browser: Browser, server: WebServer) -> None:
    """At its cut edge lies a shade, which goes once the table is moved to its end."""
    page = browser.new_page(base_url=server.address, viewport={"width": 390, "height": 800})
    page.goto("/setup")
    table = page.locator("#all")
    assert table.evaluate("one => one.scrollWidth > one.clientWidth")
    attached = table.evaluate("one => getComputedStyle(one).backgroundAttachment")
    assert [one.strip() for one in attached.split(",")] == ["local", "local", "scroll", "scroll"]
    cut = table.screenshot()
    table.evaluate("one => { one.style.background = 'none'; }")
    assert table.screenshot() != cut
    page.close()
