"""Migrations upwards from the first version, with rows in every table of it, on both engines."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, make_url, text

from monitor.batch.sheet import Sheet
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.store.gate import Gate, StoreOptions
from monitor.store.opening import MIGRATIONS
from monitor.store.schema import SCHEMA_VERSION, metadata
from monitor.store.sql import SqlStore

FIRST_ROWS = {
    "batches": """('a', 5, 90, '{"slug": "a", "name": "A", "pitched_ms": 5, "ended_ms": 90}')""",
    "batch_sensors": "('a', 'gravity', 'float-a')",
    "journal": "(1, 'a', 'racked', 6, 7, 'to glass')",
    "calibrations": "(1, 'float-a', 5, 6, '{}')",
    "series": "(1, 'float-a', 'gravity', 10, 30, 29, 1.03)",
    "readings": "(1, 1, 9, 1.04, 10, 0), (2, 1, 29, 1.03, 30, 0)",
    "alerts": "(1, 'a', 'stalled', '', 20, 'act', 'resolved', 'it stands', 60, 'it goes', 40),"
    " (2, 'a', 'finished', '', 70, 'act', 'firing', 'it is done', NULL, '', NULL)",
    "silences": "(1, 'a', NULL, 30, 50, 'quiet')",
    "deliveries": "(1, 1, 'phone', 'firing', 0, NULL, 1, '', 21, NULL, '')",
    "quarantine": "(1, 10, 'carboyd/readings/x', '', 0, 'json', '', 'not JSON')",
    "fault_counts": "('json', 1, 10)",
    "changes": "(1, 'batch', 'a', 5)",
    "marks": "('elsewhere', 3)",
}
"""Tables of the first version in an order that foreign keys allow, with a row or two each."""

NUMBERED = {"readings": "position", "changes": "position", "journal": "id", "alerts": "id", "series": "id"}

KEPT_IN_FIRST = {
    "batches": "(slug, pitched_ms, ended_ms, sheet)",
    "marks": "(name, position)",
}


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """URL of a database without a table."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'old.sqlite'}"
        return
    server: str = request.getfixturevalue("postgresql")
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text("CREATE DATABASE old"))
    yield make_url(server).set(database="old").render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.execute(text("DROP DATABASE old WITH (FORCE)"))
    engine.dispose()


def revisions() -> list[str]:
    """All of them, the oldest first."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return [one.revision for one in ScriptDirectory.from_config(config).walk_revisions()][::-1]


def brought_to(url: str, revision: str, *, rows: bool) -> None:
    """Migrate a database to a revision; into a new one of the first version rows are put."""
    gate = Gate(StoreOptions(url))
    try:
        with gate.writing() as connection:
            config = Config()
            config.set_main_option("script_location", str(MIGRATIONS))
            config.attributes["connection"] = connection
            command.upgrade(config, revision)
            for table, values in FIRST_ROWS.items() if rows else ():
                columns = KEPT_IN_FIRST.get(table, "")
                row = f"INSERT INTO {table} {columns} VALUES {values}"  # noqa: S608  from the table above
                connection.execute(text(row.replace(":", r"\:")))
            if rows and not gate.is_sqlite:
                for table, key in NUMBERED.items():
                    # the rows above brought their own numbers: the server's must go on after them
                    connection.execute(text(f"SELECT setval('{table}_{key}_seq', 100)"))
    finally:
        gate.close()


def check_what_is_kept(store: SqlStore) -> None:
    """Everything that the first version held is read by today's parts."""
    assert store.batches.get("a") == Sheet("a", "A", 5, ended_ms=90)
    assert store.batches.journal("a") == [JournalEntry(JournalKind.RACKED, 6, 7, "to glass")]
    assert store.readings.read(["float-a"]).value.tolist() == [1.04, 1.03]
    assert [alert.id for alert in store.alerts.listed()] == [2, 1]
    assert store.quarantine.counts()[0].count == 1
    assert store.calibrations.listed("float-a")[0].valid_from_ms == 5
    assert store.changes.mark("elsewhere") == 3
    steps = [(one.alert.id, str(one.moment), one.at_ms) for _, one in store.chronicle.alerts_after(0, 10)]
    assert sorted(steps, key=lambda step: step[2]) == [
        (1, "firing", 20),
        (1, "acknowledged", 40),
        (1, "resolved", 60),
        (2, "firing", 70),
    ]


def test_every_table_of_the_first_version_has_rows_here(empty_url: str) -> None:
    """No table is left out of these tests."""
    brought_to(empty_url, "0001", rows=False)
    gate = Gate(StoreOptions(empty_url))
    with gate.reading() as connection:
        names = set(MigrationContext.configure(connection).dialect.get_table_names(connection))
    gate.close()
    assert names - {"alembic_version"} == set(FIRST_ROWS)


def test_a_store_of_the_first_version_opens_with_all_it_holds(empty_url: str) -> None:
    """One opening brings it to the newest version; rows are there, the tables are today's."""
    brought_to(empty_url, "0001", rows=True)
    with SqlStore(StoreOptions(empty_url)) as store:
        check_what_is_kept(store)
        with store._gate.reading() as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert context.get_current_revision() == SCHEMA_VERSION
            assert compare_metadata(context, metadata) == []


def test_every_version_on_the_way_can_be_stopped_at(empty_url: str) -> None:
    """One migration at a time, as machines updated at each release went, ends in the same place."""
    first, *later = revisions()
    brought_to(empty_url, first, rows=True)
    for revision in later:
        brought_to(empty_url, revision, rows=False)
    with SqlStore(StoreOptions(empty_url)) as store:
        check_what_is_kept(store)
        store.batches.update(store.batches.get("a"), at_ms=100)
