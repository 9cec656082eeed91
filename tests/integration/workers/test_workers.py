"""Several daemons and workers on one PostgreSQL: nothing is stored twice, judged twice or told twice."""

from __future__ import annotations

import json
import signal
import socket
import threading
import time
from collections.abc import Callable

import pytest
from sqlalchemy import create_engine, text

from monitor.batch.sheet import Sheet
from monitor.clock import SystemClock
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.ferment.premise import Yeast
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, Quantity

pytestmark = pytest.mark.mosquitto

START_S = int(time.time()) - 86_400
SENT = 2_000
BATCHES = 6
TAKEOVER_S = 30.0
LIMIT_S = 60.0


def _wait(holds: Callable[[], bool], limit_s: float = LIMIT_S) -> None:
    pause = threading.Event()
    for _ in range(int(limit_s / 0.05)):
        if holds():
            return
        pause.wait(0.05)
    raise AssertionError("it did not come to that")


def _payload(number: int) -> bytes:
    return json.dumps(
        [{"n": "float-a:density", "u": "kg/m3", "v": 1_040.0 - number / 1_000, "t": START_S + number}]
    ).encode()


def test_two_daemons_store_the_same_readings_once(mosquitto, publisher, carboyd, server_url):
    """Each hears all by a subscription of its own; one is killed amid it; no key is lost or doubled."""
    broker = mosquitto()
    daemons = [carboyd("run", broker, client_id=name) for name in ("cellar-1", "cellar-2")]
    assert all(daemon.said("subscribed to") for daemon in daemons)
    sensor = publisher(broker)
    sensor.send("carboyd/readings/a", *(_payload(number) for number in range(SENT // 2)))
    daemons[0].end(signal.SIGKILL)
    sensor.send("carboyd/readings/a", *(_payload(number) for number in range(SENT // 2, SENT)))
    again = carboyd("run", broker, client_id="cellar-1")
    assert again.said("session resumed")
    with SqlStore(StoreOptions(server_url)) as store:
        _wait(lambda: len(store.readings.read(["float-a"])) >= SENT)
        times = store.readings.read(["float-a"]).time_ms.tolist()
    assert sorted(times) == [(START_S + number) * 1_000 for number in range(SENT)]
    assert [daemon.end() for daemon in (again, daemons[1])] == [0, 0]
    said = [line for daemon in (*daemons, again) for line in daemon.log]
    assert not [line for line in said if " ERROR " in line or "Traceback" in line]


def _about_to_be_told(store: SqlStore, number: int, now_ms: int) -> None:
    """A batch that has been too cold for three hours in a minute's time: the next look tells it."""
    pitched_ms = now_ms - 3 * MS_PER_HOUR - MS_PER_MINUTE
    float_name = f"float-{number}"
    sheet = Sheet(
        f"batch-{number}",
        f"Batch {number}",
        pitched_ms,
        yeast=Yeast((14.0, 24.0)),
        gravity_sensor=float_name,
        temperature_sensor=float_name,
    )
    store.batches.start(sheet, at_ms=pitched_ms)
    for minute in range(0, 180, 15):
        at_ms = pitched_ms + minute * MS_PER_MINUTE
        store.readings.commit(
            [
                Reading(float_name, Quantity.GRAVITY, at_ms, 1.040, at_ms),
                Reading(float_name, Quantity.TEMPERATURE, at_ms, 4.0, at_ms),
            ]
        )
    _look(store, sheet.slug, pitched_ms + MS_PER_MINUTE)


def _look(store: SqlStore, slug: str, at_ms: int) -> None:
    """A note in the journal has the batch looked at, at once."""
    store.batches.write_down(slug, JournalEntry(JournalKind.NOTE, at_ms, at_ms, "looked in"))


def _judges(server_url: str) -> dict[str, int]:
    """The process that judges each batch, by the number in its member's name."""
    engine = create_engine(server_url)
    with engine.connect() as connection:
        rows = connection.execute(text("SELECT batch, member FROM claims WHERE member <> ''")).all()
    engine.dispose()
    return {batch: int(member.split("-")[-2]) for batch, member in rows}


def test_a_killed_workers_batches_are_told_by_another_within_half_a_minute(
    mosquitto, carboyd, hook, server_url
):
    """A daemon and two workers share six cold batches; one worker is killed: each is told, each once."""
    broker = mosquitto()
    clock = SystemClock()
    with SqlStore(StoreOptions(server_url)) as store:
        for number in range(BATCHES):
            _about_to_be_told(store, number, clock.now_ms())
        daemon = carboyd("run", broker, hook=hook.url)
        workers = [carboyd("work", broker, hook=hook.url) for _ in range(2)]
        pids = {one.process.pid for one in (daemon, *workers)}
        _wait(
            lambda: (judges := _judges(server_url)).keys() >= set(_slugs()) and set(judges.values()) == pids
        )
        _wait(lambda: len(store.standings.listed()) == BATCHES)

        victim = workers[0]
        orphans = [slug for slug, pid in _judges(server_url).items() if pid == victim.process.pid]
        assert orphans
        victim.end(signal.SIGKILL)
        killed_s = time.monotonic()
        _wait(lambda: clock.now_ms() >= max(s.pitched_ms for s in store.batches.listed()) + FIRES_MS)
        for slug in _slugs():
            _look(store, slug, clock.now_ms())
        assert hook.wait_for(BATCHES, TAKEOVER_S - (time.monotonic() - killed_s)), hook.batches
        assert victim.process.pid not in _judges(server_url).values()
        assert [one.end() for one in (daemon, workers[1])] == [0, 0]
        assert set(hook.batches.values()) == {1}, hook.batches
        assert len(store.alerts.listed(only_firing=True)) == BATCHES
        assert not store.outbox.due(clock.now_ms())


FIRES_MS = 3 * MS_PER_HOUR + MS_PER_MINUTE


def _slugs() -> list[str]:
    return [f"batch-{number}" for number in range(BATCHES)]


def test_the_supervisor_hears_of_a_workers_life(mosquitto, carboyd, tmp_path):
    """Ready once it is a member, a sign of life while it comes round, stopping."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "notify"))
        ear.settimeout(LIMIT_S)
        worker = carboyd("work", mosquitto(), NOTIFY_SOCKET=str(tmp_path / "notify"))
        ready, status = ear.recv(999).split(b"\n")
        assert (ready, status[:18]) == (b"READY=1", b"STATUS=judging as ")
        assert ear.recv(999) == b"WATCHDOG=1"
        assert worker.end() == 0
        while (word := ear.recv(999)) == b"WATCHDOG=1":
            continue
        assert word.startswith(b"STOPPING=1")


def test_a_worker_without_postgresql_says_what_it_needs(tmp_path):
    """On SQLite it ends at once with the reason and what to do."""
    import subprocess
    import sys

    config = tmp_path / "carboyd.toml"
    config.write_text(f'[mqtt]\nbroker = "external"\n[store]\nurl = "sqlite:///{tmp_path}/carboyd.sqlite"\n')
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "work", "--config", str(config)], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "needs PostgreSQL" in done.stderr
    assert "with SQLite one `carboyd run`" in done.stderr
