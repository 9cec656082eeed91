"""Copies by command; one made beside a writing daemon is in tests/integration/daemon."""

from __future__ import annotations

from monitor.errors import InputError, StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.copying import checked_copy
from monitor.units import Quantity


def fill(store, count: int) -> None:
    """So many readings."""
    store.readings.commit([Reading("f", Quantity.GRAVITY, n, 1.04, n) for n in range(count)])


def test_a_copy_and_back(carboyd_command, store, tmp_path):
    """The copy says what it holds; restored, the store holds just that, and the other is kept beside it."""
    fill(store, 20)
    made = carboyd_command("backup", str(tmp_path / "copy.sqlite"))
    assert "checked, 0 batches, 20 readings" in made.output
    fill(store, 30)
    busy = carboyd_command("restore", str(tmp_path / "copy.sqlite"), "--yes")
    assert isinstance(busy.exception, StoreUnavailableError)
    store.close()
    said_no = carboyd_command("restore", str(tmp_path / "copy.sqlite"), stdin="n\n")
    assert said_no.exit_code == 1
    done = carboyd_command("restore", str(tmp_path / "copy.sqlite"), stdin="y\n")
    assert done.exit_code == 0, done.exception
    assert "carboyd.sqlite, 0 batches, 20 readings." in done.output
    assert len(store.readings.read(["f"])) == 20
    (aside,) = tmp_path.glob("carboyd.sqlite.before-*")
    assert checked_copy(aside).readings == 30


def test_a_directory_keeps_the_newest(carboyd_command, store, tmp_path):
    """Copies are named by their time; older ones go only where a number is given, strangers never."""
    folder = tmp_path / "house" / "copies"
    made = carboyd_command("backup", str(folder), "--keep", "14")
    assert made.exit_code == 0  # a directory that is not there is made
    (first,) = folder.iterdir()
    first.unlink()
    for name in ("carboyd-20240101T000000Z.sqlite", "carboyd-20250101T000000Z.sqlite", "mine.sqlite"):
        (folder / name).write_text("")
    carboyd_command("backup", str(folder / "carboyd-20260101T000000Z.sqlite"))
    assert len(list(folder.iterdir())) == 4
    assert "removed" in carboyd_command("backup", str(folder), "--keep", "2").output
    names = sorted(path.name for path in folder.iterdir())
    assert len(names) == 3
    assert {"mine.sqlite", "carboyd-20260101T000000Z.sqlite"} < set(names)


def test_keeping_is_for_directories(carboyd_command, store, tmp_path):
    """A file has no older ones."""
    refused = carboyd_command("backup", str(tmp_path / "copy.sqlite"), "--keep", "2")
    assert isinstance(refused.exception, InputError)
