"""The commands replay, score and simulate, as a person at a terminal uses them."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.commands.replay import replay_command, score_command, simulate_command
from monitor.errors import ConfigurationError, RecordingError
from monitor.units import ms_from_rfc3339


@pytest.fixture(autouse=True)
def clean_environ(monkeypatch: pytest.MonkeyPatch) -> None:
    """No configuration comes in from outside."""
    for name in [name for name in os.environ if name.startswith("CARBOYD_")]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three simulated worts, the quickest of ferments."""
    folder = tmp_path_factory.mktemp("recordings")
    result = CliRunner().invoke(
        simulate_command, [str(folder), "--scenario", "wort", "--n", "3", "--seed", "4"]
    )
    assert result.exit_code == 0, result.output
    return folder


def test_simulate_writes_recordings_and_names_them(recordings: Path) -> None:
    """Each is a folder with two files, named after scenario and seed."""
    assert sorted(path.name for path in recordings.iterdir()) == ["wort-4", "wort-5", "wort-6"]
    for folder in recordings.iterdir():
        assert sorted(path.name for path in folder.iterdir()) == ["batch.toml", "readings.csv"]


def test_simulate_refuses_what_it_does_not_know(tmp_path: Path) -> None:
    """A wrong scenario or number is a usage error."""
    for wrong in (["--scenario", "none"], ["--n", "0"], ["--seed", "-1"]):
        assert CliRunner().invoke(simulate_command, [str(tmp_path), *wrong]).exit_code == 2


def test_jsonl_is_one_object_a_line_in_order_of_time(recordings: Path) -> None:
    """Nothing else is on standard output; times never step back over all recordings."""
    result = CliRunner().invoke(
        replay_command, [str(recordings), "--format", "jsonl", "--forecasts", "--workers", "2"]
    )
    assert result.exit_code == 0, result.stderr
    objects = [json.loads(line) for line in result.stdout.splitlines()]
    times = [ms_from_rfc3339(each["time"]) for each in objects]
    assert times == sorted(times)
    assert {each["recording"] for each in objects} == {"wort-4", "wort-5", "wort-6"}
    assert {each["type"] for each in objects} == {"phase", "alert", "forecast"}


def test_forecasts_come_only_when_asked_for(recordings: Path) -> None:
    """Without the option there is no forecast, and the other lines are the same."""
    folder = str(recordings / "wort-4")
    plain = CliRunner().invoke(replay_command, [folder, "--format", "jsonl"]).stdout.splitlines()
    full = (
        CliRunner().invoke(replay_command, [folder, "--format", "jsonl", "--forecasts"]).stdout.splitlines()
    )
    assert plain == [line for line in full if json.loads(line)["type"] != "forecast"]


def test_the_timeline_tells_the_end(recordings: Path) -> None:
    """The default is for people."""
    result = CliRunner().invoke(replay_command, [str(recordings / "wort-5")])
    assert result.exit_code == 0
    assert "pitched" in result.stdout
    assert "TOLD finished" in result.stdout


def test_a_faulty_row_is_named_on_standard_error(recordings: Path, tmp_path: Path) -> None:
    """By line number; standard output stays clean."""
    folder = tmp_path / "torn"
    shutil.copytree(recordings / "wort-4", folder)
    with (folder / "readings.csv").open("a") as rows:
        rows.write("rubbish\n")
    result = CliRunner().invoke(replay_command, [str(folder), "--format", "jsonl"])
    assert result.exit_code == 0
    assert "torn: line " in result.stderr
    assert "rubbish" not in result.stdout


def test_a_recording_that_cannot_be_read_does_not_stop_the_others(recordings: Path, tmp_path: Path) -> None:
    """It is named, the rest is replayed, and the exit status says that not all is well."""
    broken = tmp_path / "broken"
    shutil.copytree(recordings / "wort-4", broken)
    (broken / "batch.toml").write_text("name = 3\n")
    for command in (replay_command, score_command):
        result = CliRunner().invoke(command, [str(broken), str(recordings / "wort-5"), "--workers", "1"])
        assert result.exit_code == 2
        assert "broken" in result.stderr
        assert result.stdout


def test_a_faulty_truth_stops_the_score_but_not_the_replay(recordings: Path, tmp_path: Path) -> None:
    """The replay does not read it."""
    folder = tmp_path / "wort-5"
    shutil.copytree(recordings / "wort-5", folder)
    sheet = (folder / "batch.toml").read_text().replace("[truth]", '[truth]\nrefermenting_lost = "no"')
    (folder / "batch.toml").write_text(sheet)
    replay = CliRunner().invoke(replay_command, [str(folder), "--format", "jsonl"])
    untouched = CliRunner().invoke(replay_command, [str(recordings / "wort-5"), "--format", "jsonl"])
    assert replay.exit_code == 0
    assert replay.stdout == untouched.stdout
    scored = CliRunner().invoke(score_command, [str(folder)])
    assert scored.exit_code == 2
    assert "truth.refermenting_lost" in scored.stderr


def test_a_folder_without_recordings_is_refused(tmp_path: Path) -> None:
    """The complaint says what a recording is."""
    result = CliRunner().invoke(replay_command, [str(tmp_path)])
    assert isinstance(result.exception, RecordingError)
    assert "batch.toml" in result.exception.hint


def test_score_prints_a_table(recordings: Path) -> None:
    """Every row of the table, with its aim and how many recordings it is of."""
    result = CliRunner().invoke(score_command, [str(recordings)])
    assert result.exit_code == 0
    assert "3 recordings" in result.stdout
    assert "finished: right, within 48 h" in result.stdout
    assert "at 75 % of the drop: finishing time, 90 % interval covers" in result.stdout


def test_a_configuration_is_used_and_its_faults_are_named(recordings: Path, tmp_path: Path) -> None:
    """A threshold that no ferment meets silences the end; a key that does not exist is refused."""
    config = tmp_path / "carboyd.toml"
    folder = str(recordings / "wort-5")
    config.write_text("[thresholds]\nbegun_points = 200.0\n")
    strict = CliRunner().invoke(replay_command, [folder, "--config", str(config)])
    assert strict.exit_code == 0
    assert "TOLD finished" not in strict.stdout
    config.write_text("[thresholds]\nno_such_threshold = 1.0\n")
    result = CliRunner().invoke(replay_command, [folder, "--config", str(config)])
    assert isinstance(result.exception, ConfigurationError)
    assert "no_such_threshold" in str(result.exception)
