"""Stores to test: one suite, every engine."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.batch.sheet import Sheet
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore


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
