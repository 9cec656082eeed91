"""`carboyd truth`: labels typed, or proposed and confirmed."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.commands.truth import truth_command
from monitor.errors import InputError, RecordingError
from monitor.replay.recording import read
from monitor.units import MS_PER_HOUR

DATA = Path(__file__).parents[2] / "replay_data"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A recording that stalled, without its truth."""
    copy = tmp_path / "stalled"
    shutil.copytree(DATA / "cold-stall-58", copy)
    sheet = (copy / "batch.toml").read_text()
    (copy / "batch.toml").write_text("# mine\n" + sheet[: sheet.index("[truth]")])
    return copy


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(truth_command, [str(word) for word in words])


def test_a_proposal_is_shown_and_nothing_is_written_unasked(folder: Path) -> None:
    """A plot, the marks, the reasons, and how to have it written."""
    before = (folder / "batch.toml").read_text()
    done = run(folder)
    assert done.exit_code == 0, done.output
    for words in ("###", "finished", "final gravity", "stalled", "--yes"):
        assert words in done.output
    assert (folder / "batch.toml").read_text() == before


def test_a_confirmed_proposal_is_written_beside_the_comments(folder: Path) -> None:
    """Near to what was true: the float of this recording reads whole points only."""
    assert run(folder, "--yes").exit_code == 0
    truth, found = read(DATA / "cold-stall-58").truth, read(folder).truth
    assert (folder / "batch.toml").read_text().startswith("# mine\n")
    assert abs(found.finished_ms - truth.finished_ms) < 36 * MS_PER_HOUR
    assert abs(found.stalls[0].from_ms - truth.stalls[0].from_ms) < 36 * MS_PER_HOUR
    assert found.final_gravity_sg == pytest.approx(truth.final_gravity_sg, abs=0.003)


def test_typed_marks_are_written_as_they_are_and_the_others_stay(folder: Path) -> None:
    """One after the other, and taken back with none."""
    run(folder, "--finished", "2026-06-14T21:35:00Z")
    run(folder, "--final-gravity", "0.998", "--stall", "2026-06-05T15:00Z/2026-06-08T20:00Z")
    found = read(folder).truth
    assert found.finished_ms == read(DATA / "cold-stall-58").truth.finished_ms
    assert (found.final_gravity_sg, len(found.stalls)) == (0.998, 1)
    run(folder, "--stall", "none", "--finished", "none")
    found = read(folder).truth
    assert (found.finished_ms, found.stalls, found.final_gravity_sg) == (None, (), 0.998)


@pytest.mark.parametrize(
    "words",
    [
        ("--finished", "some day"),
        ("--stall", "2026-06-05T15:00Z"),
        ("--stall", "2026-06-08T15:00Z/2026-06-05T15:00Z"),
        ("--final-gravity", "17"),
        ("--picture", "x.gif"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(folder: Path, words: tuple[str, str]) -> None:
    """With a word about it."""
    before = (folder / "batch.toml").read_text()
    assert isinstance(run(folder, *words).exception, InputError)
    assert (folder / "batch.toml").read_text() == before


def test_json_is_for_programs_and_a_picture_for_eyes(folder: Path, tmp_path: Path) -> None:
    """Standard output is one document."""
    done = run(folder, "--json", "--show", "--picture", tmp_path / "p.svg")
    document = json.loads(done.stdout)
    assert document["recording"] == "stalled"
    assert document["finished_between"][0] <= document["finished_at"] <= document["finished_between"][1]
    assert len(document["stalls"]) == 1
    assert (tmp_path / "p.svg").read_text().startswith("<?xml")


def test_an_empty_recording_gets_a_clear_word(folder: Path) -> None:
    """So does one with a single row, and a folder that is none."""
    heading = (folder / "readings.csv").read_text().splitlines(keepends=True)
    for rows in (heading[:1], heading[:2]):
        (folder / "readings.csv").write_text("".join(rows))
        done = run(folder)
        assert done.exit_code == 0, done.output
        assert "too few to say anything" in done.output
    assert isinstance(run(folder.parent).exception, RecordingError)


@pytest.mark.parametrize("words", [("--finished", "2020-01-01"), ("--stall", "2020-01-01/2020-01-03")])
def test_nothing_is_true_before_the_pitching(folder: Path, words: tuple[str, str]) -> None:
    """A slipped year is refused, and the sheet stays as it is."""
    before = (folder / "batch.toml").read_text()
    done = run(folder, *words, "--yes")
    assert isinstance(done.exception, InputError)
    assert "before it was pitched" in str(done.exception)
    assert (folder / "batch.toml").read_text() == before
