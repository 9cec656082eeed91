"""`carboyd batch`: begin a batch, write down what is done to it, look at it, end it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from monitor import quantities
from monitor.batch.expectation import in_percent
from monitor.batch.journal import (
    Tasting,
    corrected_sample_sg,
    entry,
    hand_sample,
    past_ms,
    require_of_batch,
)
from monitor.batch.plain import to_plain
from monitor.batch.sheet import Sheet, require_pitched, slug_of
from monitor.commands.context import (
    config_option,
    json_option,
    local,
    now_ms,
    opened,
    print_json,
    time_ms,
)
from monitor.commands.sheet import change_command, sheet_options, written
from monitor.errors import InputError
from monitor.expecting import begin
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.last_words import doubt, doubt_words, doubted
from monitor.store.values import Written
from monitor.units import rfc3339_from_ms

WRITTEN = [kind.value.replace("_", "-") for kind in JournalKind]


@click.group("batch")
def batch_command() -> None:
    """Begin a batch, write down what is done to it, look at it, end it.

    Amounts carry their unit: 18.2L, 4.8gal, 18degC, 65F. Times are '2026-01-03 18:00' (local), RFC 3339,
    or '6h ago'.
    """


@batch_command.command("start")
@config_option
@click.argument("name")
@click.option("--id", "slug", help="Short name for commands; made from NAME otherwise.")
@sheet_options
def start(config: Path | None, name: str, slug: str | None, **said: Any) -> None:
    """Begin a batch called NAME and say which sensors are in it.

    Where no attenuation is given, it is taken from earlier batches of the recipe that ended, or of the kind.
    """
    entered_ms = now_ms()
    if not name.strip():
        raise InputError("a batch needs a name", hint='carboyd batch start "Orchard session"')
    sheet = written(Sheet(slug=slug or slug_of(name), name=name, pitched_ms=entered_ms), said)
    require_pitched(sheet, entered_ms)
    with opened(config) as store:
        sheet, expected = begin(store, sheet, at_ms=entered_ms, learning=not said["no_attenuation"])
    click.echo(f"Started {sheet.slug}, pitched {local(sheet.pitched_ms)}.")
    if expected is not None:
        click.echo(f"{expected.said}.")
    if sheet.gravity_sensor is None:
        click.echo("No float is named: say which with --gravity-sensor, or enter hand samples.")


@batch_command.command("list")
@config_option
@json_option
@click.option("--all", "everything", is_flag=True, help="Also batches that have ended.")
def list_(config: Path | None, as_json: bool, everything: bool) -> None:
    """List the open batches in order of pitching."""
    with opened(config) as store:
        sheets = store.batches.listed(only_open=not everything)
    if as_json:
        print_json([to_plain(sheet) for sheet in sheets])
        return
    for sheet in sheets:
        state = "open" if sheet.open else f"ended {local(sheet.ended_ms)}"
        click.echo(f"{sheet.slug:<28} {sheet.name:<32} pitched {local(sheet.pitched_ms)}  {state}")
    if not sheets:
        click.echo("No batch. Begin one with: carboyd batch start NAME --gravity-sensor SENSOR")


@batch_command.command("show")
@config_option
@json_option
@click.argument("batch")
def show(config: Path | None, as_json: bool, batch: str) -> None:
    """Show the sheet and the journal of BATCH, every line of it with its name: entry-12, sample-345."""
    with opened(config) as store:
        sheet = store.batches.get(batch)
        written = store.notebook.listed(batch)
        doubts = doubted(store, sheet)
    if as_json:
        counting = [one for one in written if one.struck_ms is None]
        print_json(
            {
                "sheet": to_plain(sheet),
                "journal": [_plain(one) for one in counting if isinstance(one.what, JournalEntry)],
                "samples": [_plain(one) for one in counting if isinstance(one.what, Reading)],
                "taken_back": [
                    {**_plain(one), "taken_back": rfc3339_from_ms(one.struck_ms)}
                    for one in written
                    if one.struck_ms is not None
                ],
            }
        )
        return
    for line in _sheet_lines(sheet):
        click.echo(line)
    width = max((len(one.name) for one in written), default=0)
    for one in sorted(written, key=_moment_ms):
        struck = "" if one.struck_ms is None else f"  (taken back {local(one.struck_ms)})"
        line = f"  {one.name:<{width}}  {local(_moment_ms(one))}  {_said(one)}{struck}"
        found = doubts.get(_moment_ms(one)) if isinstance(one.what, Reading) and not struck else None
        click.echo(line if found is None else f"{line}  (in doubt: {doubt_words(found)})")


@batch_command.command("event")
@config_option
@click.argument("batch")
@click.argument("kind", type=click.Choice(WRITTEN))
@click.option("--at", metavar="TIME", help="When it was done; now otherwise.")
@click.option("--note", default="", help="What exactly: '10 g organic nutrient'.")
@click.option("--sweetness", type=click.IntRange(0, 10), help="A tasting: how sweet, 0 to 10.")
@click.option("--acid", type=click.IntRange(0, 10), help="A tasting: how sharp, 0 to 10.")
def event(
    config: Path | None,
    batch: str,
    kind: str,
    at: str | None,
    note: str,
    sweetness: int | None,
    acid: int | None,
) -> None:
    """Write down what was done to BATCH: fed, racked, stabilised, sweetened, an infusion, a note."""
    entered_ms = now_ms()
    meant = JournalKind(kind.replace("-", "_"))
    if sweetness is not None or acid is not None:
        if meant is not JournalKind.NOTE:
            raise InputError(
                "tasting scores belong to a note", hint="carboyd batch event BATCH note --sweetness 5"
            )
        note = Tasting(sweetness, acid, note).note()
    written = entry(meant, done_ms=time_ms(at, entered_ms), at_ms=entered_ms, note=note)
    with opened(config) as store:
        require_of_batch(store.batches.get(batch), "done", written.done_ms)
        store.batches.write_down(batch, written)
    click.echo(f"{local(written.done_ms)}  {kind}  {written.note}".rstrip())


@batch_command.command("sample")
@config_option
@click.argument("batch")
@click.argument("gravity")
@click.option("--temperature", metavar="TEMP", help="Of the sample, if it was not at the hydrometer's own.")
@click.option(
    "--calibrated-at", default="20degC", show_default=True, help="The hydrometer's own temperature."
)
@click.option("--at", metavar="TIME", help="When it was taken; now otherwise.")
def sample(
    config: Path | None, batch: str, gravity: str, temperature: str | None, calibrated_at: str, at: str | None
) -> None:
    """Enter a hydrometer sample of BATCH: GRAVITY as read, such as 1.012.

    It is the reference: from then on the float's offset is judged by it.
    """
    entered_ms = now_ms()
    read_sg = quantities.gravity_sg(gravity)
    kept_sg = read_sg
    with opened(config) as store:
        sheet = store.batches.get(batch)
        if temperature is not None:
            kept_sg = corrected_sample_sg(
                read_sg,
                quantities.temperature_c(temperature),
                quantities.temperature_c(calibrated_at),
                sheet.must.original_gravity_sg,
            )
        reading = hand_sample(
            sheet, gravity_sg=kept_sg, time_ms=time_ms(at, entered_ms), received_ms=entered_ms
        )
        fresh = store.readings.record_sample(batch, reading)
        said = doubt(store, sheet, reading) if fresh else ""
    corrected = "" if temperature is None else f" (read {read_sg:.4f}, corrected to 20 degC)"
    click.echo(
        f"{local(reading.time_ms)}  {kept_sg:.4f}{corrected}" if fresh else "That sample was there already."
    )
    if said:
        click.echo(f"{said} (carboyd batch take-back {batch} LINE, as carboyd batch show names it)")


@batch_command.command("take-back")
@config_option
@click.argument("batch")
@click.argument("line")
def take_back(config: Path | None, batch: str, line: str) -> None:
    """Take back what was written down of BATCH by mistake: LINE as `carboyd batch show` names it.

    An entry or a hand sample stays on record, and counts no more: the batch is judged anew without it.
    """
    with opened(config) as store:
        struck = store.notebook.take_back(batch, line, at_ms=now_ms())
    click.echo(f"Taken back: {local(_moment_ms(struck))}  {_said(struck)}".rstrip())


@batch_command.command("end")
@config_option
@click.argument("batch")
@click.option("--at", metavar="TIME", help="When it ended; now otherwise.")
def end(config: Path | None, batch: str, at: str | None) -> None:
    """End BATCH: its sensors are free again, its record is kept."""
    entered_ms = now_ms()
    with opened(config) as store:
        ended_ms = past_ms("ended", time_ms(at, entered_ms), entered_ms)
        sheet = store.batches.end(batch, ended_ms=ended_ms, at_ms=entered_ms)
    click.echo(f"Ended {sheet.slug} at {local(sheet.ended_ms)}.")


@batch_command.command("sensors")
@config_option
@click.argument("batch")
@click.option("--gravity-sensor", metavar="SENSOR", help="The float that is believed from now on.")
@click.option("--temperature-sensor", metavar="SENSOR", help="The thermometer that is believed from now on.")
def sensors(
    config: Path | None, batch: str, gravity_sensor: str | None, temperature_sensor: str | None
) -> None:
    """Say which sensors BATCH has."""
    if gravity_sensor is None and temperature_sensor is None:
        raise InputError("nothing to change", hint="give --gravity-sensor or --temperature-sensor")

    def tied(sheet: Sheet) -> Sheet:
        return replace(
            sheet,
            gravity_sensor=gravity_sensor or sheet.gravity_sensor,
            temperature_sensor=temperature_sensor or sheet.temperature_sensor,
        )

    with opened(config) as store:
        changed = store.batches.change(batch, tied, at_ms=now_ms())
    click.echo(
        f"{batch}: gravity from {changed.gravity_sensor}, temperature from {changed.temperature_sensor}"
    )


def _moment_ms(written: Written) -> int:
    what = written.what
    return what.done_ms if isinstance(what, JournalEntry) else what.time_ms


def _said(written: Written) -> str:
    what = written.what
    if isinstance(what, Reading):
        return f"hand sample  {what.value:.4f}"
    return f"{what.kind.value.replace('_', ' ')}  {what.note}"


def _plain(written: Written) -> dict[str, Any]:
    what = written.what
    named = {"name": written.name, "at": rfc3339_from_ms(_moment_ms(written))}
    if isinstance(what, Reading):
        return {**named, "gravity_sg": what.value}
    return {**named, "kind": what.kind.value, "note": what.note}


def _sheet_lines(sheet: Sheet) -> list[str]:
    must, yeast = sheet.must, sheet.yeast
    lines = [
        f"{sheet.name} ({sheet.slug})",
        f"  pitched {local(sheet.pitched_ms)}" + ("" if sheet.open else f", ended {local(sheet.ended_ms)}"),
    ]
    facts = [
        ("must", must.kind.value if must.kind else None),
        (
            "original gravity",
            None if must.original_gravity_sg is None else quantities.show_gravity(must.original_gravity_sg),
        ),
        (
            "expected attenuation",
            None
            if must.expected_apparent_attenuation is None
            else in_percent(must.expected_apparent_attenuation),
        ),
        ("volume", None if must.volume_l is None else quantities.show_volume(must.volume_l)),
        (
            "vessel",
            None if sheet.vessel.capacity_l is None else quantities.show_volume(sheet.vessel.capacity_l),
        ),
        (
            "yeast range",
            None
            if yeast.temperature_c is None
            else " to ".join(quantities.show_temperature(value) for value in yeast.temperature_c),
        ),
        (
            "alcohol tolerance",
            None if yeast.alcohol_tolerance_abv is None else f"{yeast.alcohol_tolerance_abv:g} % vol",
        ),
        ("gravity sensor", sheet.gravity_sensor),
        ("temperature sensor", sheet.temperature_sensor),
        ("other sensors", ", ".join(sheet.other_sensors) or None),
        ("recipe", sheet.recipe or None),
    ]
    return lines + [f"  {name}: {value}" for name, value in facts if value is not None]


batch_command.add_command(change_command)
