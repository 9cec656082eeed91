"""Truth labels go into a sheet that keeps everything else."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import RecordingError
from monitor.ferment.score import Spell, Truth
from monitor.replay.labels import label
from monitor.replay.sheet import sheet_from
from monitor.units import MS_PER_DAY, ms_from_rfc3339

SHEET = """\
# the big carboy by the window
name = "Loft"   # not the attic
pitched_at = 2026-03-01T06:00:00Z

[must]
kind = "honey"  # heather
"""
FINISHED_MS = ms_from_rfc3339("2026-03-15T06:00:00Z")
TRUTH = Truth(
    finished_ms=FINISHED_MS,
    near_finish_ms=FINISHED_MS - MS_PER_DAY,
    final_gravity_sg=0.9985,
    stalls=(Spell(FINISHED_MS - 8 * MS_PER_DAY, FINISHED_MS - 5 * MS_PER_DAY),),
)


def read_back(folder: Path) -> Truth:
    import tomllib

    return sheet_from(tomllib.loads((folder / "batch.toml").read_text()), "batch.toml").truth


def test_labels_read_back_and_comments_stay(tmp_path: Path) -> None:
    """Every line that was there is there, in its order."""
    (tmp_path / "batch.toml").write_text(SHEET)
    label(tmp_path, TRUTH)
    assert read_back(tmp_path) == TRUTH
    text = (tmp_path / "batch.toml").read_text()
    assert text.startswith(SHEET)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["batch.toml"]


def test_labels_replace_and_leave_what_else_is_true(tmp_path: Path) -> None:
    """A mark that is no proposal's business stays, with its comment; one that is gone goes."""
    (tmp_path / "batch.toml").write_text(SHEET + "\n[truth]\n")
    label(tmp_path, TRUTH)
    with (tmp_path / "batch.toml").open("a") as sheet:
        sheet.write("silent_from = 2026-03-20T00:00:00Z  # battery flat\n")
    label(tmp_path, Truth(final_gravity_sg=1.001))
    assert read_back(tmp_path) == Truth(
        final_gravity_sg=1.001, silent_ms=ms_from_rfc3339("2026-03-20T00:00:00Z")
    )
    assert "# battery flat" in (tmp_path / "batch.toml").read_text()


@pytest.mark.parametrize(
    "text",
    ["name = [", SHEET.replace("kind", "truth = 3\nkind").replace("[must]", ""), "truth = 3\n" + SHEET],
)
def test_a_sheet_that_cannot_be_labelled_is_left_as_it_was(tmp_path: Path, text: str) -> None:
    """Broken TOML, and a truth that is no table."""
    (tmp_path / "batch.toml").write_text(text)
    with pytest.raises(RecordingError):
        label(tmp_path, TRUTH)
    assert (tmp_path / "batch.toml").read_text() == text
