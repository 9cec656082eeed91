"""What a cellar of many vessels costs: restart, readings at their usual rate, the page meanwhile.

    python tests/bench/bench_scale.py [--vessels 10 100 1000 10000] [--minutes 3]

For each size a store is filled with open batches, a fortnight old, whose pipelines are put aside as
checkpoints, and with their readings of the last days. `carboyd run` is started on it, beside a real
Mosquitto; when it has opened every batch, simulated vessels send gravity and temperature every 15 minutes,
spread evenly, and the page is asked for now and then. CPU is that of the daemon alone, in per cent of one
core, at the hour's change and without. Afterwards the daemon is stopped and started once more.

Every vessel's pipeline is one that was really fed, with another sensor's name put into its pickle: making
ten thousand by feeding takes hours, which is what a restart without checkpoints would take; that is measured
on one vessel and multiplied.
"""

from __future__ import annotations

import argparse
import math
import os
import pickle
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
import zlib
from pathlib import Path

import numpy as np
from bench_ingest import client, free_port, mosquitto

from monitor.batch.sheet import Sheet
from monitor.batch.standing import standing_document
from monitor.batch.told import to_plain
from monitor.checkpoint import LEVEL, digest_of
from monitor.ferment.event import Reading, Tick
from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.ferment.premise import Must, MustKind, Yeast
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Checkpoint, StoredStanding
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

DAYS = 14
EVERY_MS = 15 * MS_PER_MINUTE
LIMIT_S = 1_200.0
PATTERN = "float-00000"
TICKS = os.sysconf("SC_CLK_TCK")


def sheet_of(sensor: str, pitched_ms: int) -> Sheet:
    """A session mead of ours in one of many vessels."""
    return Sheet(
        slug=sensor.replace("float", "vessel"),
        name=sensor.replace("float-", "Vessel "),
        pitched_ms=pitched_ms,
        must=Must(MustKind.HONEY, original_gravity_sg=1.050, volume_l=18.0),
        yeast=Yeast(temperature_c=(15.0, 24.0)),
        gravity_sensor=sensor,
        temperature_sensor=sensor,
    )


def values_at(step: int) -> tuple[float, float]:
    """Gravity and temperature at a step of 15 minutes."""
    day = step / 96
    noise = 0.0005 * math.sin(12.9898 * step) * math.cos(78.233 * step)
    return 0.998 + 0.052 * math.exp(-(max(0.0, day - 0.5) ** 1.3) / 4.0) + noise, 19.0 + math.sin(6.28 * day)


def fed(now_ms: int, pitched_ms: int) -> tuple[Pipeline, float]:
    """The pipeline of the pattern vessel up to now, and the seconds that feeding it took."""
    pipeline = Pipeline(sheet_of(PATTERN, pitched_ms).premise())
    begun = time.process_time()
    for step in range((now_ms - pitched_ms) // EVERY_MS + 1):
        at_ms = pitched_ms + step * EVERY_MS
        gravity, warm = values_at(step)
        pipeline.step(Reading(PATTERN, Quantity.GRAVITY, at_ms, gravity, at_ms))
        pipeline.step(Reading(PATTERN, Quantity.TEMPERATURE, at_ms, warm, at_ms))
    pipeline.step(Tick(now_ms))
    return pipeline, time.process_time() - begun


def fill(url: str, vessels: int, now_ms: int, kept_days: int) -> float:
    """Make the store; the seconds that one vessel's pipeline took."""
    pitched_ms = now_ms // MS_PER_HOUR * MS_PER_HOUR - DAYS * MS_PER_DAY
    pipeline, took_s = fed(now_ms, pitched_ms)
    plain = pickle.dumps((pipeline, []), protocol=5)
    snapshot = pipeline.snapshot
    with SqlStore(StoreOptions(url)) as store:
        for part in range(0, vessels, 500):
            sensors = [f"float-{n:05d}" for n in range(part, min(part + 500, vessels))]
            sheets = [sheet_of(sensor, pitched_ms) for sensor in sensors]
            for sheet in sheets:
                store.batches.start(sheet, at_ms=pitched_ms)
            found = []
            for step in range(max(0, DAYS - kept_days) * 96, (now_ms - pitched_ms) // EVERY_MS + 1):
                at_ms = pitched_ms + step * EVERY_MS
                gravity, warm = values_at(step)
                for sensor in sensors:
                    found.append(Reading(sensor, Quantity.GRAVITY, at_ms, gravity, at_ms))
                    found.append(Reading(sensor, Quantity.TEMPERATURE, at_ms, warm, at_ms))
            store.readings.commit(found)
            position, seen = store.readings.position(), store.changes.position()
            store.checkpoints.put(
                [
                    Checkpoint(
                        sheet.slug,
                        digest_of(sheet, Analysis()),
                        position,
                        0,
                        0,
                        zlib.compress(plain.replace(PATTERN.encode(), sensor.encode()), LEVEL),
                    )
                    for sheet, sensor in zip(sheets, sensors, strict=True)
                ],
                changes_seen=seen,
            )
            store.standings.put(
                [
                    StoredStanding(
                        sheet.slug, snapshot.at_ms, standing_document(sheet, snapshot), to_plain(snapshot, [])
                    )
                    for sheet in sheets
                ]
            )
    return took_s


class Daemon:
    """`carboyd run` on this broker and store."""

    def __init__(self, folder: Path, url: str, port: int) -> None:
        self.page = free_port()
        self._config = folder / "carboyd.toml"
        self._config.write_text(
            f'[mqtt]\nbroker = "external"\nport = {port}\n[web]\nport = {self.page}\n[store]\nurl = "{url}"\n'
        )
        self._log = folder / "log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, vessels: int) -> tuple[float, float]:
        """Run it; the seconds until the page answers, and until every batch is open."""
        begun = time.perf_counter()
        command = [sys.executable, "-m", "monitor", "run", "--config", str(self._config)]
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=log)
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.page), 0.1).close()
                break
            except OSError:
                time.sleep(0.05)
        answers_s = time.perf_counter() - begun
        wanted = f"opened the last of {vessels} batches".encode()
        while wanted not in self._log.read_bytes():
            if time.perf_counter() - begun > LIMIT_S:
                sys.exit("the batches were not opened in time")
            time.sleep(0.1)
        return answers_s, time.perf_counter() - begun

    def cpu_s(self) -> float:
        """CPU seconds so far."""
        assert self._process is not None
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(") ", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def resident_mb(self) -> float:
        """Memory in use."""
        assert self._process is not None
        return int(Path(f"/proc/{self._process.pid}/statm").read_text().split()[1]) * 4_096 / 1e6

    def get_ms(self, path: str) -> float:
        """How long the page takes to answer."""
        begun = time.perf_counter()
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page}{path}", timeout=60) as answer:
            answer.read()
        return 1_000 * (time.perf_counter() - begun)

    def stop(self) -> float:
        """End it; how long that takes, in seconds."""
        assert self._process is not None
        begun = time.perf_counter()
        self._process.terminate()
        self._process.wait(60)
        return time.perf_counter() - begun


