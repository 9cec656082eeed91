"""The one door to the database: connections, transactions and the meaning of its errors.

Readers and writers are kept apart. A writing transaction takes the database's write lock when it
begins, so it never has to upgrade half-way, which SQLite would refuse without waiting; inside one
process writers queue on a lock of ours, which is fairer than SQLite's polling. On PostgreSQL an
advisory lock does the same, and makes positions grow in the order of the commits. A process that stands
still inside a transaction must not stop the others there: the server ends its connection after a while.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, Engine, Table, create_engine, event, make_url, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.pool import StaticPool

from monitor.errors import ConfigurationError, StoreError, StoreUnavailableError

_BEGIN: Final = "carboyd_begin"
_ADVISORY_LOCK: Final = 0x6361_7262_6F79_6400  # one writer at a time, whoever it is
_LOG_LIMIT_BYTES: Final = 64 * 1024 * 1024
_PAGE_BYTES: Final = 4096
_AGAIN_S: Final = 0.02
_PATIENT_LOCK_MS: Final = 60 * 60 * 1_000
"""As long as a dump may take: it keeps tables from being changed."""
_PATIENT_IDLE_MS: Final = 2 * 60 * 1_000
_LINK: Final[dict[str, Any]] = {
    "connect_timeout": 10,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
}
"""Seconds, the last one milliseconds: a server or a network that is gone is noticed, not waited for."""


@dataclass(frozen=True, slots=True)
class StoreOptions:
    """How to open a store."""

    url: str = field(repr=False)
    """SQLAlchemy URL: `sqlite:////var/lib/carboyd/carboyd.sqlite` or `postgresql+psycopg://...`; a secret."""
    quarantine_rows: int = 1_000
    """How many refused messages are kept, oldest out."""
    change_rows: int = 10_000
    """How far back `changes_since` can look."""
    busy_timeout_ms: int = 10_000
    """SQLite: how long a transaction waits for another process before the store counts as unavailable."""
    lock_limit_ms: int = 20_000
    """The same on a server, for one lock; longer than `idle_limit_ms`, so that who waits gets it then."""
    idle_limit_ms: int = 15_000
    """A server only: for how long a transaction may stand still before the server ends it."""
    check_limit_s: float = 20.0
    """How long the check of the file's soundness at opening may take."""
    rows_at_once: int = 20_000
    """So many are written by one statement on a server, or forgotten in one transaction: no long wait."""
    largest_bytes: int | None = None
    """SQLite only: the file may not grow beyond this; None for no limit of ours."""


