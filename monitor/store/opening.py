"""Opening a store: is the file sound, is its schema ours, bring it up to date."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import OperationalError

from monitor.errors import StoreError
from monitor.store.gate import RESTORE, Gate
from monitor.store.schema import SCHEMA_VERSION

MIGRATIONS: Final = Path(__file__).parent / "migrations"
_VERSION_TABLE: Final = "alembic_version"
_STEPS_BETWEEN_LOOKS: Final = 100_000


def check_soundness(gate: Gate) -> bool:
    """SQLite's own quick check of the file; False where it did not end within the limit.

    Raises StoreError with what to do when the file is damaged or no database.
    """
    if not gate.is_sqlite or gate.in_memory:
        return True
    deadline = time.monotonic() + gate.options.check_limit_s
    with gate.reading() as connection:
        driver: Any = connection.connection.driver_connection
        driver.set_progress_handler(lambda: time.monotonic() > deadline, _STEPS_BETWEEN_LOOKS)
        try:
            findings = connection.execute(text("PRAGMA quick_check(5)")).scalars().all()
        except OperationalError as error:
            if getattr(error.orig, "sqlite_errorname", "") == "SQLITE_INTERRUPT":
                return False
            raise
        finally:
            driver.set_progress_handler(None, 0)
    if findings != ["ok"]:
        raise StoreError(
            f"the store {gate.shown} is damaged: {'; '.join(map(str, findings))}",
            hint=RESTORE,
        )
    return True


def bring_up_to_date(gate: Gate) -> None:
    """Make the tables or migrate them, all in one transaction, so a failure leaves the old state.

    Raises StoreError for a schema that is newer than this program.
    """
    with gate.reading() as connection:
        if _version(connection) == SCHEMA_VERSION:
            return
    # another one's migration may take a while, and so may a dump that holds on to the tables
    with gate.writing(patient=True) as connection:
        found = _version(connection)
        if found == SCHEMA_VERSION:
            return
        if found is not None and found not in known_versions():
            raise StoreError(
                f"the store {gate.shown} has schema {found}, "
                f"which is newer than this program's {SCHEMA_VERSION}",
                hint="use the newer carboyd that wrote it, or another store",
            )
        if found is None and inspect(connection).get_table_names():
            raise StoreError(
                f"the database {gate.shown} holds tables that are not carboyd's",
                hint="give carboyd a database of its own",
            )
        _migrate(connection)


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table(_VERSION_TABLE):
        return None
    # the table's name is a constant of ours
    found: str | None = connection.execute(text(f"SELECT version_num FROM {_VERSION_TABLE}")).scalar()  # noqa: S608
    return found


def known_versions() -> set[str]:
    """Every schema that this program can read or migrate."""
    return {path.stem.split("_")[0].removeprefix("v") for path in (MIGRATIONS / "versions").glob("v*.py")}


def _migrate(connection: Connection) -> None:
    # slow to import and rarely needed
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
