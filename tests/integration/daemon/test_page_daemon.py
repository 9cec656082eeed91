"""The page of a running daemon in a real browser, with readings over a real broker."""

from __future__ import annotations

import json
import math
import re
import signal
import socket
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity

pytestmark = [pytest.mark.mosquitto, pytest.mark.browser]

LIVE_MS = 2_000
"""A new reading shows within this."""
PATIENCE_MS = 15_000


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page in a fresh profile."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, timezone_id="UTC")
    yield context.new_page()
    context.close()


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def pack(gravity_sg: float, at_s: float | None = None) -> bytes:
    """A float's message as SenML, of now or of a moment."""
    when = {} if at_s is None else {"t": round(at_s, 3)}
    return json.dumps(
        [
            {"bn": "float-1:", "n": "gravity", "u": "/", "v": round(gravity_sg, 5), **when},
            {"n": "temperature", "u": "Cel", "v": 18.5, **when},
        ]
    ).encode()


def history(now_s: float) -> list[bytes]:
    """Three days of a fall from 1.050, one message each half hour."""
    times = [now_s - 3 * 86_400 + step * 1_800 for step in range(1, 144)]
    return [pack(1.0 + 0.05 * math.exp(-(((at - times[0]) / 86_400) ** 1.5) / 4.0), at) for at in times]


def test_a_maker_follows_a_batch(mosquitto, publisher, workplace, carboyd, page):
    """A sensor is found, a batch started, readings show live, a sample moves the level and is taken back."""
    broker, port = mosquitto(), free_port()
    workplace.configure(broker)
    workplace.config.write_text(workplace.config.read_text().replace("port = 0", f"port = {port}"))
    daemon = carboyd()
    daemon.start()
    sensor = publisher(broker)
    sensor.send("carboyd/readings/float-1", pack(1.0321))
    base = f"http://127.0.0.1:{port}"

    page.goto(f"{base}/setup")
    expect(page.locator("#free")).to_contain_text("float-1 tells")
    form = page.locator("#start-form")
    form.get_by_label("Name").fill("Hawthorn session")
    form.get_by_label("Pitched").fill(time.strftime("%Y-%m-%dT%H:%M", time.gmtime(time.time() - 3 * 86_400)))
    form.get_by_label("Must of").select_option("honey")
    form.get_by_label("Original gravity").fill("1.050")
    form.get_by_label("Float in it").select_option("float-1")
    form.get_by_role("button", name="Start the batch").click()
    expect(page).to_have_url(f"{base}/batches/hawthorn-session")
    expect(page.locator("html[data-stream=open]")).to_be_attached()

    sensor.send("carboyd/readings/float-1", *history(time.time()))
    expect(page.locator("#gravity")).to_have_text(re.compile(r"1\.0[0-4]\d"), timeout=PATIENCE_MS)
    sensor.send("carboyd/readings/float-1", pack(1.0234))
    expect(page.locator("#last-reading")).to_have_text("last read 1.0234", timeout=LIVE_MS)

    before = float(page.locator("#gravity").inner_text().split()[-1])
    page.get_by_label("Hydrometer reads").fill(f"{before + 0.006:.3f}")
    page.get_by_role("button", name="Write down the sample").click()
    expect(page.locator("#journal")).to_contain_text("Hand sample")
    lifted = re.compile("|".join(f"{before + points / 1_000:.3f}" for points in range(2, 8)))
    expect(page.locator("#gravity")).to_have_text(lifted, timeout=PATIENCE_MS)

    # another process takes it back beside the daemon
    with workplace.store() as store:
        (line,) = store.notebook.listed("hawthorn-session")
        store.notebook.take_back("hawthorn-session", line.name, at_ms=int(time.time() * 1_000))
    page.reload()
    expect(page.locator("#journal li.struck")).to_contain_text("Taken back")
    fallen = re.compile("|".join(f"{before + points / 1_000:.3f}" for points in (-1, 0, 1)))
    expect(page.locator("#gravity")).to_have_text(fallen, timeout=PATIENCE_MS)

    daemon.end(signal.SIGKILL)
    expect(page.locator("html[data-stream=lost]")).to_be_attached(timeout=PATIENCE_MS)
    daemon.start()
    sensor.send("carboyd/readings/float-1", pack(1.0229))
    expect(page.locator("#last-reading")).to_have_text("last read 1.0229", timeout=2 * PATIENCE_MS)
    assert daemon.end() == 0


def test_an_alert_is_acknowledged_while_the_daemon_runs(mosquitto, workplace, carboyd, page):
    """What is seen on the page is seen in the store, and shows as such."""
    broker, port = mosquitto(), free_port()
    workplace.configure(broker)
    workplace.config.write_text(workplace.config.read_text().replace("port = 0", f"port = {port}"))
    daemon = carboyd()
    daemon.start()
    base, now_ms = f"http://127.0.0.1:{port}", int(time.time() * 1_000)
    page.goto(f"{base}/setup")
    page.locator("#start-form").get_by_label("Name").fill("Hawthorn session")
    page.get_by_role("button", name="Start the batch").click()
    said = AlertChange(
        now_ms, AlertKind.STALLED, AlertState.FIRING, now_ms, Severity.ACT, "Stalled: has stopped."
    )
    with workplace.store() as store:
        number = store.alerts.record("hawthorn-session", said, now_ms=now_ms).id
        page.goto(f"{base}/alerts")
        page.get_by_role("button", name="I have seen it").click()
        expect(page.locator("#bells")).to_contain_text("told again only if it changes")
        assert store.alerts.get(number).acknowledged_ms >= now_ms
    assert daemon.end() == 0
