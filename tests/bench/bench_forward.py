"""How fast a backlog is forwarded to a real server that takes v2 writes, beside the lines alone.

    python tests/bench/bench_forward.py --url http://127.0.0.1:8428 [--readings 300000]

For example `victoria-metrics -retentionPeriod=100y -storageDataPath=/tmp/vm` listens there.
"""

from __future__ import annotations

import argparse
import tempfile
import time

from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.influx import InfluxServer
from monitor.store.influx_forward import Forwarder
from monitor.store.influx_lines import lines_of_readings
from monitor.store.influx_target import InfluxTarget
from monitor.store.sql import SqlStore
from monitor.units import Quantity

START_MS = 1_764_000_000_000


def main() -> None:
    """Fill a store, forward it, say how long it took."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--url", required=True)
    parser.add_argument("--readings", type=int, default=300_000)
    chosen = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        SqlStore(StoreOptions(f"sqlite:///{folder}/s.sqlite")) as store,
    ):
        for start in range(0, chosen.readings, 5_000):
            store.readings.commit(
                [
                    Reading(f"float-{n % 100}", Quantity.GRAVITY, START_MS + n * 1_000, 1.04, START_MS + n)
                    for n in range(start, min(start + 5_000, chosen.readings))
                ]
            )
        begun = time.perf_counter()
        count = sum(1 for _ in lines_of_readings(store.readings.after(0, chosen.readings)))
        alone_s = time.perf_counter() - begun
        server = InfluxServer(InfluxTarget(chosen.url, "", "carboyd", "carboyd"))
        forwarder = Forwarder(store, server, now_ms=lambda: START_MS, share=lambda: 0.5)
        begun = time.perf_counter()
        while forwarder.step() == 0.0:
            pass
        whole_s = time.perf_counter() - begun
        server.close()
        print(
            f"{count} readings: {count / whole_s:,.0f} a second forwarded, lines alone {count / alone_s:,.0f}"
        )
        print(forwarder.trouble or "all accepted")


if __name__ == "__main__":
    main()
