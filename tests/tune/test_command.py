"""`carboyd tune` from the command line."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from monitor.commands.tune import measured, tune_command
from monitor.errors import InputError
from monitor.ferment.evidence import FitSettings
from monitor.settings import load
from monitor.tune.cores import OneCore
from monitor.tune.shelf import Shelf

SLOW = """# my cellar
[alerts]
finished_dwell = 72.0   # let it rest
stalled_dwell = 72.0
"""


@pytest.fixture(autouse=True)
def _no_configuration(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CARBOYD_CONFIG", raising=False)


def run(shelf: Shelf, *arguments: object, answer: str = "") -> Result:
    """The command, in this process, with the evidence that tests share."""
    given = [str(one) for one in arguments]
    options = ["--cache", str(shelf.directory), "--workers", "1", "--only", "finished_dwell,stalled_dwell"]
    return CliRunner().invoke(tune_command, [*given, *options], input=answer, catch_exceptions=False)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration with a needless wait."""
    path = tmp_path / "carboyd.toml"
    path.write_text(SLOW)
    return path


@pytest.mark.usefixtures("records")
def test_what_is_recommended_is_written_and_undone(archive: Path, shelf: Shelf, config: Path) -> None:
    """Shown first, asked for, taken by the settings, comments kept; and put back again."""
    told = run(shelf, archive, "--config", config, "--write", answer="n\n")
    assert told.exit_code == 1
    assert config.read_text() == SLOW
    told = run(shelf, archive, "--config", config, "--write", "--sets", 200, answer="y\n")
    assert told.exit_code == 0, told.output
    assert "-finished_dwell = 72.0   # let it rest" in told.output
    assert "8 of 8 recordings serve; 0 were measured now" in told.output
    assert load(config).settings.analysis.alerts.finished_dwell < 48.0
    assert "# let it rest" in config.read_text()
    assert run(shelf, "--undo", config, "--yes").exit_code == 0
    assert config.read_text() == SLOW


@pytest.mark.usefixtures("records")
def test_programs_are_told_in_json(archive: Path, shelf: Shelf, config: Path, tmp_path: Path) -> None:
    """The figures, the changes, the reason; the picture goes into the file named."""
    picture = tmp_path / "trade.svg"
    told = run(shelf, archive, "--config", config, "--json", "--picture", picture)
    answer = json.loads(told.stdout)
    assert answer["recordings"] == 8
    assert answer["recommended"] is True
    assert answer["changes"]["finished_dwell"]["from"] == 72.0
    assert answer["best"]["cost_h"] < answer["present"]["cost_h"]
    assert answer["splits"] == 10
    assert "<svg" in picture.read_text()


@pytest.mark.usefixtures("records")
def test_nothing_is_written_where_nothing_is_recommended(archive: Path, shelf: Shelf, config: Path) -> None:
    """Four recordings choose nothing; those that cannot serve are named, each with its word."""
    few = [archive / name for name in ("brisk", "steady", "stuck", "again")]
    (config.parent / "spoilt").mkdir()
    (config.parent / "spoilt" / "batch.toml").write_text("pitched_at = 3")
    told = run(shelf, *few, config.parent / "spoilt", "--config", config, "--write", "--yes")
    assert told.exit_code == 0
    assert "Keep what you have: 4 recordings are too few" in told.output
    assert "Nothing is written" in told.stderr
    assert "spoilt: left out: " in told.stderr
    assert config.read_text() == SLOW


def test_faulty_calls_are_refused(archive: Path, shelf: Shelf, tmp_path: Path) -> None:
    """Before anything is measured."""
    assert run(shelf).exit_code == 2
    with pytest.raises(InputError, match="no configuration"):
        run(shelf, archive, "--write")
    with pytest.raises(InputError, match="no picture's name"):
        run(shelf, archive, "--picture", tmp_path / "trade.jpg")
    (tmp_path / "c.toml").write_text("")
    with pytest.raises(InputError, match="nothing to undo"):
        run(shelf, "--undo", tmp_path / "c.toml")


@pytest.mark.usefixtures("records")
def test_a_threshold_of_the_environment_is_not_overwritten(
    archive: Path, shelf: Shelf, config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the file said would not hold, so it is not written."""
    from monitor.errors import ConfigurationError

    monkeypatch.setenv("CARBOYD_ALERTS__FINISHED_DWELL", "72.0")
    with pytest.raises(ConfigurationError, match="environment"):
        run(shelf, archive, "--config", config, "--write", "--yes")
    assert config.read_text() == SLOW


class CutOff:
    """Hands that are stopped by the person at the keyboard after two things."""

    count = 1

    def map(self, work: Callable[[Any], Any], items: Sequence[Any]) -> Iterator[Any]:
        """Two, and no more."""
        yield from map(work, items[:2])
        raise KeyboardInterrupt


def test_an_interrupted_tune_goes_on_where_it_was(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whole files only are kept, it is said what to do, and nothing is measured twice."""
    shelf = Shelf(tmp_path / "cache")
    folders = [archive / name for name in ("gone-quiet", "brisk-too", "cold")]
    with pytest.raises(KeyboardInterrupt):
        measured(folders, shelf, FitSettings(), CutOff())
    assert "the same command goes on" in capsys.readouterr().err
    assert [path.suffix for path in shelf.directory.iterdir()] == [".npz"] * 2
    assert len(measured(folders, shelf, FitSettings(), OneCore())) == 3
    assert "3 of 3 recordings serve; 1 were measured now" in capsys.readouterr().err
