"""A simulated year: whether memory stays flat, how large the store grows, how soon a year's chart is there.

    python tests/bench/bench_year.py [--vessels 2] [--chart-vessels 100]

Memory: batches of thirty days follow one another in each vessel for twelve months, read every 15 minutes,
through the same watch and store as in the daemon; the process's memory is printed month by month. Chart: a
store with a year of so many vessels (35,040 readings a quantity and vessel), as they would have come in, one
vessel of which is thinned to a chart by the database. CPU is that of the thread that asks.
"""

from __future__ import annotations

import argparse
import gc
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

from bench_scale import EVERY_MS, sheet_of, values_at

from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, Quantity
from monitor.watch import Watch, WatchPolicy
from monitor.web.course import chart, days

BEGIN_MS = 1_735_689_600_000
BATCH_DAYS = 30
YEAR_MS = 365 * MS_PER_DAY
ROUNDS = 7


def resident_mb() -> float:
    """Memory in use now."""
    gc.collect()
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4_096 / 1e6


def memory(folder: Path, vessels: int) -> None:
    """Twelve months, one line each."""
    database = folder / "memory.sqlite"
    with SqlStore(StoreOptions(f"sqlite:///{database}")) as store:
        watch = Watch(store, WatchPolicy(channels=("phone",)), publish=lambda _topic, _payload: None)
        watch.rebuild(BEGIN_MS)
        for month in range(12):
            pitched_ms = BEGIN_MS + month * BATCH_DAYS * MS_PER_DAY
            slugs = []
            for vessel in range(vessels):
                sheet = sheet_of(f"float-{vessel:05d}", pitched_ms)
                slugs.append(f"{sheet.slug}-{month}")
                store.batches.start(
                    type(sheet)(**{**_fields(sheet), "slug": slugs[-1]}),
                    at_ms=pitched_ms,
                )
            watch.catch_up(pitched_ms)
            for step in range(BATCH_DAYS * 96):
                at_ms = pitched_ms + step * EVERY_MS
                gravity, warm = values_at(step)
                found = [
                    Reading(f"float-{vessel:05d}", quantity, at_ms, value, at_ms)
                    for vessel in range(vessels)
                    for quantity, value in ((Quantity.GRAVITY, gravity), (Quantity.TEMPERATURE, warm))
                ]
                store.readings.commit(found)
                watch.admit(found, at_ms)
                if step % 4 == 3:
                    watch.tick(at_ms + 1)
            watch.seal()
            full_mb = resident_mb()
            end_ms = pitched_ms + BATCH_DAYS * MS_PER_DAY
            for slug in slugs:
                store.batches.end(slug, ended_ms=end_ms, at_ms=end_ms)
            watch.catch_up(end_ms)
            disk = database.stat().st_size / 1e6
            print(
                f"month {month + 1:2d}: {full_mb:.0f} MB at its end, {resident_mb():.0f} MB once ended; "
                f"store {disk:.1f} MB",
                flush=True,
            )


def _fields(sheet: object) -> dict[str, object]:
    return {name: getattr(sheet, name) for name in type(sheet).__dataclass_fields__}


def charts(folder: Path, vessels: int) -> None:
    """A year of many vessels, and the chart of one of them."""
    database = folder / "year.sqlite"
    with SqlStore(StoreOptions(f"sqlite:///{database}")) as store:
        for vessel in range(vessels):
            for quantity, value in ((Quantity.GRAVITY, 1.05), (Quantity.TEMPERATURE, 18.0)):
                store.readings.commit([Reading(f"float-{vessel:05d}", quantity, BEGIN_MS, value, BEGIN_MS)])
    count = _pour(database)
    with SqlStore(StoreOptions(f"sqlite:///{database}", check_limit_s=0.1)) as store:
        sheet = sheet_of(f"float-{vessels // 2:05d}", BEGIN_MS)
        now_ms = BEGIN_MS + YEAR_MS
        print(f"{count:,} readings, {database.stat().st_size / count:.0f} bytes each")
        _time("whole chart, 1,000 pixels", lambda: chart(
            store, sheet, evidence=None, phases=(), journal=(), now_ms=now_ms, width_px=1_000
        ))  # fmt: skip
        _time("table of days", lambda: days(
            store, sheet, evidence=None, zone=UTC, now_ms=now_ms
        ))  # fmt: skip


def _pour(database: Path) -> int:
    """The readings of a year in order of arrival, past the store's own way in, which would take long."""
    with sqlite3.connect(database) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        series = [row[0] for row in connection.execute("SELECT id FROM series ORDER BY sensor, quantity")]
        for day in range(365):
            rows = []
            for step in range(max(1, day * 96), (day + 1) * 96):
                at_ms = BEGIN_MS + step * EVERY_MS
                gravity, _ = values_at(step % (BATCH_DAYS * 96))
                rows += [(one, at_ms + place, gravity, at_ms + place) for place, one in enumerate(series)]
            connection.executemany(
                "INSERT INTO readings (series_id, time_ms, value, received_ms, flag) VALUES (?, ?, ?, ?, 0)",
                rows,
            )
            connection.commit()
    count: int = connection.execute("SELECT count(*) FROM readings").fetchone()[0]
    connection.close()
    return count


def _time(name: str, ask: Callable[[], object]) -> None:
    walls, cpus = [], []
    for _ in range(ROUNDS):
        wall, cpu = time.perf_counter(), time.thread_time()
        ask()
        walls.append(1_000 * (time.perf_counter() - wall))
        cpus.append(1_000 * (time.thread_time() - cpu))
    print(f"{name}: {statistics.median(walls):.0f} ms (worst {max(walls):.0f}), CPU {min(cpus):.0f} ms")


def main() -> None:
    """Print both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--vessels", type=int, default=2)
    parser.add_argument("--chart-vessels", type=int, default=100)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        if chosen.vessels:
            memory(Path(name), chosen.vessels)
        if chosen.chart_vessels:
            charts(Path(name), chosen.chart_vessels)


if __name__ == "__main__":
    main()
