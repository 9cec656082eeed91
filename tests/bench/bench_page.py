"""First and later view of a batch with 20,000 readings of a running daemon in headless Chromium.

Run: python tests/bench/bench_page.py
"""

from __future__ import annotations

import math
import shutil
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from playwright.sync_api import BrowserContext, sync_playwright

from monitor.batch.sheet import Sheet
from monitor.ferment.event import Reading
from monitor.ferment.premise import Must, MustKind, Yeast
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity

READINGS = 20_000
PITCHED_MS = round(time.time() * 1_000) - 14 * MS_PER_DAY
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


def free_ports() -> tuple[int, int]:
    """Two ports that nobody listens on."""
    with socket.socket() as one, socket.socket() as other:
        for probe in (one, other):
            probe.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1]), int(other.getsockname()[1])


@contextmanager
def running(folder: Path) -> Iterator[str]:
    """`carboyd run` in a process of its own on a store that holds the readings; the page's address."""
    store_url, (port, broker_port) = f"sqlite:///{folder}/carboyd.sqlite", free_ports()
    with SqlStore(StoreOptions(store_url)) as store:
        store.batches.start(a_sheet(), at_ms=PITCHED_MS)
        store.readings.commit(readings())
    config = folder / "carboyd.toml"
    config.write_text(
        f'[mqtt]\nport = {broker_port}\n[web]\nport = {port}\n[store]\nurl = "{store_url}"\n', "utf-8"
    )
    command = [sys.executable, "-m", "monitor", "run", "--config", str(config)]
    daemon = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert daemon.stdout is not None
    for _ in range(5):  # what it says once everything runs
        daemon.stdout.readline()
    try:
        yield f"http://127.0.0.1:{port}/batches/bench"
    finally:
        daemon.terminate()
        daemon.wait(10)


def main() -> None:
    """Print the figures as a table."""
    first, later, first_bytes, later_bytes = [], [], 0, 0
    with TemporaryDirectory() as folder, running(Path(folder)) as address, sync_playwright() as playwright:
        program = shutil.which("chromium") or "chromium"
        browser = playwright.chromium.launch(executable_path=program, args=list(ARGUMENTS))
        for _ in range(ROUNDS):
            context = browser.new_context(viewport={"width": 1280, "height": 900})
            took, first_bytes = visit(context, address)
            first.append(took)
            took, later_bytes = visit(context, address)
            later.append(took)
            context.close()
        browser.close()
    print(f"{READINGS} readings | chart usable, ms (median, worst of {ROUNDS}) | bytes over the wire")
    print("--- | --- | ---")
    print(f"first view | {statistics.median(first):.0f}, {max(first):.0f} | {first_bytes}")
    print(f"later view | {statistics.median(later):.0f}, {max(later):.0f} | {later_bytes}")


if __name__ == "__main__":
    main()
