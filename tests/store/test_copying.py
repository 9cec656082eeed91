"""Copies: checked before they count, put back only where nobody is in the way."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess

import pytest
from sqlalchemy import create_engine, make_url, text

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, StoreError, StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.copying import checked_copy, dump_server, put_back
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import Quantity


def gravity(number: int) -> Reading:
    """One reading."""
    return Reading("float-a", Quantity.GRAVITY, number, 1.04, number)


@pytest.fixture
def copy(file_url, tmp_path):
    """A copy of a store with a batch and a thousand readings."""
    with SqlStore(StoreOptions(file_url)) as store:
        store.batches.start(Sheet("a", "A", 0), at_ms=0)
        store.readings.commit([gravity(number) for number in range(1_000)])
        store.backup(tmp_path / "copy.sqlite")
        store.readings.commit([gravity(5_000)])
    return tmp_path / "copy.sqlite"


class TestChecking:
    """What counts as a copy."""

    def test_a_sound_copy_says_what_it_holds(self, copy):
        """Counts, size and schema are read from it."""
        found = checked_copy(copy)
        assert (found.batches, found.readings) == (1, 1_000)
        assert found.size_bytes == copy.stat().st_size

    def test_a_torn_page_anywhere_is_found(self, copy):
        """The whole copy is read, not only its beginning."""
        whole = copy.read_bytes()
        copy.write_bytes(whole[:-4_096] + b"\xa5" * 4_096)
        with pytest.raises(StoreError):
            checked_copy(copy)

    @pytest.mark.parametrize("content", [b"", b"not a database" * 1_000])
    def test_another_file_is_no_copy(self, tmp_path, content):
        """An empty file and text are told apart from a store."""
        path = tmp_path / "other"
        path.write_bytes(content)
        with pytest.raises(StoreError, match="no sound copy"):
            checked_copy(path)

    def test_a_newer_copy_is_refused(self, copy):
        """Of a schema that this program does not know."""
        with sqlite3.connect(copy) as other:
            other.execute("UPDATE alembic_version SET version_num = '0999'")
        other.close()
        with pytest.raises(StoreError, match="newer"):
            checked_copy(copy)

    def test_a_file_that_is_not_there_is_named(self, tmp_path):
        """Nothing is made in its place."""
        with pytest.raises(InputError, match="there is no file"):
            checked_copy(tmp_path / "none.sqlite")
        assert not (tmp_path / "none.sqlite").exists()


class TestPuttingBack:
    """A copy in the store's place."""

    def test_the_store_is_as_it_was_and_the_new_one_is_kept(self, copy, file_url, tmp_path):
        """What came after the copy is gone from the store and lies aside, whole."""
        aside = put_back(copy, tmp_path / "carboyd.sqlite", stamp="before")
        assert aside == tmp_path / "carboyd.sqlite.before"
        with SqlStore(StoreOptions(file_url)) as store:
            assert len(store.readings.read(["float-a"])) == 1_000
            assert store.readings.commit([gravity(7_000)]).stored == 1
        with SqlStore(StoreOptions(f"sqlite:///{aside}")) as store:
            assert len(store.readings.read(["float-a"])) == 1_001
        assert checked_copy(copy).readings == 1_000

    def test_a_store_in_use_is_left_alone(self, copy, file_url, tmp_path):
        """While any program has it open, idle or not, nothing is changed."""
        with SqlStore(StoreOptions(file_url)) as store:
            store.batches.listed()
            with pytest.raises(StoreUnavailableError, match="in use") as caught:
                put_back(copy, tmp_path / "carboyd.sqlite", stamp="before")
            assert "stop carboyd" in caught.value.hint
            assert len(store.readings.read(["float-a"])) == 1_001
        assert sorted(path.name for path in tmp_path.glob("*before*")) == []

    def test_a_damaged_store_is_replaced_with_its_log(self, copy, file_url, tmp_path):
        """It is set aside as it is, and no old log is left to be read into the copy."""
        target = tmp_path / "carboyd.sqlite"
        target.write_bytes(b"\xa5" * 9_000)
        (tmp_path / "carboyd.sqlite-wal").write_bytes(b"old")
        put_back(copy, target, stamp="before")
        assert (tmp_path / "carboyd.sqlite.before").read_bytes() == b"\xa5" * 9_000
        assert not (tmp_path / "carboyd.sqlite-wal").exists()
        with SqlStore(StoreOptions(file_url)) as store:
            assert len(store.readings.read(["float-a"])) == 1_000

    def test_a_bad_copy_changes_nothing(self, copy, file_url, tmp_path):
        """It is checked before anything is moved."""
        copy.write_bytes(b"rubbish" * 999)
        with pytest.raises(StoreError):
            put_back(copy, tmp_path / "carboyd.sqlite", stamp="before")
        with SqlStore(StoreOptions(file_url)) as store:
            assert len(store.readings.read(["float-a"])) == 1_001

    def test_a_new_machine_has_no_store_yet(self, copy, tmp_path):
        """Its folder is made; there is nothing to set aside."""
        assert put_back(copy, tmp_path / "new" / "carboyd.sqlite", stamp="before") is None
        with SqlStore(StoreOptions(f"sqlite:///{tmp_path}/new/carboyd.sqlite")) as store:
            assert [sheet.slug for sheet in store.batches.listed()] == ["a"]

    @pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
    def test_root_gives_the_store_to_whom_it_belonged(self, copy, tmp_path):
        """The daemon's own user can open what root has put back."""
        target = tmp_path / "carboyd.sqlite"
        os.chown(target, 65_534, 65_534)
        put_back(copy, target, stamp="before")
        assert (target.stat().st_uid, target.stat().st_mode & 0o777) == (65_534, 0o600)

    def test_the_store_is_not_its_own_copy(self, copy, tmp_path):
        """Named by mistake it stays where it is."""
        target = tmp_path / "carboyd.sqlite"
        with pytest.raises(InputError, match="the store itself"):
            put_back(target, target, stamp="before")


