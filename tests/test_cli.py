"""The command line as a whole."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from monitor.cli import FAMILIES, carboyd

README = (Path(__file__).parent.parent / "README.md").read_text()


@pytest.mark.parametrize("name", FAMILIES)
def test_every_command_is_in_the_readme_and_has_help(name: str) -> None:
    """A command nobody is told of does not exist for its users."""
    command = carboyd.get_command(click.Context(carboyd), name)
    assert command is not None
    assert command.help
    assert f"carboyd {name}" in README


def test_an_unknown_command_is_said_with_status_2() -> None:
    """Not a traceback."""
    done = subprocess.run([sys.executable, "-m", "monitor", "bubble"], capture_output=True, text=True)
    assert done.returncode == 2
    assert "No such command 'bubble'" in done.stderr


def test_an_error_says_what_to_do(tmp_path: Path) -> None:
    """A wrong value ends with status 2, one line for what and one for what to do."""
    config = tmp_path / "carboyd.toml"
    config.write_text(f'[store]\nurl = "sqlite:///{tmp_path}/s.sqlite"\n')
    words = ["batch", "start", "Test", "--volume", "18", "--config", str(config)]
    done = subprocess.run([sys.executable, "-m", "monitor", *words], capture_output=True, text=True)
    assert done.returncode == 2
    assert "the unit is missing" in done.stderr
    assert "write 500 mL, 18 L or 4.8gal" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", [("plan", "porch"), ("share", "porch"), ("acknowledge", "7")])
def test_what_is_not_there_is_wrong_input(tmp_path: Path, command: tuple[str, ...]) -> None:
    """A batch or alert that nobody knows ends with status 2, and where to look is said."""
    config = tmp_path / "c.toml"
    config.write_text(f'[store]\nurl = "sqlite:///{tmp_path / "c.sqlite"}"\n')
    words = [*command, "--config", str(config)]
    done = subprocess.run([sys.executable, "-m", "monitor", *words], capture_output=True, text=True)
    assert done.returncode == 2
    what, hint = done.stderr.splitlines()
    assert what.startswith("carboyd: there is no")
    assert "`carboyd " in hint


def test_a_place_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    """The picture's folder is not there: its name and the reason, and no traceback."""
    picture = tmp_path / "nowhere" / "curve.png"
    words = ["calibrate", "float-b", "--dry-run", "--picture", str(picture)]
    done = subprocess.run(
        [sys.executable, "-m", "monitor", *words],
        input="25 1.000\n35 1.020\n45 1.040\n",
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert done.stderr == f"carboyd: {picture}: No such file or directory\n"


def test_shell_completion_knows_the_commands() -> None:
    """Click's own completion script is there for bash."""
    done = subprocess.run(
        [sys.executable, "-c", "from monitor.cli import main; main()"],
        env={"_CARBOYD_COMPLETE": "bash_source", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )
    assert "_CARBOYD_COMPLETE=bash_complete" in done.stdout


def test_every_command_stands_under_one_heading() -> None:
    """The help page lists each command once."""
    page = CliRunner().invoke(carboyd, ["--help"]).output
    for name in FAMILIES:
        assert len(re.findall(rf"^  {name}  ", page, flags=re.M)) == 1, name
