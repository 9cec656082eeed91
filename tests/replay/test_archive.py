"""Folders of recordings are found, spread over processes, and told in order."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from monitor.errors import RecordingError
from monitor.ferment.pipeline import Analysis
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.archive import Played, Wanted, found, in_order, judged, over_all, replay_all
from monitor.replay.recording import write
from monitor.units import rfc3339_from_ms

PLAIN = (("defaults", Analysis()),)
T0 = 1_767_463_200_000


def short(folder: Path) -> Path:
    """A recording of one day."""
    lines = ["time,sensor,quantity,value,unit\n"]
    lines += [f"{rfc3339_from_ms(T0 + hour * 3_600_000)},a,gravity,1.0400,sg\n" for hour in range(24)]
    write(folder, title=folder.name, premise=Premise(T0), journal=(), truth=Truth(), lines=lines)
    return folder


def lines_in(folder: Path) -> int:
    """Work for a worker: count the lines of the rows."""
    return len((folder / "readings.csv").read_text().splitlines())


def test_a_folder_of_recordings_stands_for_them(tmp_path: Path) -> None:
    """In order of their names, besides recordings named themselves."""
    inside = [short(tmp_path / "many" / name) for name in ("a", "b")]
    alone = short(tmp_path / "alone")
    assert found([alone, tmp_path / "many"]) == [alone, *inside]


@pytest.mark.parametrize("name", ["empty", "absent"])
def test_what_holds_no_recording_is_refused(tmp_path: Path, name: str) -> None:
    """Whether it is empty or not there at all."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(RecordingError, match=name):
        found([tmp_path / name])


@pytest.mark.parametrize("workers", [1, 2])
def test_work_comes_back_in_the_order_of_the_folders(tmp_path: Path, workers: int) -> None:
    """Whether in this process or in others."""
    folders = [short(tmp_path / f"r{place}") for place in range(5)]
    assert list(over_all(folders, lines_in, workers=workers)) == [25] * 5
    replays = list(replay_all(folders, Wanted(PLAIN, json=True, forecasts=True), workers=workers))
    assert [replay.folder for replay in replays] == folders


def test_a_recording_that_fails_is_carried_back(tmp_path: Path) -> None:
    """With its complaint and its hint, from another process too."""
    folders = [short(tmp_path / "a"), short(tmp_path / "b")]
    (folders[0] / "readings.csv").write_text("nonsense\n")
    first, second = replay_all(folders, Wanted(PLAIN, json=True), workers=2)
    assert first.failure is not None
    assert "heading" in str(first.failure)
    assert first.failure.hint
    assert second.failure is None
    assert judged(folders[0], Analysis()).failure is not None


def test_lines_of_several_recordings_are_merged_by_time() -> None:
    """Of equal times, in the order of the recordings."""
    replays = [
        Played(Path("a"), ((1, "a1"), (5, "a5"))),
        Played(Path("b"), ((1, "b1"), (3, "b3"))),
    ]
    assert list(in_order(replays)) == ["a1", "b1", "b3", "a5"]


def test_nothing_to_do_is_done() -> None:
    """No folder, no worker."""
    assert list(over_all([], partial(judged, analysis=Analysis()))) == []
