"""How fast the store commits beside a bare driver that writes the same rows, and how fast it reads.

    python tests/bench/bench_store.py [--readings 100000] [--url postgresql+psycopg://...]

Bare is sqlite3's executemany with prepared tuples into the same table, WAL and synchronous FULL.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from monitor.batch.sheet import Sheet
from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import Quantity

SENSORS = 6


def timed(work: Callable[[], object]) -> float:
    """Seconds that it takes."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def made(count: int, offset: int) -> list[Reading]:
    """Readings of six sensors."""
    return [
        Reading(f"float-{n % SENSORS}", Quantity.GRAVITY, offset + n * 1_000, 1.04, offset + n * 1_000)
        for n in range(count)
    ]


def ours(url: str, sent: list[Reading], size: int) -> float:
    """Seconds for commits of this size, duplicates checked, series touched."""
    with SqlStore(StoreOptions(url)) as store:

        def work() -> None:
            for start in range(0, len(sent), size):
                store.readings.commit(sent[start : start + size])

        return timed(work)


def bare(path: Path, sent: list[Reading], size: int) -> float:
    """Seconds for the same rows by the driver alone."""
    rows = [(int(one.sensor[-1]), one.time_ms, one.value, one.received_ms, 0) for one in sent]
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(
        "CREATE TABLE readings (position INTEGER PRIMARY KEY, series_id INTEGER, time_ms BIGINT, "
        "value DOUBLE, received_ms BIGINT, flag INTEGER, UNIQUE (series_id, time_ms))"
    )
    insert = (
        "INSERT INTO readings (series_id, time_ms, value, received_ms, flag) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT DO NOTHING"
    )

    def work() -> None:
        for start in range(0, len(rows), size):
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(insert, rows[start : start + size])
            connection.execute("COMMIT")

    seconds = timed(work)
    connection.close()
    return seconds


def main() -> None:
    """Print a Markdown table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=100_000)
    parser.add_argument("--url", help="another engine; its database must be empty")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        print(
            "| readings a commit | store, rows/s | bare driver, rows/s | ratio |\n| --- | --- | --- | --- |"
        )
        for number, size in enumerate((20, 200, 1_000)):
            sent = made(wanted.readings, number)
            url = wanted.url or f"sqlite:///{home / f'store-{size}.sqlite'}"
            rate = len(sent) / ours(url, sent, size)
            driver = len(sent) / bare(home / f"bare-{size}.sqlite", sent, size)
            print(f"| {size} | {rate:,.0f} | {driver:,.0f} | {rate / driver:.2f} |")
        with SqlStore(StoreOptions(wanted.url or f"sqlite:///{home / 'store-200.sqlite'}")) as store:
            store.batches.start(Sheet("a", "A", 0, gravity_sensor="float-0"), at_ms=0)
            found = len(store.batches.readings("a"))
            columns = timed(lambda: store.batches.readings("a"))
            events = timed(lambda: sum(1 for _ in store.batches.events("a")))
            chart = timed(
                lambda: store.readings.thinned("float-0", Quantity.GRAVITY, 0, wanted.readings * 1_000, 500)
            )
            poll = timed(lambda: [store.changes.since(1) for _ in range(100)]) / 100
        print(
            f"\n{found:,} readings of a batch: {columns * 1e3:.0f} ms as columns, "
            f"{events * 1e3:.0f} ms as events, {chart * 1e3:.0f} ms thinned to 500; "
            f"a look for changes {poll * 1e6:.0f} us"
        )


if __name__ == "__main__":
    main()
