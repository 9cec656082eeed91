"""What tests of several rooms share."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings
from sqlalchemy import Engine, create_engine, event, make_url, text

from monitor.store.gate import StoreOptions
from monitor.store.schema import metadata
from monitor.store.sql import SqlStore

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# how fast the machine happens to be is no fault of what is tested
settings.register_profile("any-pace", deadline=None)
settings.load_profile("any-pace")

CHROMIUM_ARGUMENTS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, without a screen; absent, these tests are skipped, but not where all must run.

    For one module only: its event loop would stand in the way of tests that run one of their own.
    """
    # slow to import, and most tests need no browser
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI") == "true":
            pytest.fail("chromium is not installed, and this run must test everything")
        pytest.skip("chromium is not installed (on Debian: apt install chromium)")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=CHROMIUM_ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def just_before_a_write() -> Iterator[Callable[[Callable[[], object]], None]]:
    """Has others do something just before the next transaction begins that writes to an SQLite file."""
    meant: list[Callable[[], object]] = []

    def noticed(_1: object, _2: object, words: str, *_rest: Any) -> None:
        if meant and words == "BEGIN IMMEDIATE":
            # taken out first: it begins such a transaction too
            meant.pop()()

    event.listen(Engine, "before_cursor_execute", noticed)
    yield meant.append
    event.remove(Engine, "before_cursor_execute", noticed)
    assert not meant, "nothing was written"


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
        if os.environ.get("CI") == "true":
            pytest.fail("PostgreSQL is not installed, and this run must test everything")
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
        options = f"-k {home} -c listen_addresses='' -c fsync=off -c max_connections=80"
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
