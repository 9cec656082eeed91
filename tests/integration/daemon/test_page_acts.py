"""What a maker does on the page of a running daemon, behind its door, and what comes of it on their phone."""

from __future__ import annotations

import base64
import json
import socket
from collections.abc import Iterator
from importlib.resources import files

import argon2
import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.batch.sheet import Sheet
from monitor.ferment.premise import Must, MustKind, Yeast

pytestmark = [pytest.mark.mosquitto, pytest.mark.browser]

PASSWORD = "heather and bees"
PITCHED_S = 1_767_463_200
HOUR_S = 3_600
BATCH = "/batches/porch"
PAGES = ("/", BATCH, *(f"{BATCH}/{leaf}" for leaf in ("report", "sheet", "tune")))
PAGES += ("/alerts", "/compare", "/records", "/setup")
SHEET = Sheet(
    slug="porch",
    name="Porch",
    pitched_ms=PITCHED_S * 1_000,
    must=Must(MustKind.HONEY, original_gravity_sg=1.040, volume_l=18.0),
    yeast=Yeast((14.0, 24.0)),
    gravity_sensor="float-1",
    temperature_sensor="float-1",
)


def cold(hour: int) -> bytes:
    """A float's message of an hour after pitching: the liquid is far too cold."""
    time_s = PITCHED_S + hour * HOUR_S
    return json.dumps(
        [
            {"n": "float-1:density", "u": "kg/m3", "v": 1_038.0, "t": time_s},
            {"n": "float-1:temperature", "u": "Cel", "v": 4.0, "t": time_s},
        ]
    ).encode()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A phone in a fresh profile."""
    context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
    yield context.new_page()
    context.close()


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def sound(page: Page, base: str) -> None:
    """No page scrolls sideways on this phone, and axe-core finds no violation on any (WCAG 2.2 A and AA)."""
    rules = files("axe_playwright_python").joinpath("axe.min.js").read_text()
    for path in PAGES:
        page.goto(base + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path
        page.evaluate(rules)
        found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
        assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]] == [], path


def test_behind_the_door_a_silence_holds_and_ends(
    mosquitto, publisher, inside, until, receiver, browser, page
):
    """Sign-in refuses and lets in; a cold batch is told once, kept quiet for a day, told again after it."""
    receiver.open = True
    hashed = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1).hash(PASSWORD)
    port, broker = free_port(), mosquitto()
    daemon = inside(
        broker,
        PITCHED_S * 1_000,
        SHEET,
        web={"port": port, "password_hash": hashed},
        notify={
            "channels": [{"name": "hook", "url": receiver.url, "severities": ["act", "danger"]}],
            "group_minutes": 0,
            "repeat_hours": 24,
        },
    )
    sensor, base = publisher(broker), f"http://127.0.0.1:{port}"

    def pass_hours(first: int, last: int) -> None:
        for hour in range(first, last):
            daemon.clock.at_ms = (PITCHED_S + hour * HOUR_S) * 1_000 + 1
            sensor.send("carboyd/readings/float-1", cold(hour))
            until(lambda count=hour + 1: daemon.messages == count)
        daemon.courier.wake()

    pass_hours(0, 6)
    receiver.wait(lambda one: len(one.accepted) == 1)
    (picture,) = receiver.accepted[0]["attachments"]
    assert base64.b64decode(picture["base64"]).startswith(b"\x89PNG")

    page.goto(f"{base}/alerts")
    expect(page).to_have_title("Sign in · carboyd")
    page.get_by_label("Password").fill("heather and beans")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("not the password")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page).to_have_url(f"{base}/alerts")
    expect(page.locator("#bells")).to_contain_text("Too cold")
    sound(page, base)

    pass_hours(6, 8)
    page.goto(f"{base}/alerts")
    page.get_by_label("Quiet for").select_option("24")
    page.get_by_role("button", name="Keep quiet about").click()
    expect(page.get_by_role("status").filter(has_text="Quiet until")).to_be_visible()
    (silence,) = daemon.store.alerts.silences(daemon.clock.at_ms)
    pass_hours(8, 31)
    # the reminder fell due a day after the notice, and is put off to the end of the silence
    until(lambda: [one.due_ms for one in daemon.store.outbox.waiting()] == [silence.until_ms])
    assert [one["title"] for one in receiver.accepted] == ["Porch is too cold"]
    pass_hours(31, 33)
    receiver.wait(lambda one: len(one.accepted) == 2)
    assert receiver.accepted[1]["title"] == "Porch is too cold (reminder 1)"
