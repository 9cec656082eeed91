"""Many recordings at once: found in folders, played on all cores, told in order of recorded time."""

from __future__ import annotations

import heapq
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

from monitor.errors import RecordingError
from monitor.ferment.emission import Emission, Forecast
from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.ferment.score import Score, score, told_by
from monitor.replay.player import play
from monitor.replay.recording import BATCH_FILE, Recording, RowFaults, read
from monitor.replay.telling import json_line, timeline

Result = TypeVar("Result")

CHUNKS_PER_WORKER: Final = 8
"""Recordings travel to workers in chunks: few enough to be cheap, enough to end together."""


@dataclass(frozen=True, slots=True)
class Played:
    """One folder's replay: lines for machines or for people, or why there are none."""

    folder: Path
    lines: tuple[tuple[int, str], ...] = ()
    """(recorded time, line), in order."""
    faults: RowFaults = field(default_factory=RowFaults)
    failure: RecordingError | None = None


def found(folders: Iterable[Path]) -> list[Path]:
    """The recordings among folders: each itself, or else the recordings right inside of it.

    Raises RecordingError for a folder that neither is nor holds one.
    """
    recordings: list[Path] = []
    for folder in folders:
        if (folder / BATCH_FILE).is_file():
            recordings.append(folder)
            continue
        inside = sorted(path.parent for path in folder.glob(f"*/{BATCH_FILE}")) if folder.is_dir() else []
        if not inside:
            raise RecordingError(
                f"{folder} is no recording and holds none",
                hint=f"A recording is a folder with {BATCH_FILE} in it.",
            )
        recordings += inside
    return recordings


def played(folder: Path, analysis: Analysis, *, json: bool, forecasts: bool) -> Played:
    """Replay one folder into lines."""
    faults = RowFaults()
    try:
        recording = read(folder, with_truth=False)
        emissions = _wanted(play(recording, Pipeline(recording.premise, analysis), faults), forecasts)
        if json:
            lines = tuple(_json_lines(recording, emissions))
        else:
            story = timeline(recording, emissions, faults)
            lines = tuple((recording.premise.pitched_ms, line) for line in story)
    except RecordingError as failure:
        return Played(folder, faults=faults, failure=failure)
    return Played(folder, lines, faults)


def _wanted(emissions: Iterable[Emission], forecasts: bool) -> Iterator[Emission]:
    return (emission for emission in emissions if forecasts or not isinstance(emission, Forecast))


def _json_lines(recording: Recording, emissions: Iterable[Emission]) -> Iterator[tuple[int, str]]:
    for emission in emissions:
        line = json_line(recording.name, emission)
        if line is not None:
            yield emission.at_ms, line


@dataclass(frozen=True, slots=True)
class Judged:
    """One folder's verdicts against its truth."""

    folder: Path
    score: Score | None = None
    failure: RecordingError | None = None


def judged(folder: Path, analysis: Analysis) -> Judged:
    """Replay one folder and score what was told."""
    try:
        recording = read(folder)
        told = told_by(play(recording, Pipeline(recording.premise, analysis)))
    except RecordingError as failure:
        return Judged(folder, failure=failure)
    return Judged(folder, score(told, recording.truth))


def over_all(
    folders: Sequence[Path], work: Callable[[Path], Result], *, workers: int | None = None
) -> Iterator[Result]:
    """`work` of each folder, in the order of the folders, on every core where there are several.

    `work` must be picklable. Raises RecordingError where a worker dies.
    """
    workers = min(workers or os.cpu_count() or 1, len(folders))
    if workers <= 1:
        yield from map(work, folders)
        return
    chunk = max(1, len(folders) // (workers * CHUNKS_PER_WORKER))
    try:
        with ProcessPoolExecutor(workers) as pool:
            yield from pool.map(work, folders, chunksize=chunk)
    except BrokenProcessPool as death:
        raise RecordingError(
            "a worker process died while it replayed",
            hint="Most likely memory ran out: replay fewer at once.",
        ) from death


def replay_all(
    folders: Sequence[Path], analysis: Analysis, *, json: bool, forecasts: bool, workers: int | None = None
) -> Iterator[Played]:
    """Every folder replayed, in the order given."""
    work = partial(played, analysis=analysis, json=json, forecasts=forecasts)
    return over_all(folders, work, workers=workers)


def in_order(replays: Iterable[Played]) -> Iterator[str]:
    """The lines of several replays in order of recorded time; of equal times, in the order of the replays."""
    merged = heapq.merge(*(replay.lines for replay in replays), key=lambda timed: timed[0])
    return (line for _, line in merged)