def send(port: int, vessels: int, seconds: float) -> int:
    """Simulated vessels: each every 15 minutes, evenly spread, over one connection; how many messages."""
    sender = client(port, "vessels")
    sender.loop_start()
    begun, sent, rate = time.time(), 0, vessels / 900.0
    while time.time() - begun < seconds:
        due = int((time.time() - begun) * rate) + 1
        for number in range(sent, due):
            gravity, warm = values_at(DAYS * 96)
            payload = (
                f'[{{"bn":"float-{number % vessels:05d}:","bt":{time.time():.3f},"n":"density","u":"kg/m3",'
                f'"v":{gravity * 998.2:.2f}}},{{"n":"temperature","u":"Cel","v":{warm:.2f}}}]'
            )
            sender.publish(f"carboyd/readings/{number % vessels}", payload.encode(), qos=1)
        sent = due
        time.sleep(0.05)
    sender.disconnect()
    sender.loop_stop()
    return sent


def measure(vessels: int, minutes: float, kept_days: int) -> str:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        database = folder / "carboyd.sqlite"
        took_s = fill(f"sqlite:///{database}", vessels, time.time_ns() // 1_000_000, kept_days)
        broker = mosquitto(folder, port)
        daemon = Daemon(folder, f"sqlite:///{database}", port)
        try:
            answers_s, open_s = daemon.start(vessels)
            rows_before = rows(database)
            cpu_s, begun = daemon.cpu_s(), time.perf_counter()
            sender = threading.Thread(target=send, args=(port, vessels, 60.0 * minutes))
            sender.start()
            pages: list[float] = []
            batch: list[float] = []
            while sender.is_alive():
                pages.append(daemon.get_ms("/"))
                batch.append(daemon.get_ms("/batches/vessel-00000"))
                sender.join(3.0)
            used = 100.0 * (daemon.cpu_s() - cpu_s) / (time.perf_counter() - begun)
            stored = rows(database) - rows_before
            memory = daemon.resident_mb()
            stop_s = daemon.stop()
        finally:
            broker.kill()
            broker.wait()
        disk = database.stat().st_size / 1e6
    cells = [
        f"{vessels:,}",
        f"{used:.0f} %",
        f"{memory:.0f} MB",
        f"{disk:.0f} MB",
        f"{answers_s:.1f} s",
        f"{open_s:.0f} s",
        f"{took_s * vessels / 60:.1f} min",
        *(f"{statistics.median(one):.0f} / {np.quantile(one, 0.95):.0f} ms" for one in (pages, batch)),
        f"{stored}",
        f"{stop_s:.1f} s",
    ]
    return f"| {' | '.join(cells)} |"


def rows(database: Path) -> int:
    """Readings that are committed."""
    reader = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    found: int = reader.execute("SELECT max(position) FROM readings").fetchone()[0]
    reader.close()
    return found


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--vessels", type=int, nargs="+", default=[10, 100, 1_000, 10_000])
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--kept-days", type=int, default=3, help="days of readings in the store")
    chosen = parser.parse_args()
    print(
        "| vessels | CPU | memory | disk | page answers after | all open after | without checkpoints "
        "| list, median / p95 | batch, median / p95 | stored | stop |"
    )
    print("|" + " --- |" * 11, flush=True)
    for vessels in chosen.vessels:
        print(measure(vessels, chosen.minutes, chosen.kept_days), flush=True)


if __name__ == "__main__":
    main()
