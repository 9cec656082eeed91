"""What a vessel-year costs on disk: raw, thinned to hourly means, and as a compact copy.

    python tests/bench/bench_disk.py [--vessels 10] [--minutes 15] [--url postgresql+psycopg://...]

A vessel tells gravity, temperature, battery and signal at each reading.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from sqlalchemy import text

from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.retention import RetentionPolicy
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity

QUANTITIES = (Quantity.GRAVITY, Quantity.TEMPERATURE, Quantity.BATTERY, Quantity.SIGNAL)
YEAR_MS = 365 * MS_PER_DAY


def fill(store: SqlStore, vessels: int, every_ms: int) -> int:
    """A year of readings as they would come: all vessels in turn; how many there are."""
    arrived: list[Reading] = []
    count = 0
    for at_ms in range(0, YEAR_MS, every_ms):
        for vessel in range(vessels):
            arrived += [
                Reading(f"float-{vessel}", one, at_ms + vessel, 1.04, at_ms + 500) for one in QUANTITIES
            ]
        if len(arrived) >= 5_000:
            count += store.readings.commit(arrived).stored
            arrived = []
    return count + store.readings.commit(arrived).stored


def size_mb(store: SqlStore) -> float:
    """Of the whole database."""
    store.tidy()
    with store._gate.reading() as connection:
        if store._gate.is_sqlite:
            pages = connection.execute(text("PRAGMA page_count")).scalar_one()
            free = connection.execute(text("PRAGMA freelist_count")).scalar_one()
            return float(4_096 * (pages - free) / 1e6)
        return float(
            connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one() / 1e6
        )


def main() -> None:
    """Fill, measure, thin, measure."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--vessels", type=int, default=10)
    parser.add_argument("--minutes", type=int, default=15)
    parser.add_argument("--url")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = chosen.url or f"sqlite:///{folder}/store.sqlite"
        with SqlStore(StoreOptions(url)) as store:
            empty_mb = size_mb(store)
            count = fill(store, chosen.vessels, chosen.minutes * MS_PER_MINUTE)
            raw_mb = size_mb(store) - empty_mb
            print(f"{count} readings, raw: {raw_mb / chosen.vessels:.2f} MB a vessel-year")
            begun = time.perf_counter()
            done = store.retention.thin(RetentionPolicy(1), now_ms=YEAR_MS + 3 * MS_PER_DAY)
            spent_s = time.perf_counter() - begun
            thin_mb = size_mb(store) - empty_mb
            print(
                f"hourly means: {thin_mb / chosen.vessels:.2f} MB a vessel-year in use, "
                f"{done.removed} rows gone in {spent_s:.1f} s"
            )
            if chosen.url is None:
                copy = Path(folder) / "copy.sqlite"
                store.backup(copy)
                copy_mb = copy.stat().st_size / 1e6
                print(f"a compact copy of that: {copy_mb / chosen.vessels:.2f} MB a vessel-year")


if __name__ == "__main__":
    main()
