"""The store on SQL: one class that opens, checks and closes; its parts hold the statements."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from types import TracebackType
from typing import Final

from sqlalchemy import text

from monitor.errors import InputError, StoreError, StoreUnavailableError
from monitor.store.alerts import SqlAlerts
from monitor.store.batches import SqlBatches
from monitor.store.calibrations import SqlCalibrations
from monitor.store.changes import SqlChanges
from monitor.store.checkpoints import SqlCheckpoints
from monitor.store.chronicle import SqlChronicle
from monitor.store.claims import SqlClaims
from monitor.store.forwarding import SqlForwarding
from monitor.store.gate import Gate, StoreOptions
from monitor.store.notebook import SqlNotebook
from monitor.store.opening import bring_up_to_date, check_soundness
from monitor.store.outbox import SqlOutbox
from monitor.store.quarantine import SqlQuarantine
from monitor.store.readings import SqlReadings
from monitor.store.retention import SqlRetention
from monitor.store.shares import SqlShares
from monitor.store.standings import SqlStandings

_TIDY_WAIT_MS: Final = 100


class SqlStore:
    """A store on SQLite or PostgreSQL; see `monitor.store.base` for what its parts promise.

    Opening makes or migrates the tables. Raises ConfigurationError for a URL that is none,
    StoreUnavailableError where the database cannot be reached or opened, StoreError where the file is
    damaged, foreign or newer than this program.
    """

    def __init__(self, options: StoreOptions) -> None:
        self._gate = Gate(options)
        try:
            self.checked = check_soundness(self._gate)
            """False where the check of the file's soundness did not end in time."""
            bring_up_to_date(self._gate)
        except BaseException:
            self._gate.close()
            raise
        self.changes = SqlChanges(self._gate)
        self.quarantine = SqlQuarantine(self._gate)
        self.readings = SqlReadings(self._gate, self.quarantine, self.changes)
        self.batches = SqlBatches(self._gate, self.readings, self.changes)
        self.notebook = SqlNotebook(self._gate, self.changes)
        self.alerts = SqlAlerts(self._gate, self.changes)
        self.outbox = SqlOutbox(self._gate)
        self.calibrations = SqlCalibrations(self._gate, self.changes)
        self.shares = SqlShares(self._gate)
        self.standings = SqlStandings(self._gate)
        self.claims = SqlClaims(self._gate)
        self.checkpoints = SqlCheckpoints(self._gate)
        self.chronicle = SqlChronicle(self._gate)
        self.forwarding = SqlForwarding(self._gate)
        self.retention = SqlRetention(self._gate, self.changes)

    def __enter__(self) -> SqlStore:
        """The store itself; it is closed at the end of the block."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close."""
        self.close()

    @property
    def location(self) -> str:
        """Where it is, without the password."""
        return self._gate.shown

    def tidy(self) -> None:
        """Fold SQLite's write-ahead log into the file and shorten it; skipped while someone reads."""
        if self._gate.is_sqlite and not self._gate.in_memory:
            with self._gate.alone() as connection:
                # writers wait while this waits for readers: not for long
                connection.execute(text(f"PRAGMA busy_timeout = {_TIDY_WAIT_MS}"))
                try:
                    connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)")).all()
                finally:
                    connection.execute(text(f"PRAGMA busy_timeout = {self._gate.options.busy_timeout_ms}"))

    def log_bytes(self) -> int:
        """Size of SQLite's write-ahead log; 0 for other databases."""
        path = self._path()
        try:
            return 0 if path is None else path.with_name(path.name + "-wal").stat().st_size
        except FileNotFoundError:
            return 0

    def backup(self, target: Path) -> None:
        """Write a sound, compact copy of an SQLite store to `target` while work goes on.

        InputError where `target` exists or the store is on a server, StoreUnavailableError without room.
        """
        path = self._path()
        if path is None:
            raise InputError(
                f"{self.location} is not a file that can be copied",
                hint="use the database's own tool, pg_dump for PostgreSQL",
            )
        if target.exists():
            raise InputError(f"{target} exists already", hint="give the copy a name of its own")
        partial = target.with_name(target.name + ".partial")
        try:
            # VACUUM INTO wants a file that is not there
            partial.unlink(missing_ok=True)
            room, needed = shutil.disk_usage(target.parent).free, path.stat().st_size + self.log_bytes()
            if room < needed:
                raise StoreUnavailableError(
                    f"no room for a copy at {target}: {needed} bytes needed, {room} free",
                    hint="free space or give another directory",
                )
            with self._gate.alone() as connection:
                connection.execute(text("VACUUM INTO :target"), {"target": str(partial)})
            with partial.open("rb") as written:
                os.fsync(written.fileno())
            partial.rename(target)
        except OSError as error:
            raise StoreUnavailableError(f"no copy at {target}: {error.strerror}") from error
        finally:
            partial.unlink(missing_ok=True)

    def close(self) -> None:
        """Fold the log into the file and let go of it; closing twice is allowed."""
        try:
            self.forwarding.close()
            self.tidy()
        except StoreError:
            # a log that is not folded in is read again at the next opening: nothing is lost
            pass
        finally:
            self._gate.close()

    def _path(self) -> Path | None:
        database = self._gate.engine.url.database
        return Path(database) if self._gate.is_sqlite and not self._gate.in_memory and database else None
