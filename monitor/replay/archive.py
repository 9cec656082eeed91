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
from typing import Final, Literal, TypeVar

from monitor.errors import RecordingError
from monitor.ferment.emission import Emission, Forecast
from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.ferment.score import Score, Truth, score, told_by
from monitor.replay import capture
from monitor.replay.abreast import side_by_side
from monitor.replay.capture import Decoding
from monitor.replay.chart import Told, picture
from monitor.replay.health import Checked
from monitor.replay.player import Recorded, play
from monitor.replay.recording import BATCH_FILE, Recording, RowFaults, read
from monitor.replay.telling import json_line, timeline
from monitor.replay.track import track_of

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
    complaints: tuple[str, ...] = ()
    """Why so little is told."""
    picture: bytes | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is wanted of each recording."""

    analyses: tuple[tuple[str, Analysis], ...]
    """One configuration, or two to be set side by side, each with its name."""
    json: bool = False
    forecasts: bool = False
    picture: Literal["png", "svg"] | None = None
    decoding: Decoding = field(default_factory=Decoding)
    """How the messages of a capture are understood."""


def found(folders: Iterable[Path], *, captures: bool = False) -> list[Path]:
    """The recordings among folders: each itself, or else the recordings right inside of it.

    With `captures` a file of captured messages is one too. Raises RecordingError for what neither is nor
    holds one.
    """
    recordings: list[Path] = []
    for folder in folders:
        if captures and folder.is_file():
            recordings.append(folder)
            continue
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


def opened(path: Path, decoding: Decoding, *, with_truth: bool = False) -> Recorded:
    """A recording in a folder or a capture in a file; RecordingError for what is neither."""
    if path.is_file():
        return capture.opened(path, decoding, with_truth=with_truth)
    return read(path, with_truth=with_truth)


def played(path: Path, wanted: Wanted) -> Played:
    """Replay one recording into lines and, where it is wanted, a picture."""
    faults = RowFaults()
    try:
        recording = Checked(opened(path, wanted.decoding))
        several = len(wanted.analyses) > 1
        said = []
        for number, (_, analysis) in enumerate(wanted.analyses):
            source = recording if number == 0 else recording.recording
            once = faults if number == 0 else RowFaults()
            said.append(
                tuple(wished(play(source, Pipeline(source.premise, analysis), once), wanted.forecasts))
            )
        names = [name for name, _ in wanted.analyses]
        if wanted.json:
            lines = _json_lines(recording.name, said, names if several else [""])
        else:
            story = side_by_side(recording, names, said) if several else timeline(recording, said[0], faults)
            lines = tuple((recording.premise.pitched_ms, line) for line in story)
        drawn = None if wanted.picture is None else _drawn(path, wanted, said)
    except RecordingError as failure:
        return Played(path, faults=faults, failure=failure)
    return Played(path, lines, faults, complaints=tuple(recording.complaints(faults)), picture=drawn)


def _drawn(path: Path, wanted: Wanted, said: Sequence[tuple[Emission, ...]]) -> bytes:
    """The picture, with what the sheet says was true; a fault in that must not stop a replay."""
    try:
        recording = opened(path, wanted.decoding, with_truth=True)
    except RecordingError:
        recording = opened(path, wanted.decoding)
    told = [
        Told(name if len(said) > 1 else "", emissions)
        for (name, _), emissions in zip(wanted.analyses, said, strict=True)
    ]
    truth = recording.truth if isinstance(recording, Recording | capture.Captured) else None
    kind = wanted.picture or "png"
    return picture(recording, track_of(recording), told, truth=truth, kind=kind)


def wished(emissions: Iterable[Emission], forecasts: bool) -> Iterator[Emission]:
    """All of what is said, or all but the forecasts."""
    return (emission for emission in emissions if forecasts or not isinstance(emission, Forecast))


def _json_lines(
    name: str, said: Sequence[Sequence[Emission]], settings: Sequence[str]
) -> tuple[tuple[int, str], ...]:
    """The lines of one configuration, or of several in order of time, each then with its name."""
    timed = [
        (emission.at_ms, line)
        for emissions, setting in zip(said, settings, strict=True)
        for emission in emissions
        if (line := json_line(name, emission, setting)) is not None
    ]
    return tuple(sorted(timed, key=lambda pair: pair[0]))


@dataclass(frozen=True, slots=True)
class Judged:
    """One folder's verdicts against its truth."""

    folder: Path
    score: Score | None = None
    failure: RecordingError | None = None
    unlabelled: bool = False
    """It has no truth: nothing of it can be judged."""


def judged(folder: Path, analysis: Analysis) -> Judged:
    """Replay one folder and score what was told."""
    try:
        recording = read(folder)
        told = told_by(play(recording, Pipeline(recording.premise, analysis)))
    except RecordingError as failure:
        return Judged(folder, failure=failure)
    return Judged(folder, score(told, recording.truth), unlabelled=recording.truth == Truth())


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


def replay_all(paths: Sequence[Path], wanted: Wanted, *, workers: int | None = None) -> Iterator[Played]:
    """Every recording replayed, in the order given."""
    return over_all(paths, partial(played, wanted=wanted), workers=workers)


def in_order(replays: Iterable[Played]) -> Iterator[str]:
    """The lines of several replays in order of recorded time; of equal times, in the order of the replays."""
    merged = heapq.merge(*(replay.lines for replay in replays), key=lambda timed: timed[0])
    return (line for _, line in merged)
