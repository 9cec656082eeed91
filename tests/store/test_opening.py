"""Opening: soundness, schema and migrations."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from monitor.batch.sheet import Sheet
from monitor.errors import StoreError, StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.gate import Gate, StoreOptions
from monitor.store.opening import MIGRATIONS, bring_up_to_date, check_soundness
from monitor.store.schema import SCHEMA_VERSION, metadata
from monitor.store.sql import SqlStore
from monitor.units import Quantity


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the file is."""
    return tmp_path / "carboyd.sqlite"


def filled(file_url: str) -> None:
    """Make a store with some pages of readings."""
    with SqlStore(StoreOptions(file_url)) as store:
        store.readings.commit([Reading("float-a", Quantity.GRAVITY, n, 1.04, n) for n in range(5_000)])


class TestSchema:
    """Tables and migrations."""

    def test_the_newest_migration_is_the_version_we_ask_for(self) -> None:
        """Nobody can add a migration and forget the constant, or the other way round."""
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        assert ScriptDirectory.from_config(config).get_current_head() == SCHEMA_VERSION

    def test_migrations_make_the_tables_that_the_code_uses(self, url: str) -> None:
        """Alembic's own comparison finds no difference between the migrated database and the metadata."""
        with SqlStore(StoreOptions(url)) as store, store._gate.reading() as connection:
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert compare_metadata(context, metadata) == []

    def test_a_second_opening_changes_nothing(self, url: str) -> None:
        """An up-to-date store opens without a write, and another program's lock does not stand in the way."""
        with SqlStore(StoreOptions(url)) as one, SqlStore(StoreOptions(url, busy_timeout_ms=10)) as two:
            if one._gate.is_sqlite:
                with one._gate.writing():
                    SqlStore(StoreOptions(url, busy_timeout_ms=10)).close()
            assert two.changes.position() == 0

    def test_two_programs_may_open_a_new_store_at_once(self, file_url: str) -> None:
        """Both find the tables made; neither fails."""
        ready = threading.Barrier(2, timeout=10)
        faults: list[BaseException] = []

        def start() -> None:
            try:
                ready.wait()
                SqlStore(StoreOptions(file_url)).close()
            except BaseException as error:  # noqa: BLE001  it is looked at below
                faults.append(error)

        threads = [threading.Thread(target=start) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert faults == []

    def test_an_older_store_is_brought_up_to_date_with_what_it_holds(self, file_url: str) -> None:
        """A store of the first schema opens, keeps its batch and has the newest tables."""
        gate = Gate(StoreOptions(file_url))
        with gate.writing() as connection:
            config = Config()
            config.set_main_option("script_location", str(MIGRATIONS))
            config.attributes["connection"] = connection
            command.upgrade(config, "0001")
            connection.exec_driver_sql(
                "INSERT INTO batches (slug, pitched_ms, sheet) "
                """VALUES ('a', 5, '{"slug": "a", "name": "A", "pitched_ms": 5}')"""
            )
        gate.close()
        with SqlStore(StoreOptions(file_url)) as store:
            assert store.batches.get("a") == Sheet("a", "A", 5)
            with store._gate.reading() as connection:
                context = MigrationContext.configure(connection)
                assert context.get_current_revision() == SCHEMA_VERSION
                assert compare_metadata(context, metadata) == []

    def test_a_newer_schema_is_refused_plainly(self, file_url: str, path: Path) -> None:
        """A store that a later program wrote is not touched, and the message says so."""
        SqlStore(StoreOptions(file_url)).close()
        with sqlite3.connect(path) as other:
            other.execute("UPDATE alembic_version SET version_num = '0999'")
        other.close()
        with pytest.raises(StoreError, match=r"schema 0999.*newer") as caught:
            SqlStore(StoreOptions(file_url))
        assert not isinstance(caught.value, StoreUnavailableError)
        assert "newer carboyd" in caught.value.hint

    def test_a_strange_database_is_left_alone(self, file_url: str, path: Path) -> None:
        """Tables that are not ours are not mixed with ours."""
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE recipes (id INTEGER)")
        other.close()
        with pytest.raises(StoreError, match="not carboyd's"):
            SqlStore(StoreOptions(file_url))

    def test_a_failed_migration_leaves_nothing_behind(self, file_url: str, path: Path) -> None:
        """Without room for all tables there are none, and the next opening makes them all."""
        with pytest.raises(StoreUnavailableError):
            SqlStore(StoreOptions(file_url, largest_bytes=20_000))
        other = sqlite3.connect(path)
        assert other.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)
        other.close()
        SqlStore(StoreOptions(file_url)).close()


class TestSoundness:
    """Damaged files."""

    def test_a_sound_file_passes(self, file_url: str) -> None:
        """A good store says that it was checked."""
        filled(file_url)
        with SqlStore(StoreOptions(file_url)) as store:
            assert store.checked

    def test_a_file_that_is_no_database_is_named(self, file_url: str, path: Path) -> None:
        """Text where the store should be gives one clear error with a way out, and stays as it is."""
        path.write_text("this is a letter, not a database\n" * 200)
        with pytest.raises(StoreError, match=r"carboyd\.sqlite is damaged or no database") as caught:
            SqlStore(StoreOptions(file_url))
        assert "backup" in caught.value.hint
        assert path.read_text().startswith("this is a letter")

    def test_a_torn_page_is_found_at_opening(self, file_url: str, path: Path) -> None:
        """Pages overwritten with rubbish are found before anything relies on them."""
        filled(file_url)
        with path.open("r+b") as file:
            for page in range(20, 24):
                file.seek(page * 4_096)
                file.write(b"\xa5" * 4_096)
        with pytest.raises(StoreError, match="damaged") as caught:
            SqlStore(StoreOptions(file_url))
        assert not isinstance(caught.value, StoreUnavailableError)
        assert "backup" in caught.value.hint

    def test_a_check_that_takes_too_long_is_given_up(self, file_url: str) -> None:
        """A great file does not hold up the start: the check ends and says that it did not finish."""
        filled(file_url)
        gate = Gate(StoreOptions(file_url, check_limit_s=-1.0))
        with gate.writing() as connection:
            connection.exec_driver_sql(
                "WITH RECURSIVE n(i) AS (SELECT 10000 UNION ALL SELECT i + 1 FROM n WHERE i < 60000) "
                "INSERT INTO readings (series_id, time_ms, value, received_ms, flag) "
                "SELECT 1, i, 1.0, i, 0 FROM n"
            )
        assert not check_soundness(gate)
        bring_up_to_date(gate)
        gate.close()