class TestServer:
    """PostgreSQL by its own tools."""

    def test_a_dump_restores_into_a_new_database(self, server_url, postgresql, tmp_path):
        """pg_restore of the dump gives a store with the same batch and readings."""
        if shutil.which("pg_restore") is None:
            pytest.skip("PostgreSQL's client programs are not installed")
        with SqlStore(StoreOptions(server_url)) as store:
            store.batches.start(Sheet("a", "A", 0), at_ms=0)
            store.readings.commit([gravity(number) for number in range(100)])
        dump = dump_server(server_url, tmp_path / "copy.dump")
        engine = create_engine(postgresql, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text("CREATE DATABASE second"))
        second = make_url(postgresql).set(database="second")
        try:
            bare = second.set(drivername="postgresql").render_as_string(hide_password=False)
            subprocess.run(["pg_restore", f"--dbname={bare}", str(dump)], check=True, capture_output=True)
            with SqlStore(StoreOptions(second.render_as_string(hide_password=False))) as restored:
                assert len(restored.readings.read(["float-a"])) == 100
                assert restored.readings.commit([gravity(5_000)]).stored == 1
        finally:
            with engine.connect() as connection:
                connection.execute(text("DROP DATABASE second WITH (FORCE)"))
            engine.dispose()

    def test_a_server_that_is_not_there_is_told_without_the_password(self, tmp_path):
        """pg_dump's own words, and no half-written file."""
        if shutil.which("pg_dump") is None:
            pytest.skip("PostgreSQL's client programs are not installed")
        url = f"postgresql+psycopg://cellar:hush-hush@/store?host={tmp_path}"
        with pytest.raises(StoreUnavailableError, match="pg_dump failed") as caught:
            dump_server(url, tmp_path / "copy.dump")
        assert "hush-hush" not in str(caught.value)
        assert sorted(tmp_path.iterdir()) == []
