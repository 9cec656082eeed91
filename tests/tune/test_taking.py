"""Recordings are taken in; what cannot serve says why in a word, and stands in nobody's way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.ferment.evidence import FitSettings
from monitor.ferment.score import Spell, Truth
from monitor.replay.recording import write
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import record_of
from monitor.tune.taking import judgeable, take

from .conftest import PLOTS, Plot

FIT = FitSettings()
SHORT = Plot("short", 60, 20.0, 9)
LINES = SHORT.lines()
HEADING = LINES[0]


def as_plato(lines: list[str]) -> list[str]:
    """Extract in degrees Plato under a heading that says sg."""
    found = []
    for line in lines:
        cells = line.split(",")
        if cells[2] == "gravity":
            cells[3] = f"{(float(cells[3]) - 1.0) * 250.0:.2f}"
        found.append(",".join(cells))
    return found


def with_unit(lines: list[str]) -> list[str]:
    """A unit that no gravity has."""
    return [line.replace(",sg\n", ",brix\n") for line in lines if "temperature" not in line]


def in_kelvin(lines: list[str]) -> list[str]:
    """Temperatures in kelvin that are called degrees Celsius."""
    found = []
    for line in lines:
        cells = line.split(",")
        if cells[2] == "temperature":
            cells[3] = f"{float(cells[3]) + 273.15:.2f}"
        found.append(",".join(cells))
    return found


FAULTS: list[tuple[str, Callable[[list[str]], list[str]], str]] = [
    ("no file text", lambda _: [], "the heading of readings.csv lacks"),
    ("empty", lambda _: [HEADING], "holds no rows"),
    ("one row", lambda lines: lines[:2], "holds one row only"),
    ("wrong unit", with_unit, "not one of its 60 rows is understood, first line 2: gravity in 'brix'"),
    ("unit not as said", as_plato, " of its 60 gravities cannot be (the first is 9.94 sg)"),
    ("kelvin", in_kelvin, "60 of its 60 temperatures cannot be (the first is 293."),
    ("unsorted", lambda lines: [HEADING, *lines[:0:-1]], "its rows are out of order: 118 of 120"),
    ("too short", lambda lines: lines[:21], "too short: 20 rows over 9 h"),
    ("no gravity", lambda lines: [line for line in lines if ",gravity," not in line], "none of its 60 rows"),
    (
        "another float",
        lambda lines: [line.replace("float-a", "float-b") for line in lines],
        "its float 'float-a' is never heard; heard are float-b",
    ),
]


@pytest.mark.parametrize(("name", "spoil", "word"), FAULTS, ids=[name for name, _, _ in FAULTS])
def test_a_fault_has_a_word(
    tmp_path: Path, name: str, spoil: Callable[[list[str]], list[str]], word: str
) -> None:
    """Each kind its own, with a hint; and nothing of it goes into a sweep."""
    folder = SHORT.write(tmp_path)
    (folder / "readings.csv").write_text("".join(spoil(LINES)))
    taken = take(folder, Shelf(tmp_path / "shelf"), FIT)
    assert word in taken.refusal
    assert taken.hint
    assert record_of(taken) is None


@pytest.mark.parametrize("truth", [Truth(), Truth(final_gravity_sg=1.0)], ids=["none", "no times"])
def test_without_truth_nothing_is_measured(tmp_path: Path, truth: Truth) -> None:
    """There would be nothing to score against, so no time is spent on it."""
    folder = tmp_path / "untold"
    write(folder, title="untold", premise=SHORT.premise, journal=(), truth=truth, lines=LINES)
    taken = take(folder, Shelf(tmp_path / "shelf"), FIT)
    assert taken.refusal == "has no truth to be scored against"
    assert "[truth]" in taken.hint
    assert not (tmp_path / "shelf").exists()


def test_a_stall_alone_is_truth_enough() -> None:
    """A ferment that never ended can still be told rightly."""
    assert judgeable(Truth(stalls=(Spell(1, 2),)))
    assert judgeable(Truth(silences=()))
    assert not judgeable(Truth())


def test_no_folder_has_a_word(tmp_path: Path) -> None:
    """What is no recording at all is said so."""
    taken = take(tmp_path / "nowhere", Shelf(tmp_path / "shelf"), FIT)
    assert "has no batch.toml" in taken.refusal


def test_some_rows_left_out_are_a_note(tmp_path: Path) -> None:
    """The rest serves."""
    folder = SHORT.write(tmp_path)
    (folder / "readings.csv").write_text("".join([HEADING, "rubbish\n", *LINES[1:]]))
    taken = take(folder, Shelf(tmp_path / "shelf"), FIT)
    assert taken.refusal == ""
    assert taken.note.startswith("1 of 121 rows left out, first line 2: ")
    assert record_of(taken) is not None


def test_what_was_measured_is_not_measured_again(tmp_path: Path) -> None:
    """The second time it is found, and says the same; a new truth changes nothing of the evidence."""
    folder = SHORT.write(tmp_path)
    shelf = Shelf(tmp_path / "shelf")
    first, second = take(folder, shelf, FIT), take(folder, shelf, FIT)
    assert (first.fresh, second.fresh) == (True, False)
    assert second == replace(first, fresh=False)
    longer = replace(SHORT, tau_h=25.0)
    write(folder, title="x", premise=SHORT.premise, journal=SHORT.journal, truth=longer.truth, lines=LINES)
    third = take(folder, shelf, FIT)
    assert (third.key, third.fresh) == (first.key, False)
    assert third.truth == longer.truth != first.truth


def test_an_interrupted_measuring_goes_on(tmp_path: Path) -> None:
    """What had been kept when the work was cut off is found, a part of a file is not taken for whole."""
    shelf = Shelf(tmp_path / "shelf")
    folders = [replace(SHORT, name=f"r{place}", seed=place).write(tmp_path) for place in range(3)]
    for folder in folders[:2]:
        take(folder, shelf, FIT)
    (shelf.directory / ".rest.part").write_bytes(b"cut off while it was written")
    assert [take(folder, shelf, FIT).fresh for folder in folders] == [False, False, True]


def test_the_archive_serves(records: list[object]) -> None:
    """All eight made-up ferments."""
    assert len(records) == len(PLOTS)
