"""Thresholds chosen from recordings on the command line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Literal

import click
import platformdirs
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from monitor.commands.context import config_option, print_json
from monitor.errors import ConfigurationError, InputError
from monitor.ferment.evidence import FitSettings
from monitor.replay.archive import found
from monitor.settings import load
from monitor.tune.board import Figures, front
from monitor.tune.cores import Hands, hands
from monitor.tune.ladders import MOST_SETS, ladders
from monitor.tune.picture import trade_off
from monitor.tune.reckoning import Prices
from monitor.tune.running import Tuned, Wish, tune
from monitor.tune.sets import changed
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, record_of, taken_in
from monitor.tune.writing import difference, kept_before, read_text, replace_text, with_values

TABLE_WIDTH: Final = 112
MOST_FRONT: Final = 8
MOST_SAID: Final = 12
"""Recordings named on standard error for each kind of complaint."""
PICTURES: Final[dict[str, Literal["png", "svg"]]] = {".png": "png", ".svg": "svg"}


@click.command("tune")
@click.argument("folders", metavar="DIR...", nargs=-1, type=click.Path(file_okay=False, path_type=Path))
@config_option
@click.option(
    "--search", "how", type=click.Choice(("random", "grid", "optimise")), default="random", show_default=True,
    help="Draw settings at random, take every combination, or let an optimiser look (it learns anew for"
    " every half held apart: many times slower).",
)  # fmt: skip
@click.option("--sets", type=click.IntRange(10, MOST_SETS), default=10_000, show_default=True,
              help="How many settings to try (not for a grid).")  # fmt: skip
@click.option("--only", help="Thresholds to sweep, with commas between; a sensible choice by default.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@click.option("--splits", type=click.IntRange(2, 200), default=10, show_default=True,
              help="Random halves held apart, to see whether the gain is there.")  # fmt: skip
@click.option("--care", type=click.FloatRange(0.1, 20.0), default=1.0, show_default=True,
              help="How much more than usual false alarms count against delay.")  # fmt: skip
@click.option("--early", "early_percent", type=click.FloatRange(0.0, 100.0), default=0.0, show_default=True,
              help="Ferments in a hundred that may be called finished too early; the present setting's"
              " number always may.")  # fmt: skip
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path),
              help="Draw delay against false alarms into this .png or .svg file.")  # fmt: skip
@click.option("--write", is_flag=True, help="Write what is recommended into the file of --config.")
@click.option("--yes", is_flag=True, help="Do not ask before writing.")
@click.option("--undo", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Put a configuration back as it was before tune wrote it.")  # fmt: skip
@click.option("--cache", type=click.Path(file_okay=False, path_type=Path),
              help="Where evidence is kept between sweeps; the user's cache by default.")  # fmt: skip
@click.option("--workers", type=click.IntRange(1, 64), help="Processes to use; as many as cores by default.")
@click.option("--dask", metavar="ADDRESS",
              help="Use a Dask cluster: its scheduler's address, or local.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")
def tune_command(
    folders: tuple[Path, ...], config: Path | None, undo: Path | None, picture: Path | None,
    cache: Path | None, workers: int | None, dask: str | None, as_json: bool, write: bool, yes: bool,
    **wishes: Any,
) -> None:  # fmt: skip
    """Choose thresholds by what they would have told of recorded batches.

    DIR is a recording with a [truth] or a folder of recordings. What is measured is kept: a second sweep,
    or one that was cut short, starts from there. Nothing is written unless --write is given.
    """
    if undo is not None:
        _undo(undo, yes)
        return
    if not folders:
        raise click.UsageError("Missing argument 'DIR...'.")
    if picture is not None and picture.suffix.lower() not in PICTURES:
        raise InputError(f"{picture} is no picture's name", hint="It must end in .png or .svg.")
    loaded = load(config)
    if write and loaded.config_file is None:
        raise InputError("there is no configuration to write to", hint="Name it with --config FILE.")
    wish = _wish(loaded.settings.analysis, **wishes)
    shelf = Shelf(cache or Path(platformdirs.user_cache_dir("carboyd")) / "evidence")
    recordings = found(folders)
    with hands(workers, dask, len(recordings)) as many:
        records = measured(recordings, shelf, wish.present.fit, many)
        with _bar() as bar:
            tuned = tune(records, wish, shelf, many, bar)
    shelf.prune()
    if as_json:
        print_json(_as_json(tuned))
    else:
        _tell(tuned)
    if picture is not None:
        _write_picture(picture, trade_off(tuned.board, tuned.choice, PICTURES[picture.suffix.lower()]))
    if write and loaded.config_file is not None:
        _write(loaded.config_file, tuned, yes)


def _wish(
    present: Any, *, how: Any, sets: int, only: str | None, seed: int, splits: int, care: float,
    early_percent: float,
) -> Wish:  # fmt: skip
    names = [name.strip() for name in only.split(",") if name.strip()] if only else []
    return Wish(
        present, ladders(present, names), how, sets, seed, splits, early_percent / 100.0, Prices(care=care)
    )


@contextmanager
def _bar() -> Iterator[Callable[[str, int], Callable[[int], None]]]:
    """Bars on standard error, with the time left, where that is a terminal."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:

        def begin(what: str, steps: int) -> Callable[[int], None]:
            task = progress.add_task(what, total=steps)
            return lambda done: progress.advance(task, done)

        yield begin


