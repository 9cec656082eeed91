"""Recordings on the command line: replayed, scored against their truth, simulated."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Final, TypeVar

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from monitor.commands.capturing import decoding_of
from monitor.commands.replay_live import at_speed, step_by_step
from monitor.errors import InputError, RecordingError
from monitor.ferment.pipeline import Analysis
from monitor.ferment.score_table import shown, table
from monitor.replay.archive import Played, Wanted, found, in_order, judged, opened, over_all, replay_all
from monitor.replay.capture import Decoding
from monitor.replay.chart import kind_of
from monitor.replay.recording import write
from monitor.replay.simulate import scenario_names, simulate
from monitor.settings import load

Item = TypeVar("Item")

EXIT_INPUT: Final = 2
MAX_ROWS_NAMED: Final = 3
"""Faulty rows named on standard error for each recording; the timeline names more."""

CONFIG = click.option(
    "--config", "config_file", type=click.Path(dir_okay=False, path_type=Path),
    help="Configuration whose thresholds and alert policy are used; the daemon's own by default.",
)  # fmt: skip
WORKERS = click.option(
    "--workers", type=click.IntRange(1, 64), help="Processes to use; as many as cores by default."
)
TABLE_WIDTH: Final = 112

FOLDERS = click.argument(
    "folders", metavar="DIR...", nargs=-1, required=True, type=click.Path(file_okay=False, path_type=Path)
)


def _with_progress(items: Iterable[Item], total: int, what: str) -> Iterator[Item]:
    """The items, with a bar on standard error where that is a terminal."""
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=total)
        for item in items:
            yield item
            progress.advance(task)


def _complain(failure: RecordingError) -> None:
    click.echo(f"carboyd: {failure}", err=True)
    if failure.hint:
        click.echo(f"  {failure.hint}", err=True)


def _name_faults(replay: Played) -> None:
    faults = replay.faults
    for line, complaint in faults.described[:MAX_ROWS_NAMED]:
        click.echo(f"{replay.folder.name}: line {line} left out: {complaint}", err=True)
    if faults.count > MAX_ROWS_NAMED:
        click.echo(f"{replay.folder.name}: {faults.count} lines left out in all", err=True)


@click.command("replay")
@click.argument("paths", metavar="RECORDING...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--format", "form", type=click.Choice(("text", "jsonl")), default="text", show_default=True,
    help="A timeline for people, or one JSON object a line for machines.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="The same as --format jsonl.")
@click.option("--forecasts", is_flag=True, help="Tell also where and when it should end, as seen on the way.")
@click.option(
    "--against", "other_file", type=click.Path(dir_okay=False, path_type=Path), metavar="CONFIG",
    help="A second configuration, set beside the first.",
)  # fmt: skip
@click.option(
    "--picture", "picture_file", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
    help="Draw it too: .png or .svg; of several recordings each, its name before the ending.",
)  # fmt: skip
@click.option("--speed", type=click.FloatRange(0, min_open=True), metavar="N", help="N times real time.")
@click.option("--step", is_flag=True, help="Stop after everything that is said.")
@WORKERS
@CONFIG
def replay_command(
    paths: tuple[Path, ...],
    form: str,
    as_json: bool,
    forecasts: bool,
    other_file: Path | None,
    picture_file: Path | None,
    speed: float | None,
    step: bool,
    workers: int | None,
    config_file: Path | None,
) -> None:
    """Replay recordings as the daemon would have seen them.

    RECORDING is a folder with readings.csv and batch.toml, a folder of such folders, or a file that
    `carboyd capture` wrote. As fast as the machine goes, unless --speed or --step is given.
    """
    recordings = found(paths, captures=True)
    analyses = _analyses(config_file, other_file)
    decoding = decoding_of(config_file) if any(path.is_file() for path in recordings) else Decoding()
    if speed is not None or step:
        if as_json or form == "jsonl" or other_file is not None or picture_file is not None:
            raise InputError("--speed and --step are for watching", hint="Leave the other options out.")
        _watch(recordings, decoding, analyses[0][1], speed, forecasts=forecasts)
        return
    wanted = Wanted(
        analyses, as_json or form == "jsonl", forecasts,
        None if picture_file is None else kind_of(picture_file), decoding,
    )  # fmt: skip
    failed = False
    finished: list[Played] = []
    replays = replay_all(recordings, wanted, workers=workers)
    for replay in _with_progress(replays, len(recordings), "replaying"):
        if replay.failure is not None:
            _complain(replay.failure)
            failed = True
            continue
        for complaint in replay.complaints:
            click.echo(f"{replay.folder.name}: {complaint}", err=True)
        if wanted.json:
            _name_faults(replay)
            finished.append(replay)  # lines are in order of time over all recordings, so they must wait
        else:
            click.echo("\n".join([*(line for _, line in replay.lines), ""]))
        if picture_file is not None and replay.picture is not None:
            _keep_picture(picture_file, replay, alone=len(recordings) == 1)
    for line in in_order(finished):
        click.echo(line)
    if failed:
        sys.exit(EXIT_INPUT)


def _analyses(config_file: Path | None, other_file: Path | None) -> tuple[tuple[str, Analysis], ...]:
    loaded = load(config_file)
    first = ("defaults" if loaded.config_file is None else loaded.config_file.name, loaded.settings.analysis)
    if other_file is None:
        return (first,)
    name = other_file.name if other_file.name != first[0] else str(other_file)
    return first, (name, load(other_file).settings.analysis)


def _watch(
    recordings: list[Path], decoding: Decoding, analysis: Analysis, speed: float | None, *, forecasts: bool
) -> None:
    for path in recordings:
        recording = opened(path, decoding)
        if speed is None:
            step_by_step(recording, analysis, forecasts=forecasts)
        else:
            at_speed(recording, analysis, speed, forecasts=forecasts)


def _keep_picture(file: Path, replay: Played, *, alone: bool) -> None:
    place = file if alone else file.with_name(f"{file.stem}-{replay.folder.stem}{file.suffix}")
    try:
        place.write_bytes(replay.picture or b"")
    except OSError as fault:
        raise RecordingError(f"{place} cannot be written: {fault}", hint="Choose another place.") from fault
    click.echo(f"Picture written to {place}", err=True)


@click.command("score")
@FOLDERS
@WORKERS
@CONFIG
def score_command(folders: tuple[Path, ...], workers: int | None, config_file: Path | None) -> None:
    """Replay recordings that have a [truth] and score what was told.

    DIR is a recording or a folder of recordings. What a recording's truth does not say is not judged.
    """
    recordings = found(folders)
    scores = []
    failed = False
    unlabelled = 0
    analysis = load(config_file).settings.analysis
    results = over_all(recordings, partial(judged, analysis=analysis), workers=workers)
    for result in _with_progress(results, len(recordings), "scoring"):
        if result.failure is not None:
            _complain(result.failure)
            failed = True
        elif result.score is not None:
            scores.append(result.score)
            unlabelled += result.unlabelled
    shape = Table(title=f"{len(scores)} recordings", title_justify="left", box=SIMPLE_HEAD)
    shape.add_column("what", no_wrap=True)
    for heading in ("figure", "aim", "met", "of"):
        shape.add_column(heading, justify="right", no_wrap=True)
    for row in shown(table(scores)):
        shape.add_row(*row)
    Console(width=TABLE_WIDTH).print(shape)
    if unlabelled:
        click.echo(
            f"{unlabelled} of them say nothing of what was true: carboyd truth RECORDING proposes it.",
            err=True,
        )
    if failed:
        sys.exit(EXIT_INPUT)


@click.command("simulate")
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--scenario", type=click.Choice(scenario_names()), default="all", show_default=True,
    help='What happens to the ferment; "all" draws from the others.',
)  # fmt: skip
@click.option("--n", "count", type=click.IntRange(1, 100_000), default=1, show_default=True, help="How many.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True, help="The first seed.")
def simulate_command(folder: Path, scenario: str, count: int, seed: int) -> None:
    """Write simulated recordings, truth included, into folders inside of DIR.

    The same scenario and seed give the same recording.
    """
    for each in _with_progress(range(seed, seed + count), count, "simulating"):
        ferment = simulate(scenario, each)
        recording = ferment.recording
        with recording.lines() as lines:
            write(
                folder / recording.name,
                title=recording.title,
                premise=recording.premise,
                journal=recording.journal,
                truth=recording.truth,
                lines=lines,
            )
        click.echo(str(folder / recording.name))
