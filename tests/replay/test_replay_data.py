"""The recordings that come with the project: readable, documented, and told of as they always were."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.ferment.emission import AlertChange, AlertState, Emission
from monitor.replay.recording import RowFaults, read
from monitor.units import rfc3339_from_ms

DATA = Path(__file__).parents[2] / "replay_data"
FOLDERS = sorted(path.parent for path in DATA.glob("*/batch.toml"))
PINNED = json.loads((Path(__file__).parent / "pinned_alerts.json").read_text())
MAX_BYTES = 300_000
MAX_FAULTY = 0.02


def test_there_are_enough_and_each_is_documented() -> None:
    """At least six; the read-me has a row for each, and a pin is kept for each."""
    rows = (DATA / "README.md").read_text()
    assert len(FOLDERS) >= 6
    assert all(f"| `{folder.name}` |" in rows for folder in FOLDERS)
    assert sorted(PINNED) == [folder.name for folder in FOLDERS]


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_it_is_small_has_a_truth_and_can_be_read(folder: Path) -> None:
    """Nearly every row is understood; the few others are there on purpose."""
    assert (folder / "readings.csv").stat().st_size < MAX_BYTES
    recording = read(folder)
    assert recording.truth.finished_ms is not None or recording.truth.stalls
    faults = RowFaults()
    count = sum(1 for _ in recording.readings(faults))
    assert faults.count < MAX_FAULTY * count


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_its_alerts_are_the_pinned_ones(folder: Path, said_of: Callable[[Path], list[Emission]]) -> None:
    """Every alert that fires or ends, to the millisecond; tests/bench/pin_alerts.py writes them anew."""
    said = [
        [rfc3339_from_ms(emission.at_ms), emission.kind.value, emission.state.value]
        for emission in said_of(folder)
        if isinstance(emission, AlertChange) and emission.state is not AlertState.PENDING
    ]
    assert PINNED[folder.name] == said