def measured(recordings: list[Path], shelf: Shelf, fit: FitSettings, many: Hands) -> list[Record]:
    """The recordings that serve; of the others it is said why they do not."""
    records: list[Record] = []
    fresh = 0
    refused: list[str] = []
    noted: list[str] = []
    try:
        with _bar() as bar:
            done = bar("measuring recordings", len(recordings))
            for taken in taken_in(recordings, shelf, fit, many):
                done(1)
                fresh += taken.fresh
                record = record_of(taken)
                if record is not None:
                    records.append(record)
                if taken.refusal:
                    refused.append(f"{taken.name}: left out: {taken.refusal}. {taken.hint}")
                elif taken.note:
                    noted.append(f"{taken.name}: {taken.note}")
    except KeyboardInterrupt:
        click.echo(
            f"carboyd: what was measured is kept in {shelf.directory}; the same command goes on.", err=True
        )
        raise
    for lines, rest in ((refused, "recordings are left out"), (noted, "recordings have rows left out")):
        for line in lines[:MOST_SAID]:
            click.echo(line, err=True)
        if len(lines) > MOST_SAID:
            click.echo(f"and {len(lines) - MOST_SAID} more {rest}", err=True)
    click.echo(
        f"{len(records)} of {len(recordings)} recordings serve; {fresh} were measured now,"
        " the others before.",
        err=True,
    )
    if not records:
        raise InputError("no recording serves", hint="Each needs rows and a [truth]; see above.")
    return records


def _shape(title: str, first: str, *others: str) -> Table:
    shape = Table(title=title, title_justify="left", box=SIMPLE_HEAD)
    shape.add_column(first, no_wrap=True)
    for heading in others:
        shape.add_column(heading, justify="right", no_wrap=True)
    return shape


def _cells(figures: Figures) -> dict[str, str]:
    def hours(value: float | None) -> str:
        return "-" if value is None else f"{value:.1f} h"

    return {
        "finish: delay, median": hours(figures.delay_median_h),
        "finish: delay, 90th percentile": hours(figures.delay_p90_h),
        "finish: told too early": str(figures.early),
        "missed, of every kind": str(figures.missed),
        "told wrongly, of every kind": str(figures.false),
        "cost of a ferment, faults in hours": hours(figures.cost_h),
    }


