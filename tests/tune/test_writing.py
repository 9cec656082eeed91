"""Thresholds go into a configuration that keeps its comments, and come out again."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path

import pytest

from monitor.errors import ConfigurationError, InputError
from monitor.tune.writing import BEFORE, difference, kept_before, read_text, replace_text, with_values

SAMPLE = """# my cellar
[mqtt]
broker = "embedded"   # for now

[thresholds]
finished_doubt = 0.15  # careful
# least_hours = 30

[[notify.channels]]
name = "phone"
url = "json://127.0.0.1"  # at home
"""
VALUES = {"finished_doubt": 0.2, "least_hours": 24.0, "finished_dwell": 4.0}


def accept(_: Path) -> None:
    """Take any."""


def test_values_are_set_and_all_else_stays() -> None:
    """Every line is there as it was, but for the one value; new tables come at the end."""
    after = with_values(SAMPLE, VALUES, "x.toml")
    assert tomllib.loads(after)["thresholds"] == {"finished_doubt": 0.2, "least_hours": 24.0}
    assert tomllib.loads(after)["alerts"] == {"finished_dwell": 4.0}
    assert tomllib.loads(after)["notify"] == tomllib.loads(SAMPLE)["notify"]
    before = SAMPLE.replace("finished_doubt = 0.15", "finished_doubt = 0.2").splitlines()
    rest = iter(after.splitlines())
    assert all(line in rest for line in before)  # each is found after the one before it


@pytest.mark.parametrize("text", ["", "# nothing but a comment", "thresholds = { finished_doubt = 0.1 }\n"])
def test_any_shape_of_configuration_is_written(text: str) -> None:
    """An empty one, one without an end of line, one with a table on one line."""
    found = tomllib.loads(with_values(text, VALUES, "x.toml"))
    assert found["thresholds"]["finished_doubt"] == 0.2
    assert found["alerts"] == {"finished_dwell": 4.0}


@pytest.mark.parametrize("text", ["[thresholds", "thresholds = 3\n", "a = 1\na = 2\n"])
def test_what_is_no_configuration_is_refused(text: str) -> None:
    """With the name of the file."""
    with pytest.raises(ConfigurationError, match=r"x\.toml"):
        with_values(text, VALUES, "x.toml")


def test_the_difference_shows_both_values() -> None:
    """Nothing of nothing."""
    after = with_values(SAMPLE, {"finished_doubt": 0.2}, "x.toml")
    shown = difference(SAMPLE, after, "x.toml").splitlines()
    assert "-finished_doubt = 0.15  # careful" in shown
    assert "+finished_doubt = 0.2  # careful" in shown
    assert difference(SAMPLE, SAMPLE, "x.toml") == ""


def test_what_is_written_can_be_undone_and_done_again(tmp_path: Path) -> None:
    """The file that was there is kept; putting it back keeps the other. Rights stay as they were."""
    path = tmp_path / "carboyd.toml"
    path.write_text(SAMPLE)
    path.chmod(0o600)
    after = with_values(SAMPLE, VALUES, "x.toml")
    kept = replace_text(path, after, accept)
    assert (path.read_text(), kept.read_text()) == (after, SAMPLE)
    assert kept == tmp_path / f"carboyd.toml{BEFORE}"
    replace_text(path, kept_before(path), accept)
    assert path.read_text() == SAMPLE
    assert kept_before(path) == after
    assert {stat.S_IMODE(os.stat(one).st_mode) for one in tmp_path.iterdir()} == {0o600}
    assert len(list(tmp_path.iterdir())) == 2


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    """What it points to is written."""
    real, link = tmp_path / "real.toml", tmp_path / "link.toml"
    real.write_text(SAMPLE)
    link.symlink_to(real)
    replace_text(link, "# other\n", accept)
    assert link.is_symlink()
    assert real.read_text() == "# other\n"
    assert kept_before(link) == SAMPLE


def test_what_is_not_accepted_changes_nothing(tmp_path: Path) -> None:
    """No file is touched and none is left behind."""
    path = tmp_path / "carboyd.toml"
    path.write_text(SAMPLE)

    def refuse(fresh: Path) -> None:
        assert fresh.read_text() == "# bad\n"
        raise ConfigurationError(["not this"])

    with pytest.raises(ConfigurationError):
        replace_text(path, "# bad\n", refuse)
    assert [one.name for one in tmp_path.iterdir()] == ["carboyd.toml"]
    assert path.read_text() == SAMPLE


def test_absent_files_are_named(tmp_path: Path) -> None:
    """There is nothing to write to, and nothing to undo."""
    with pytest.raises(InputError, match=r"absent\.toml"):
        read_text(tmp_path / "absent.toml")
    with pytest.raises(InputError, match="nothing to undo"):
        kept_before(tmp_path / "absent.toml")
    with pytest.raises(InputError, match="cannot be"):
        replace_text(tmp_path / "nowhere" / "absent.toml", "", accept)