class Gate:
    """Transactions on one engine; every foreign exception leaves as a StoreError.

    StoreUnavailableError means: nothing of this transaction was kept, and the same call may work later.
    """

    def __init__(self, options: StoreOptions) -> None:
        url = _checked(options.url)
        self.options = options
        self.shown = url.render_as_string(hide_password=True)
        self.is_sqlite = url.get_backend_name() == "sqlite"
        self.in_memory = self.is_sqlite and url.database in (None, "", ":memory:")
        self._writer = threading.RLock()
        self.engine = (
            _sqlite_engine(url, options, self.in_memory) if self.is_sqlite else _server_engine(url, options)
        )
        # on a server each statement sees what is committed by then, in a transaction or not; outside of one
        # a reader may take as long as it likes over what it got, and keeps nobody from changing a table
        self._read_engine = (
            self.engine if self.is_sqlite else self.engine.execution_options(isolation_level="AUTOCOMMIT")
        )
        # how many rows an INSERT kept is only known where it is asked for
        self._write_engine = self.engine.execution_options(
            **{_BEGIN: "BEGIN IMMEDIATE", "preserve_rowcount": True}
        )
        self._bare_engine = self.engine.execution_options(**{_BEGIN: ""})

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Only reads, on SQLite in a short transaction: fetch all inside, hold no cursor open after it."""
        # a database in memory has one connection, which cannot be in two transactions
        with (
            self.errors(),
            self._writer if self.in_memory else nullcontext(),
            self._read_engine.begin() as connection,
        ):
            yield connection

    @contextmanager
    def writing(self, *, patient: bool = False) -> Iterator[Connection]:
        """A transaction that may write: all of it is kept, or nothing.

        A `patient` one waits for whoever changes tables or dumps them, and may stand still for longer.
        """
        with self.errors(), self._writer, self._write_engine.begin() as connection:
            if not self.is_sqlite:
                if patient:
                    connection.execute(text(f"SET LOCAL lock_timeout = {_PATIENT_LOCK_MS}"))
                    connection.execute(
                        text(f"SET LOCAL idle_in_transaction_session_timeout = {_PATIENT_IDLE_MS}")
                    )
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
            yield connection

    @contextmanager
    def claiming(self) -> Iterator[Connection]:
        """A server's transaction that writes without queueing behind the other writers.

        For rows that are locked one by one: a heartbeat must not wait for a long commit.
        """
        assert not self.is_sqlite
        with self.errors(), self._write_engine.begin() as connection:
            yield connection

    @contextmanager
    def alone(self) -> Iterator[Connection]:
        """An SQLite connection outside of any transaction, for the statements that refuse to be in one."""
        # not by the AUTOCOMMIT level: leaving it would let the driver begin transactions by itself again
        with self.errors(), self._bare_engine.connect() as connection:
            yield connection

    @contextmanager
    def errors(self) -> Iterator[None]:
        """Map what SQLAlchemy and the drivers raise."""
        try:
            yield
        except SQLAlchemyError as error:
            raise self._mapped(error) from error
        except UnicodeError as error:
            raise StoreError(f"text that is not valid Unicode cannot be kept: {error}") from error
        except OverflowError as error:  # SQLite's driver, of a number beyond 64 bits
            raise StoreError("a number is too large for the store", hint="check what was typed") from error

    def insert(self, table: Table) -> sqlite.Insert | postgresql.Insert:
        """An INSERT of this database that knows ON CONFLICT."""
        return sqlite.insert(table) if self.is_sqlite else postgresql.insert(table)

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()

    def _mapped(self, error: SQLAlchemyError) -> StoreError:
        cause = error.orig if isinstance(error, DBAPIError) else None
        words = str(cause or error).strip().splitlines()[0]
        if isinstance(error, PoolTimeoutError):
            return StoreUnavailableError(
                f"the store {self.shown} has all its connections in use: {words}",
                hint="something holds them too long; see the log for what was slow",
            )
        if self.is_sqlite:
            return _from_sqlite(getattr(cause, "sqlite_errorname", ""), words, self.shown)
        state = getattr(cause, "sqlstate", None) or ""
        # 08 connection, 53 out of resources, 57 operator's doing, 40 rolled back, 55 lock, 58 system;
        # 25P03 and 25P04: the transaction stood still or lasted for too long, and the server ended it
        if (
            state[:2] in {"08", "53", "57", "40", "55", "58"}
            or state in {"25P03", "25P04"}
            # the connection broke, and no server said why
            or (not state and type(cause).__name__ in {"OperationalError", "InterfaceError"})
        ):
            return StoreUnavailableError(
                f"the database {self.shown} is not available: {words}",
                hint="check that the server runs, that it can be reached and that its disk is not full",
            )
        return StoreError(f"the database {self.shown} refused: {words}")


def _checked(text_url: str) -> URL:
    try:
        url = make_url(text_url)
    except ArgumentError:
        # the text may hold a password: it is not repeated
        raise ConfigurationError(
            ["store.url is no database URL; allowed: sqlite:////path/to/file or postgresql+psycopg://..."]
        ) from None
    if url.get_backend_name() not in {"sqlite", "postgresql"}:
        raise ConfigurationError(
            [f"store.url begins with {url.drivername!r}; allowed: sqlite, postgresql+psycopg"]
        )
    if url.drivername == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    return url


def _server_engine(url: URL, options: StoreOptions) -> Engine:
    # what is given beside the URL counts for more than what stands in it, so it is left out there
    arguments = {name: value for name, value in _LINK.items() if name not in url.query}
    arguments["options"] = _session_options(url, options)
    try:
        return create_engine(
            url, connect_args=arguments, pool_pre_ping=True, pool_size=5, max_overflow=5, pool_timeout=10
        )
    except (ImportError, NoSuchModuleError) as error:
        raise ConfigurationError(
            [f"store.url begins with {url.drivername!r}, and no driver for it is installed"],
            hint="install psycopg",
        ) from error


def _session_options(url: URL, options: StoreOptions) -> str:
    """Limits of ours, then the options of the URL or the environment: of two the server takes the last."""
    theirs = url.query.get("options", os.environ.get("PGOPTIONS", ""))
    given = (theirs,) if isinstance(theirs, str) else theirs
    ours = (
        f"-c lock_timeout={options.lock_limit_ms}",
        f"-c idle_in_transaction_session_timeout={options.idle_limit_ms}",
    )
    return " ".join((*ours, *given)).strip()


def _sqlite_engine(url: URL, options: StoreOptions, in_memory: bool) -> Engine:
    arguments: dict[str, Any] = {"timeout": options.busy_timeout_ms / 1_000, "check_same_thread": False}
    if in_memory:
        engine = create_engine(url, connect_args=arguments, poolclass=StaticPool)
    else:
        engine = create_engine(url, connect_args=arguments, pool_size=5, max_overflow=10, pool_timeout=10)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: object) -> None:
        # the driver must not begin or commit by itself: `_begin` does
        connection.isolation_level = None
        pragmas = [
            "PRAGMA foreign_keys = ON",
            "PRAGMA synchronous = FULL",  # an acknowledged reading survives a power cut
            f"PRAGMA journal_size_limit = {_LOG_LIMIT_BYTES}",
            "PRAGMA temp_store = MEMORY",
        ]
        if not in_memory:
            _keep_a_log(connection, options.busy_timeout_ms)
        if options.largest_bytes is not None:
            pragmas.append(f"PRAGMA max_page_count = {max(1, options.largest_bytes // _PAGE_BYTES)}")
        for pragma in pragmas:
            connection.execute(pragma).close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        statement = connection.get_execution_options().get(_BEGIN, "BEGIN")
        if statement:
            connection.exec_driver_sql(statement)

    return engine


def _keep_a_log(connection: sqlite3.Connection, patience_ms: int) -> None:
    """Switch to the write-ahead log, as patiently as the database waits for any other lock.

    Two programs that open a new file at once both want it alone for the switch, and there SQLite refuses one
    of them without waiting.
    """
    given_up = time.monotonic() + patience_ms / 1_000
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL").close()
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > given_up:
                raise
            time.sleep(_AGAIN_S)


_NO_ROOM: Final = "free space on its disk; readings wait with the broker until it can write again"
RESTORE: Final = (
    "stop carboyd, set the file with its -wal and -shm aside, and put the last good backup in its place"
)


def _from_sqlite(name: str, words: str, shown: str) -> StoreError:
    if name in {"SQLITE_CORRUPT", "SQLITE_NOTADB"} or name.startswith("SQLITE_CORRUPT"):
        return StoreError(f"the store {shown} is damaged or no database: {words}", hint=RESTORE)
    if name == "SQLITE_FULL":
        return StoreUnavailableError(f"the store {shown} has no room left: {words}", hint=_NO_ROOM)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreUnavailableError(
            f"the store {shown} is kept busy by another program: {words}",
            hint="end what holds it open for writing",
        )
    if name.startswith(("SQLITE_IOERR", "SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return StoreUnavailableError(
            f"the store {shown} cannot be opened or written: {words}",
            hint="check that its directory exists, that this user may write there and that the disk is sound",
        )
    return StoreError(f"the store {shown} refused: {words}")