def _tell(tuned: Tuned) -> None:
    """The tables and the reason."""
    console = Console(width=TABLE_WIDTH)
    board, choice = tuned.board, tuned.choice
    present = _cells(board.figures(0))
    best = _cells(board.figures(choice.best)) if choice.best else {}
    title = f"{board.settings:,} settings on {board.recordings:,} recordings"
    heading = "recommended" if choice.recommended else "seemed best"
    shape = _shape(title, "figure", "present", *([heading] if best else []))
    for name, cell in present.items():
        shape.add_row(name, cell, *([best[name]] if best else []))
    console.print(shape)
    if tuned.changes:
        title = "what is recommended" if choice.recommended else "what seemed best, and is not recommended"
        shape = _shape(title, "threshold", "present", heading, "swept")
        swept = {one.name: one for one in tuned.design.ladders}
        for name, (before, after) in tuned.changes.items():
            rungs = swept[name].rungs
            shape.add_row(
                name, f"{before:g}", f"{after:g}", f"{rungs[0]:g} to {rungs[-1]:g} {swept[name].unit}"
            )
        console.print(shape)
    shape = _shape("the trade-off: delay against false alarms", "told wrongly, of 100 ferments",
                   "delay, median", "missed", "too early")  # fmt: skip
    edge = front(board)
    for place in edge[:: max(1, -(-edge.size // MOST_FRONT))].tolist():
        one = board.figures(place)
        shape.add_row(
            f"{100.0 * one.false / board.recordings:.1f}", _cells(one)["finish: delay, median"],
            str(one.missed), str(one.early),
        )  # fmt: skip
    console.print(shape)
    console.print(choice.reason)


def _as_json(tuned: Tuned) -> dict[str, Any]:
    board, choice = tuned.board, tuned.choice

    def shown(place: int) -> dict[str, Any]:
        one = board.figures(place)
        return {name: getattr(one, name) for name in Figures.__dataclass_fields__}

    return {
        "settings": board.settings,
        "recordings": board.recordings,
        "present": shown(0),
        "best": shown(choice.best),
        "changes": {name: {"from": a, "to": b} for name, (a, b) in tuned.changes.items()},
        "recommended": choice.recommended,
        "reason": choice.reason,
        "splits_better": choice.splits.better,
        "splits": len(choice.splits.gains_h),
        "splits_gain_h": choice.splits.mean_h,
        "left_out_gain_h": None if choice.left_out is None else choice.left_out.mean_h,
        "front": [shown(place) for place in front(board).tolist()],
    }


def _write_picture(path: Path, picture: bytes) -> None:
    try:
        path.write_bytes(picture)
    except OSError as fault:
        raise InputError(f"{path} cannot be written: {fault.strerror}") from fault
    click.echo(f"the trade-off is drawn in {path}", err=True)


def _write(config: Path, tuned: Tuned, yes: bool) -> None:
    """Write what is recommended, once it was shown and agreed to."""
    if not tuned.choice.recommended:
        click.echo("Nothing is written: nothing is recommended.", err=True)
        return
    values = {name: after for name, (_, after) in tuned.changes.items()}
    wanted = changed(tuned.design.present, values)
    before = read_text(config)
    after = with_values(before, values, str(config))

    def accept(path: Path) -> None:
        if load(path).settings.analysis != wanted:
            raise ConfigurationError(
                [f"{config}: the environment sets a threshold too, and would win"],
                hint="Unset CARBOYD_THRESHOLDS__* and CARBOYD_ALERTS__* and try again.",
            )

    _exchange(config, before, after, accept, yes)
    click.echo(f"To undo: carboyd tune --undo {config}", err=True)


def _undo(config: Path, yes: bool) -> None:
    """Put a configuration back; what it holds now is kept in turn."""
    before, after = read_text(config), kept_before(config)
    _exchange(config, before, after, _loads, yes)


def _loads(path: Path) -> None:
    load(path)


def _exchange(config: Path, before: str, after: str, accept: Callable[[Path], None], yes: bool) -> None:
    click.echo(difference(before, after, config.name), nl=False, err=True)
    if not yes:
        click.confirm(f"Change {config}?", abort=True, err=True)
    kept = replace_text(config, after, accept)
    click.echo(f"{config} is changed; what it held is kept in {kept}.", err=True)
    click.echo("A running daemon reads it at SIGHUP, or when it starts again.", err=True)
