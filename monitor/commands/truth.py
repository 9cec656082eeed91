"""`carboyd truth`: what was true of a recording, typed or proposed in hindsight, into its sheet."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Final

import click

from monitor import quantities
from monitor.commands.context import json_option, now_ms, print_json, time_ms
from monitor.errors import InputError
from monitor.ferment.score import Spell, Truth
from monitor.replay.chart import kind_of, picture
from monitor.replay.hindsight import Proposal, proposed
from monitor.replay.labels import label
from monitor.replay.plot_text import plot
from monitor.replay.recording import BATCH_FILE, Recording, RowFaults, read
from monitor.replay.track import Track, track_of
from monitor.units import MS_PER_DAY, datetime_from_ms, rfc3339_from_ms

NONE: Final = "none"


@click.command("truth")
@click.argument("folder", metavar="RECORDING", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--finished", metavar="TIME", help=f"When at most a point was left to fall; {NONE} where never."
)
@click.option("--final-gravity", metavar="SG", help="Where it ended: 0.998, 0degP.")
@click.option(
    "--stall", "stalls", multiple=True, metavar="FROM/UNTIL", help=f"A stall; {NONE} where none was."
)
@click.option("--propose/--typed", "propose", default=None, help="Propose what is not typed; else it stays.")
@click.option(
    "--picture", "picture_file", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
    help="Also draw it: .png or .svg.",
)  # fmt: skip
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--show", is_flag=True, help="Write nothing.")
@json_option
def truth_command(
    folder: Path,
    finished: str | None,
    final_gravity: str | None,
    stalls: tuple[str, ...],
    propose: bool | None,
    picture_file: Path | None,
    yes: bool,
    show: bool,
    as_json: bool,
) -> None:
    """Label RECORDING with what was true, for scoring and tuning thresholds.

    Without typed marks they are proposed from the whole recording, before and after each moment, shown on a
    plot, and written into its batch.toml once you agree; its comments stay. A replay never reads them.
    """
    kind = "png" if picture_file is None else kind_of(picture_file)
    recording = read(folder)
    faults = RowFaults()
    track = track_of(recording, faults)
    typed = finished is not None or final_gravity is not None or bool(stalls)
    if propose is None:
        propose = not typed
    proposal = proposed(track, recording.premise, recording.journal) if propose else None
    truth = _typed(recording, proposal, finished, final_gravity, stalls)
    level = None if proposal is None else (proposal.time_ms, proposal.level_sg)
    if faults.count:
        click.echo(f"{faults.count} rows could not be understood and were left out", err=True)
    if as_json:
        print_json(_plain(recording, truth, proposal))
    else:
        for line in [recording.title, *plot(track, level, truth), *_lines(recording, track, truth, proposal)]:
            click.echo(line)
    if picture_file is not None:
        picture_file.write_bytes(picture(recording, track, truth=truth, level=level, kind=kind))
        click.echo(f"Picture written to {picture_file}", err=as_json)
    at_terminal = sys.stdin.isatty()
    if show or not (yes or typed or at_terminal):
        click.echo("Nothing was written." + ("" if show else " Say --yes to write it."), err=as_json)
        return
    if not yes and at_terminal:
        truth = _confirmed(truth, track)
    label(folder, truth)
    click.echo(f"Written to {folder / BATCH_FILE}", err=as_json)


def _typed(
    recording: Recording,
    proposal: Proposal | None,
    finished: str | None,
    final_gravity: str | None,
    stalls: tuple[str, ...],
) -> Truth:
    truth = recording.truth if proposal is None else proposal.truth
    if finished is not None:
        truth = replace(truth, finished_ms=_moment(finished), near_finish_ms=None)
    if final_gravity is not None:
        truth = replace(truth, final_gravity_sg=quantities.gravity_sg(final_gravity))
    if stalls:
        truth = replace(truth, stalls=() if stalls == (NONE,) else tuple(_spell(text) for text in stalls))
    _require_after_pitching(recording, truth)
    return truth


def _require_after_pitching(recording: Recording, truth: Truth) -> None:
    pitched_ms = recording.premise.pitched_ms
    told = [("finished", truth.finished_ms), *(("stalled", stall.from_ms) for stall in truth.stalls)]
    for what, at_ms in told:
        if at_ms is not None and at_ms < pitched_ms:
            raise InputError(
                f"{what} at {rfc3339_from_ms(at_ms)}, before it was pitched, {rfc3339_from_ms(pitched_ms)}",
                hint="check the date; nothing was written",
            )


def _moment(text: str) -> int | None:
    return None if text.strip().lower() == NONE else time_ms(text, now_ms())


def _spell(text: str) -> Spell:
    first, slash, last = text.partition("/")
    if not slash:
        raise InputError(
            f"{text!r} is no stretch of time", hint="FROM/UNTIL: 2026-03-01T06:00Z/2026-03-04T06:00Z"
        )
    spell = Spell(time_ms(first, now_ms()), time_ms(last, now_ms()))
    if spell.from_ms >= spell.until_ms:
        raise InputError(f"{text!r} ends before it begins")
    return spell


def _lines(recording: Recording, track: Track, truth: Truth, proposal: Proposal | None) -> list[str]:
    def shown(at_ms: int | None) -> str:
        if at_ms is None:
            return "not known"
        day = (at_ms - track.pitched_ms) / MS_PER_DAY
        return f"{datetime_from_ms(at_ms):%Y-%m-%d %H:%M} UTC, day {day:.1f}"

    before = recording.truth
    final = "not known" if truth.final_gravity_sg is None else f"{truth.final_gravity_sg:.4f}"
    lines = [
        f"  finished       {shown(truth.finished_ms)}",
        f"  final gravity  {final}",
        *(
            f"  stalled        {shown(stall.from_ms)}, until {shown(stall.until_ms)}"
            for stall in truth.stalls
        ),
    ]
    if proposal is not None:
        lines += [f"  - {sentence}" for sentence in proposal.why]
    if before.finished_ms is not None and before.finished_ms != truth.finished_ms:
        lines.append(f"  the sheet says finished {shown(before.finished_ms)}")
    return lines


def _plain(recording: Recording, truth: Truth, proposal: Proposal | None) -> dict[str, object]:
    return {
        "recording": recording.name,
        "finished_at": None if truth.finished_ms is None else rfc3339_from_ms(truth.finished_ms),
        "finished_between": (
            None
            if proposal is None or proposal.finished_between_ms is None
            else [rfc3339_from_ms(at_ms) for at_ms in proposal.finished_between_ms]
        ),
        "final_gravity": truth.final_gravity_sg,
        "stalls": [
            {"from": rfc3339_from_ms(stall.from_ms), "until": rfc3339_from_ms(stall.until_ms)}
            for stall in truth.stalls
        ],
        "why": [] if proposal is None else list(proposal.why),
    }


def _confirmed(truth: Truth, track: Track) -> Truth:
    """The truth as the maker lets it stand, mark by mark where it is not right as a whole."""
    if click.confirm("Is it so?", default=True):
        return truth
    shown = NONE if truth.finished_ms is None else rfc3339_from_ms(truth.finished_ms)
    finished = _moment(click.prompt("Finished", default=shown))
    if finished != truth.finished_ms:
        truth = replace(truth, finished_ms=finished, near_finish_ms=None)
    final = NONE if truth.final_gravity_sg is None else f"{truth.final_gravity_sg:.4f}"
    given: str = click.prompt("Final gravity", default=final)
    truth = replace(truth, final_gravity_sg=None if given == NONE else quantities.gravity_sg(given))
    kept = []
    for stall in truth.stalls:
        whole = f"{rfc3339_from_ms(stall.from_ms)}/{rfc3339_from_ms(stall.until_ms)}"
        text: str = click.prompt(f"Stall (or {NONE})", default=whole)
        if text != NONE:
            kept.append(_spell(text))
    text = click.prompt(f"One more stall, FROM/UNTIL (or {NONE})", default=NONE)
    if text != NONE:
        kept.append(_spell(text))
    return replace(truth, stalls=tuple(kept))
