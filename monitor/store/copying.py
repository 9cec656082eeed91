"""Copies of a store: made while it is in use, checked, and put back.

SQLite is copied by its own VACUUM INTO (`SqlStore.backup`), a server by its own pg_dump. A copy counts only
once it has been looked into: a backup that was never read is a hope.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import make_url

from monitor.errors import InputError, StoreError, StoreUnavailableError
from monitor.store.opening import known_versions
from monitor.store.schema import SCHEMA_VERSION

_SIDE_FILES: Final = ("-wal", "-shm")
_DUMP_LIMIT_S: Final = 3_600.0


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds."""

    path: Path
    size_bytes: int
    schema: str
    batches: int
    readings: int


def checked_copy(path: Path) -> Copied:
    """Read and check a whole SQLite copy; InputError or StoreError where it is not sound or not ours."""
    if not path.is_file():
        raise InputError(f"there is no file {path}", hint="give a copy that `carboyd backup` made")
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            findings = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
            if findings != ["ok"]:
                raise StoreError(
                    f"the copy {path} is damaged: {'; '.join(findings)}", hint="take another one"
                )
            (schema,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            (batches,) = connection.execute("SELECT count(*) FROM batches").fetchone()
            (readings,) = connection.execute("SELECT count(*) FROM readings").fetchone()
    except sqlite3.Error as error:
        raise StoreError(f"{path} is no sound copy of a store: {error}", hint="take another one") from error
    if schema not in known_versions():
        raise StoreError(
            f"the copy {path} has schema {schema}, which is newer than this program's {SCHEMA_VERSION}",
            hint="use the newer carboyd that made it",
        )
    return Copied(path, path.stat().st_size, schema, batches, readings)


def put_back(copy: Path, target: Path, *, stamp: str) -> Path | None:
    """Put a checked copy in a store's place; where the old store lies now, None where there was none.

    The old one is set aside under its name with `stamp`. Raises StoreError where the copy is not sound or
    a program has the store open; then nothing was changed.
    """
    checked_copy(copy)
    if target.exists() and copy.samefile(target):
        raise InputError(f"{copy} is the store itself", hint="give a copy that `carboyd backup` made")
    partial = target.with_name(target.name + ".partial")
    try:
        if target.exists():
            _nobody_has(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(copy, partial)
        partial.chmod(0o600)
        _give(partial, target if target.exists() else target.parent)
        with partial.open("rb") as written:
            os.fsync(written.fileno())
        aside = _set_aside(target, stamp)
        partial.rename(target)
        _settle(target.parent)
    except OSError as error:
        raise StoreUnavailableError(f"{copy} was not put back: {error.strerror}") from error
    finally:
        partial.unlink(missing_ok=True)
    return aside


def dump_server(url: str, target: Path) -> Path:
    """Dump a PostgreSQL store with pg_dump into a file that does not exist yet, consistent while in use.

    Raises InputError where the file exists or there is no pg_dump, StoreUnavailableError with its own words
    where it fails.
    """
    program = shutil.which("pg_dump")
    if program is None:
        raise InputError(
            "the store is on PostgreSQL, and its pg_dump is not installed here",
            hint="install postgresql-client, or run `pg_dump --format=custom` where the server is",
        )
    if target.exists():
        raise InputError(f"{target} exists already", hint="give the copy a name of its own")
    partial = target.with_name(target.name + ".partial")
    parts = make_url(url)
    # by the environment: a command line can be read by everyone on the machine
    secret = {} if parts.password is None else {"PGPASSWORD": str(parts.password)}
    bare = parts.set(drivername="postgresql", password=None).render_as_string(hide_password=False)
    command = [program, "--format=custom", f"--file={partial}", f"--dbname={bare}"]
    try:
        done = subprocess.run(  # noqa: S603  pg_dump with words of ours
            command, env=os.environ | secret, capture_output=True, text=True, timeout=_DUMP_LIMIT_S
        )
        if done.returncode != 0:
            words = done.stderr.strip().splitlines()[-1:] or ["it said nothing"]
            raise StoreUnavailableError(f"pg_dump failed: {words[0]}")
        partial.rename(target)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise StoreUnavailableError(f"pg_dump failed: {error}") from error
    finally:
        partial.unlink(missing_ok=True)
    return target


def _nobody_has(target: Path) -> None:
    """Refuse while another program has the file open: leaving the write-ahead log takes it alone."""
    try:
        with closing(sqlite3.connect(target, timeout=0.2, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorname.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise StoreUnavailableError(
                f"the store {target} is in use", hint="stop carboyd first, then restore, then start it"
            ) from error
    except sqlite3.DatabaseError:
        pass  # damaged: that is what restoring is for


def _give(path: Path, like: Path) -> None:
    """Let root give the file to whom the store belonged: the daemon runs as somebody else."""
    if os.geteuid() == 0:
        owner = like.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _set_aside(target: Path, stamp: str) -> Path | None:
    aside = target.with_name(f"{target.name}.{stamp}")
    if aside.exists():
        raise InputError(f"{aside} exists already", hint="move it away first")
    moved = None
    for tail in ("", *_SIDE_FILES):
        old = target.with_name(target.name + tail)
        if old.exists():
            old.rename(aside.with_name(aside.name + tail))
            moved = aside
    return moved


def _settle(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
