"""What a cellar of many vessels costs: restart, readings at their usual rate, the page meanwhile.

    python tests/bench/bench_scale.py [--vessels 10 100 1000 10000] [--minutes 3] [--hour]

For each size a store is filled with open batches, a fortnight old, whose pipelines are put aside as
checkpoints, and with their readings of the last days. `carboyd run` is started on it, beside a real
Mosquitto; simulated vessels send gravity and temperature every 15 minutes, spread evenly, and list and one
batch are asked for every second: while batches are being opened, when all are open, and with `--hour` while
every batch is looked at after a full hour. For that the daemon's clock is set so that the hour comes
`--lead` minutes after its start. CPU is that of the daemon alone, in per cent of one core, page included,
between the opening and the end or the hour. Times of the page are median / 95 % / worst in milliseconds.

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
NAN = float("nan")
ASKED = ("/", "/batches/vessel-00000")
READINGS = "SELECT max(position) FROM readings"
STANDINGS = "SELECT position FROM marks WHERE name = 'standings'"
"""One is written at each look."""
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
    """`carboyd run` on this broker and store, its clock ahead of the wall's by so much."""

    def __init__(self, folder: Path, url: str, port: int, ahead_ms: int) -> None:
        self.page = free_port()
        config = folder / "carboyd.toml"
        config.write_text(
            f'[mqtt]\nbroker = "external"\nport = {port}\n[web]\nport = {self.page}\n[store]\nurl = "{url}"\n'
        )
        self._log = folder / "log"
        command = [sys.executable, str(Path(__file__).with_name("shifted.py")), str(ahead_ms), str(config)]
        self._begun = time.perf_counter()
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=log)

    def answers_after_s(self) -> float:
        """Seconds from the start until the page answers."""
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.page), 0.1).close()
            except OSError:
                time.sleep(0.05)
            else:
                return time.perf_counter() - self._begun

    def open_after_s(self, vessels: int) -> float:
        """Seconds from the start until every batch is open."""
        wanted = f"opened the last of {vessels} batches".encode()
        while wanted not in self._log.read_bytes():
            if time.perf_counter() - self._begun > LIMIT_S or self._process.poll() is not None:
                sys.exit("the batches were not opened in time")
            time.sleep(0.1)
        return time.perf_counter() - self._begun

    def cpu_s(self) -> float:
        """CPU seconds so far."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(") ", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def resident_mb(self) -> float:
        """Memory in use."""
        return int(Path(f"/proc/{self._process.pid}/statm").read_text().split()[1]) * 4_096 / 1e6

    def get_ms(self, path: str) -> float:
        """How long the page takes to answer."""
        begun = time.perf_counter()
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page}{path}", timeout=60) as answer:
            answer.read()
        return 1_000 * (time.perf_counter() - begun)

    def stop(self) -> float:
        """End it; how long that takes, in seconds."""
        begun = time.perf_counter()
        self._process.terminate()
        self._process.wait(60)
        return time.perf_counter() - begun


class Visitor(threading.Thread):
    """Asks for the list and for one batch every second, until told to leave."""

    def __init__(self, daemon: Daemon) -> None:
        super().__init__(daemon=True)
        self._daemon = daemon
        self._leaves = threading.Event()
        self._taken: dict[str, list[float]] = {path: [] for path in ASKED}

    def run(self) -> None:
        """Ask until told to leave."""
        while not self._leaves.wait(1.0):
            for path, taken in self._taken.items():
                taken.append(self._daemon.get_ms(path))

    def leave(self) -> None:
        """Ask no more."""
        self._leaves.set()
        self.join()

    def told(self) -> list[str]:
        """Median, 95 % and worst of each page since this was asked last."""
        cells = []
        for path, taken in self._taken.items():
            self._taken[path] = []
            cells.append(
                f"{statistics.median(taken):.0f} / {np.quantile(taken, 0.95):.0f} / {max(taken):.0f}"
                if taken
                else "-"
            )
        return cells


class Vessels(threading.Thread):
    """Simulated vessels: each sends every 15 minutes, evenly spread, over one connection."""

    def __init__(self, port: int, vessels: int, ahead_ms: int) -> None:
        super().__init__(daemon=True)
        self._port, self._vessels, self._ahead_s = port, vessels, ahead_ms / 1_000
        self._ends = threading.Event()

    def run(self) -> None:
        """Send until told to end."""
        sender = client(self._port, "vessels")
        sender.loop_start()
        begun, sent, rate = time.time(), 0, self._vessels / 900.0
        gravity, warm = values_at(DAYS * 96)
        while not self._ends.wait(0.05):
            due = int((time.time() - begun) * rate) + 1
            for number in range(sent, due):
                payload = (
                    f'[{{"bn":"float-{number % self._vessels:05d}:","bt":{time.time() + self._ahead_s:.3f},'
                    f'"n":"density","u":"kg/m3","v":{gravity * 998.2:.2f}}},'
                    f'{{"n":"temperature","u":"Cel","v":{warm:.2f}}}]'
                )
                sender.publish(f"carboyd/readings/{number % self._vessels}", payload.encode(), qos=1)
            sent = due
        sender.disconnect()
        sender.loop_stop()

    def end(self) -> None:
        """Send no more."""
        self._ends.set()
        self.join()


def measure(vessels: int, chosen: argparse.Namespace) -> str:
    """One row of the table."""
    hour_ms = -(-time.time_ns() // 1_000_000 // MS_PER_HOUR) * MS_PER_HOUR
    start_ms = hour_ms - round(chosen.lead * MS_PER_MINUTE) if chosen.hour else time.time_ns() // 1_000_000
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        database = folder / "carboyd.sqlite"
        took_s = fill(f"sqlite:///{database}", vessels, start_ms - MS_PER_MINUTE, chosen.kept_days)
        ahead_ms = start_ms - time.time_ns() // 1_000_000 if chosen.hour else 0
        broker = mosquitto(folder, port)
        daemon = Daemon(folder, f"sqlite:///{database}", port, ahead_ms)
        visitor, sender = Visitor(daemon), Vessels(port, vessels, ahead_ms)
        try:
            answers_s = daemon.answers_after_s()
            visitor.start()
            sender.start()
            open_s = daemon.open_after_s(vessels)
            opening = visitor.told()
            rows_before = last_of(database, READINGS)
            cpu_s, begun = daemon.cpu_s(), time.perf_counter()
            until_s = (hour_ms - ahead_ms) / 1_000 if chosen.hour else time.time() + 60.0 * chosen.minutes
            if until_s < time.time():
                sys.exit("the hour came before all batches were open; give a longer --lead")
            time.sleep(until_s - time.time())
            used = 100.0 * (daemon.cpu_s() - cpu_s) / (time.perf_counter() - begun)
            pages = [opening, visitor.told()]
            looked_s, looked_cpu_s = looks(database, vessels, daemon) if chosen.hour else (NAN, NAN)
            pages.append(visitor.told() if chosen.hour else ["-"] * len(ASKED))
            visitor.leave()
            sender.end()
            stored = last_of(database, READINGS) - rows_before
            memory, load = daemon.resident_mb(), os.getloadavg()
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
        *(cell for found in pages for cell in found),
        f"{looked_s:.0f} s ({looked_cpu_s:.0f} s CPU)" if chosen.hour else "-",
        f"{stored}",
        f"{stop_s:.1f} s",
        f"{load[0]:.1f}",
    ]
    return f"| {' | '.join(cells)} |"


def looks(database: Path, vessels: int, daemon: Daemon) -> tuple[float, float]:
    """Seconds by the clock and of CPU from now until every batch has been looked at once more."""
    before, cpu_s, begun = last_of(database, STANDINGS), daemon.cpu_s(), time.perf_counter()
    while last_of(database, STANDINGS) - before < vessels:
        if time.perf_counter() - begun > LIMIT_S:
            sys.exit("the batches were not looked at in time")
        time.sleep(0.5)
    return time.perf_counter() - begun, daemon.cpu_s() - cpu_s


def last_of(database: Path, query: str) -> int:
    """The number that was given last."""
    reader = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
    found = reader.execute(query).fetchone()
    reader.close()
    return 0 if found is None else int(found[0])


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--vessels", type=int, nargs="+", default=[10, 100, 1_000, 10_000])
    parser.add_argument(
        "--minutes", type=float, default=3.0, help="how long all are watched; void with --hour"
    )
    parser.add_argument("--hour", action="store_true", help="measure a full hour's change too")
    parser.add_argument("--lead", type=float, default=5.0, help="minutes from the start to the full hour")
    parser.add_argument("--kept-days", type=int, default=3, help="days of readings in the store")
    chosen = parser.parse_args()
    print(
        "| vessels | CPU | memory | disk | page answers after | all open after | without checkpoints "
        "| list, opening | batch, opening | list | batch | list, hour | batch, hour | all looked at | stored "
        "| stop | load |"
    )
    print("|" + " --- |" * 17, flush=True)
    for vessels in chosen.vessels:
        print(measure(vessels, chosen), flush=True)


if __name__ == "__main__":
    main()
