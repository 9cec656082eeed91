"""First and later view of a batch with 20,000 readings in headless Chromium: time to a chart, and bytes.

Run: python tests/bench/bench_page.py
"""

from __future__ import annotations

import math
import shutil
import statistics

import numpy as np
from playwright.sync_api import BrowserContext, sync_playwright

from monitor.batch.sheet import Sheet
from monitor.ferment.event import Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must, MustKind, Yeast
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity
from monitor.web.app import create_app
from monitor.web.options import WebSettings
from monitor.web.ports import Ports
from monitor.web.server import serve
from monitor.web.stream import Broadcast

READINGS = 20_000
PITCHED_MS = 1_772_000_000_000
ROUNDS = 5
ARGUMENTS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)


def a_sheet() -> Sheet:
    """A session mead of ours."""
    return Sheet(
        slug="bench",
        name="Bench",
        pitched_ms=PITCHED_MS,
        must=Must(MustKind.HONEY, original_gravity_sg=1.050, volume_l=18.0),
        yeast=Yeast(temperature_c=(15.0, 24.0)),
        gravity_sensor="float",
        temperature_sensor="float",
    )


def readings() -> list[Reading]:
    """20,000 readings: gravity and temperature, every two minutes for a fortnight."""
    rng = np.random.default_rng(1)
    found = []
    for step in range(READINGS // 2):
        at_ms = PITCHED_MS + step * 2 * MS_PER_MINUTE
        day = step * 2 / 1_440
        gravity = 0.998 + 0.052 * math.exp(-(max(0.0, day - 0.5) ** 1.3) / 2.2) + rng.normal(0.0, 0.0005)
        found.append(Reading("float", Quantity.GRAVITY, at_ms, gravity, at_ms))
        found.append(Reading("float", Quantity.TEMPERATURE, at_ms, 19.0 + math.sin(6.28 * day), at_ms))
    return found


def visit(context: BrowserContext, address: str) -> tuple[float, int]:
    """Milliseconds from the request to a drawn chart, and bytes that came over the wire."""
    page = context.new_page()
    wire = context.new_cdp_session(page)
    received: list[int] = []
    wire.on("Network.loadingFinished", lambda event: received.append(int(event["encodedDataLength"])))
    wire.send("Network.enable")
    page.goto(address)
    page.wait_for_selector("#chart[data-drawn]")
    drawn = page.evaluate("performance.getEntriesByName('chart-drawn')[0].startTime")
    page.close()
    return float(drawn), sum(received)


def main() -> None:
    """Print the figures as a table."""
    sheet, arrived = a_sheet(), readings()
    now_ms = PITCHED_MS + 14 * MS_PER_DAY
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(sheet, at_ms=PITCHED_MS)
        store.readings.commit(arrived)
        pipeline = Pipeline(sheet.premise())
        for event in (*arrived, Tick(now_ms)):
            pipeline.step(event)
        broadcast = Broadcast()
        ports = Ports(store, lambda: now_ms, broadcast, lambda: {"bench": pipeline.snapshot})
        server = serve(create_app(ports, WebSettings()), broadcast, "127.0.0.1", 0)
        server.start()
        first, later, first_bytes, later_bytes = [], [], 0, 0
        with sync_playwright() as playwright:
            program = shutil.which("chromium") or "chromium"
            browser = playwright.chromium.launch(executable_path=program, args=list(ARGUMENTS))
            for _ in range(ROUNDS):
                context = browser.new_context(viewport={"width": 1280, "height": 900})
                took, first_bytes = visit(context, f"{server.address}/batches/bench")
                first.append(took)
                took, later_bytes = visit(context, f"{server.address}/batches/bench")
                later.append(took)
                context.close()
            browser.close()
        server.stop()
    print(f"{READINGS} readings | chart usable, ms (median, worst of {ROUNDS}) | bytes over the wire")
    print("--- | --- | ---")
    print(f"first view | {statistics.median(first):.0f}, {max(first):.0f} | {first_bytes}")
    print(f"later view | {statistics.median(later):.0f}, {max(later):.0f} | {later_bytes}")


if __name__ == "__main__":
    main()
