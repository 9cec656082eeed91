"""Evidence is kept under a name that changes with everything it follows from."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import RecordingError
from monitor.ferment.evidence import FitSettings
from monitor.replay.recording import read
from monitor.tune.rows import Rows
from monitor.tune.shelf import Kept, Shelf, key_of, source_digest
from monitor.tune.sweep import Record, seen_of

from .conftest import PLOTS

FIT = FitSettings()


def test_what_is_kept_is_found_as_it_was(records: list[Record], shelf: Shelf, tmp_path: Path) -> None:
    """Every figure to the last bit, hearings, journal and rows."""
    seen = seen_of(records[5], shelf)
    other = Shelf(tmp_path / "made" / "here")
    rows = Rows(5, 2, "line 3: murky", 1, 10, 20, 4, 1, 1, 0, (7.5, 0.0), ("float-a", "float-b"))
    other.save("one", Kept(seen, rows))
    found = other.load("one", records[5].premise)
    assert found is not None
    assert found.rows == rows
    assert found.seen.columns.tobytes() == seen.columns.tobytes()
    assert found.seen.at_ms.tobytes() == seen.at_ms.tobytes()
    assert found.seen.journal == seen.journal
    assert [repr(one) for one in found.seen.looks()] == [repr(one) for one in seen.looks()]


def test_names_change_with_what_evidence_follows_from(tmp_path: Path) -> None:
    """With a row, a deed, the premise or the fit settings; not with the truth or the title."""
    folder = PLOTS[1].write(tmp_path)
    recording = read(folder)
    name = key_of(folder, recording, FIT)
    assert key_of(folder, read(folder), FIT) == name
    assert key_of(folder, read(folder, with_truth=False), FIT) == name
    assert key_of(folder, replace(recording, title="another"), FIT) == name
    others = [
        key_of(folder, recording, FitSettings(window_hours=150)),
        key_of(folder, replace(recording, journal=()), FIT),
        key_of(folder, replace(recording, premise=replace(recording.premise, pitched_ms=5)), FIT),
    ]
    with (folder / "readings.csv").open("a") as rows:
        rows.write("2026-01-20T00:00:00Z,float-a,gravity,1.0,sg\n")
    others.append(key_of(folder, recording, FIT))
    assert len({name, *others}) == 5
    assert len(source_digest()) == 64


@pytest.mark.parametrize("damage", [b"", b"PK\x03\x04 cut short", b"not an archive at all"])
def test_what_cannot_be_read_is_not_there(tmp_path: Path, damage: bytes) -> None:
    """A damaged file is measured anew, never believed."""
    shelf = Shelf(tmp_path)
    shelf.path("one").write_bytes(damage)
    assert shelf.load("one", PLOTS[0].premise) is None
    assert shelf.load("another", PLOTS[0].premise) is None


def test_a_file_cut_short_is_not_there(records: list[Record], shelf: Shelf, tmp_path: Path) -> None:
    """Cut anywhere, it is no evidence."""
    whole = shelf.path(records[0].key).read_bytes()
    cut = Shelf(tmp_path)
    for share in (0.1, 0.5, 0.9, 0.999):
        cut.path("one").write_bytes(whole[: int(share * len(whole))])
        assert cut.load("one", records[0].premise) is None


def test_a_shelf_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    """With what to do about it, and without a part of a file left behind."""
    (tmp_path / "file").write_text("in the way")
    shelf = Shelf(tmp_path / "file")
    seen = Kept(_nothing(), Rows())
    with pytest.raises(RecordingError, match="cannot be written") as told:
        shelf.save("one", seen)
    assert "--cache" in told.value.hint


def _nothing() -> object:
    from monitor.tune.witness import witness

    return witness(PLOTS[0].premise, [])


def test_the_oldest_go_first(tmp_path: Path) -> None:
    """A shelf has a bound; what was used last stays."""
    shelf = Shelf(tmp_path)
    for place, name in enumerate("abcd"):
        shelf.path(name).write_bytes(b"x" * 100)
        os.utime(shelf.path(name), (1_000 + place, 1_000 + place))
    (tmp_path / "note.txt").write_text("not mine")
    assert shelf.prune(250) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["c.npz", "d.npz", "note.txt"]
    assert shelf.prune(250) == 0


def test_finding_makes_a_file_young(records: list[Record], shelf: Shelf) -> None:
    """So that what is in use is not thrown away."""
    path = shelf.path(records[1].key)
    os.utime(path, (1_000, 1_000))
    assert shelf.load(records[1].key, records[1].premise) is not None
    assert path.stat().st_mtime > 1_000


def test_columns_are_as_many_as_the_evidence_has(records: list[Record], shelf: Shelf) -> None:
    """One row for each figure, one column for each moment."""
    seen = seen_of(records[0], shelf)
    assert seen.columns.shape == (len(seen.evidence().__slots__) - 1, seen.moments)
    assert np.all(np.diff(seen.at_ms) >= 0)
