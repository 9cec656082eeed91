"""Copies by command, also while a daemon writes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

from monitor.errors import InputError, StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.copying import checked_copy
from monitor.units import Quantity

WRITES = """
import itertools, sys
from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import Quantity

store = SqlStore(StoreOptions(sys.argv[1]))
for start in itertools.count(0, 50):
    times = range(start, start + 50)
    store.readings.commit([Reading("float-a", Quantity.GRAVITY, t, 1.04, t) for t in times])
    print(start + 50, flush=True)
"""


def fill(store, count: int) -> None:
    """So many readings."""
    store.readings.commit([Reading("f", Quantity.GRAVITY, n, 1.04, n) for n in range(count)])


def test_a_copy_and_back(carboyd_command, store, tmp_path):
    """The copy says what it holds; restored, the store holds just that, and the other is kept beside it."""
    fill(store, 20)
    made = carboyd_command("backup", str(tmp_path / "copy.sqlite"))
    assert "checked, 0 batches, 20 readings" in made.output
    fill(store, 30)
    busy = carboyd_command("restore", str(tmp_path / "copy.sqlite"), "--yes")
    assert isinstance(busy.exception, StoreUnavailableError)
    store.close()
    said_no = carboyd_command("restore", str(tmp_path / "copy.sqlite"), stdin="n\n")
    assert said_no.exit_code == 1
    done = carboyd_command("restore", str(tmp_path / "copy.sqlite"), stdin="y\n")
    assert done.exit_code == 0, done.exception
    assert len(store.readings.read(["f"])) == 20
    (aside,) = tmp_path.glob("carboyd.sqlite.before-*")
    assert checked_copy(aside).readings == 30


def test_a_directory_keeps_the_newest(carboyd_command, store, tmp_path):
    """Copies are named by their time; older ones go only where a number is given, strangers never."""
    folder = tmp_path / "copies"
    folder.mkdir()
    for name in ("carboyd-20240101T000000Z.sqlite", "carboyd-20250101T000000Z.sqlite", "mine.sqlite"):
        (folder / name).write_text("")
    carboyd_command("backup", str(folder / "carboyd-20260101T000000Z.sqlite"))
    assert len(list(folder.iterdir())) == 4
    assert "removed" in carboyd_command("backup", str(folder), "--keep", "2").output
    names = sorted(path.name for path in folder.iterdir())
    assert len(names) == 3
    assert {"mine.sqlite", "carboyd-20260101T000000Z.sqlite"} < set(names)


def test_keeping_is_for_directories(carboyd_command, store, tmp_path):
    """A file has no older ones."""
    refused = carboyd_command("backup", str(tmp_path / "copy.sqlite"), "--keep", "2")
    assert isinstance(refused.exception, InputError)


def test_a_copy_taken_while_another_program_writes_is_whole(carboyd_command, store, tmp_path):
    """Commits go on before, during and after; the copy holds whole commits only, and none that came late."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITES, f"sqlite:///{tmp_path}/carboyd.sqlite"],
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout is not None
        before = [int(writer.stdout.readline()) for _ in range(20)][-1]
        made = carboyd_command("backup", str(tmp_path / "copy.sqlite"))
        after = int(writer.stdout.readline())
        os.kill(writer.pid, signal.SIGKILL)
        rest = [int(line) for line in writer.stdout.read().split("\n")[:-1] if line]
    assert made.exit_code == 0, made.exception
    copied = checked_copy(tmp_path / "copy.sqlite").readings
    assert copied % 50 == 0
    assert before <= copied <= max([after, *rest]) + 50
