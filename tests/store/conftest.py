"""Stores to test: one suite, every engine."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url, text

from monitor.batch.sheet import Sheet
from monitor.store.gate import StoreOptions
from monitor.store.schema import metadata
from monitor.store.sql import SqlStore


def _programs() -> Path | None:
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return installed[-1].parent if installed else None


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """URL of a PostgreSQL server of our own, on a socket in a directory of its own."""
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed")
    # the server refuses to run as root
    become: list[str] = []
    if os.geteuid() == 0:
        become = ["runuser", "-u", "postgres", "--"]
    home = Path(tempfile.mkdtemp(prefix="carboyd-pg-"))
    try:
        if become:
            shutil.chown(home, "postgres")
        quiet = {"check": True, "stdout": subprocess.DEVNULL, "cwd": home}
        data = str(home / "data")
        subprocess.run(
            [
                *become,
                programs / "initdb",
                "-D",
                data,
                "-A",
                "trust",
                "-U",
                "postgres",
                "-E",
                "UTF8",
                "--no-sync",
            ],
            **quiet,
        )
        options = f"-k {home} -c listen_addresses='' -c fsync=off -c max_connections=40"
        subprocess.run([*become, programs / "pg_ctl", "-D", data, "-o", options, "-w", "start"], **quiet)
        try:
            yield f"postgresql+psycopg://postgres@/postgres?host={home}"
        finally:
            subprocess.run([*become, programs / "pg_ctl", "-D", data, "-m", "immediate", "stop"], **quiet)
    finally:
        shutil.rmtree(home, ignore_errors=True)


@pytest.fixture(scope="session")
def _server_store(postgresql: str) -> str:
    """URL of a database on the server in which the migrations have run, once for all tests."""
    engine = create_engine(postgresql, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text("CREATE DATABASE store"))
    engine.dispose()
    made = make_url(postgresql).set(database="store").render_as_string(hide_password=False)
    SqlStore(StoreOptions(made)).close()
    return made


@pytest.fixture
def server_url(_server_store: str) -> str:
    """URL of a store on the server whose tables are empty."""
    engine = create_engine(_server_store)
    with engine.begin() as connection:
        tables = ", ".join(metadata.tables)
        connection.execute(text(f"TRUNCATE {tables} RESTART IDENTITY"))
    engine.dispose()
    return _server_store


@pytest.fixture(scope="session")
def new_file(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], None]:
    """Puts an SQLite store with empty tables at a path."""
    pattern = tmp_path_factory.mktemp("pattern") / "carboyd.sqlite"
    SqlStore(StoreOptions(f"sqlite:///{pattern}")).close()

    def put(path: Path) -> None:
        shutil.copyfile(pattern, path)

    return put


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty database, one engine after the other."""
    if request.param == "sqlite":
        request.getfixturevalue("new_file")(tmp_path / "carboyd.sqlite")
        return f"sqlite:///{tmp_path / 'carboyd.sqlite'}"
    made: str = request.getfixturevalue("server_url")
    return made


@pytest.fixture
def store(url: str) -> Iterator[SqlStore]:
    """An open, empty store."""
    with SqlStore(StoreOptions(url)) as opened:
        yield opened


@pytest.fixture
def file_url(tmp_path: Path) -> str:
    """URL of an SQLite file that does not exist yet."""
    return f"sqlite:///{tmp_path / 'carboyd.sqlite'}"


@pytest.fixture
def orchard(store: SqlStore) -> Sheet:
    """An open batch in the store."""
    sheet = Sheet(
        "orchard-session",
        "Orchard session",
        pitched_ms=1_000_000_000,
        gravity_sensor="float-a",
        temperature_sensor="probe-1",
    )
    store.batches.start(sheet, at_ms=1_000_000_000)
    return sheet
