"""`carboyd export`: a batch as a recording that a replay reads."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.batch.sheet import Sheet
from monitor.commands.context import config_option, opened
from monitor.errors import RecordingError
from monitor.ferment.score import Truth
from monitor.replay import recording


@click.command("export")
@config_option
@click.argument("batch")
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
def export_command(config: Path | None, batch: str, folder: Path) -> None:
    """Write BATCH into DIR as a recording: readings.csv and batch.toml.

    Replaying it gives the alerts that the daemon gave. A recording of this batch that is there already is
    written anew, and keeps the truth that somebody put into it.
    """
    with opened(config) as store:
        sheet = store.batches.get(batch)
        truth = _truth_there(folder, sheet)
        readings = store.batches.readings(batch)
        recording.write(
            folder,
            title=sheet.name,
            premise=sheet.premise(),
            journal=store.batches.journal(batch),
            truth=truth,
            lines=recording.rows_of(readings.readings()),
        )
    click.echo(f"{len(readings)} readings written to {folder}")


def _truth_there(folder: Path, sheet: Sheet) -> Truth:
    if not (folder / recording.BATCH_FILE).is_file():
        return Truth()
    there = recording.read(folder)
    if there.premise.pitched_ms != sheet.pitched_ms:
        raise RecordingError(
            f"{folder} holds another recording already, {there.title!r}", hint="Choose another folder."
        )
    return there.truth
