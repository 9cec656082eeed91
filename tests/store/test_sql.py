"""The store as a whole: closing, copies, a second process, a sudden death."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, StoreUnavailableError
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.store.base import Store
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import ChangeKind
from monitor.units import Quantity


def gravity(time_ms: int) -> Reading:
    """A gravity reading."""
    return Reading("float-a", Quantity.GRAVITY, time_ms, 1.04, time_ms)


class TestClose:
    """The end."""

    def test_everything_is_in_the_one_file(self, file_url: str, tmp_path: Path) -> None:
        """After closing there is no log beside the file, and the file alone holds all."""
        store = SqlStore(StoreOptions(file_url))
        store.readings.commit([gravity(1)])
        store.close()
        store.close()
        assert [one.name for one in tmp_path.iterdir()] == ["carboyd.sqlite"]
        other = sqlite3.connect(tmp_path / "carboyd.sqlite")
        assert other.execute("SELECT time_ms, value FROM readings").fetchall() == [(1, 1.04)]
        other.close()

    def test_what_was_kept_is_there_at_the_next_opening(self, url: str) -> None:
        """Readings, batches and changes survive closing, and keys are still known."""
        with SqlStore(StoreOptions(url)) as store:
            store.readings.commit([gravity(1)])
            store.batches.start(Sheet("a", "A", 0), at_ms=0)
        again: Store = SqlStore(StoreOptions(url))
        assert again.readings.commit([gravity(1), gravity(2)]).stored == 1
        assert [one.slug for one in again.batches.listed()] == ["a"]
        again.close()


class TestBackup:
    """Copies."""

    def test_a_copy_of_a_live_store_is_whole(self, file_url: str, tmp_path: Path) -> None:
        """A copy taken between commits passes SQLite's integrity check and opens as a store."""
        with SqlStore(StoreOptions(file_url)) as store:
            store.readings.commit([gravity(n) for n in range(1_000)])
            store.backup(tmp_path / "copy.sqlite")
            store.readings.commit([gravity(5_000)])
        other = sqlite3.connect(tmp_path / "copy.sqlite")
        assert other.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        other.close()
        with SqlStore(StoreOptions(f"sqlite:///{tmp_path / 'copy.sqlite'}")) as copy:
            assert len(copy.readings.read(["float-a"])) == 1_000

    def test_nothing_is_overwritten(self, file_url: str, tmp_path: Path) -> None:
        """A file that exists already is not touched."""
        target = tmp_path / "copy.sqlite"
        target.write_text("mine")
        with SqlStore(StoreOptions(file_url)) as store, pytest.raises(InputError, match="exists already"):
            store.backup(target)
        assert target.read_text() == "mine"

    def test_a_directory_that_is_not_there_leaves_nothing(self, file_url: str, tmp_path: Path) -> None:
        """A copy that cannot be made is an error of ours."""
        with SqlStore(StoreOptions(file_url)) as store, pytest.raises(StoreUnavailableError, match="no copy"):
            store.backup(tmp_path / "none" / "copy.sqlite")

    def test_a_server_has_its_own_tool(self, server_url: str, tmp_path: Path) -> None:
        """Only a file can be copied; for a server the hint names its tool."""
        with SqlStore(StoreOptions(server_url)) as store:
            with pytest.raises(InputError, match="not a file") as caught:
                store.backup(tmp_path / "copy.sqlite")
            assert "pg_dump" in caught.value.hint


WRITES_DOWN = """
import sys
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore

with SqlStore(StoreOptions(sys.argv[1])) as store:
    store.batches.write_down("a", JournalEntry(JournalKind.RACKED, 5, 6, "to glass"))
"""

COMMITS_FOR_EVER = """
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


class TestProcesses:
    """More than one program, and one that dies."""

    def test_another_program_writes_and_this_one_notices(self, url: str) -> None:
        """An entry made by a second process beside this open store is seen by asking for changes."""
        with SqlStore(StoreOptions(url)) as store:
            store.batches.start(Sheet("a", "A", 0), at_ms=0)
            seen = store.changes.position()
            subprocess.run([sys.executable, "-c", WRITES_DOWN, url], check=True, timeout=60)
            (change,) = store.changes.since(seen)
            assert (change.kind, change.subject) == (ChangeKind.JOURNAL, "a")
            assert store.batches.journal("a") == [JournalEntry(JournalKind.RACKED, 5, 6, "to glass")]

    def test_what_was_committed_outlives_a_killed_process(self, file_url: str) -> None:
        """After SIGKILL in mid-stream every reading whose commit had returned is there, none is torn."""
        with subprocess.Popen(
            [sys.executable, "-c", COMMITS_FOR_EVER, file_url], stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout is not None
            for _ in range(40):
                acknowledged = int(process.stdout.readline())
            os.kill(process.pid, signal.SIGKILL)
            rest = process.stdout.read().split("\n")
        acknowledged = max([acknowledged, *(int(line) for line in rest[:-1])])
        with SqlStore(StoreOptions(file_url)) as store:
            assert store.checked
            times = store.readings.read(["float-a"]).time_ms.tolist()
        assert times == list(range(len(times)))
        assert len(times) >= acknowledged
        assert len(times) % 50 == 0
