"""The questions of an import: each column shown with its first values and a guess to accept or mend."""

from __future__ import annotations

from dataclasses import replace

import click

from monitor.commands.import_account import columns_lines
from monitor.errors import InputError
from monitor.replay.columns import SAMPLED, Columns, Measured, units_for
from monitor.replay.foreign import require_units
from monitor.replay.grid import Table
from monitor.replay.moments import Style, guessed, zone_of
from monitor.replay.said import column, meant, require_measured

SKIP, TIME, SENSOR, ARRIVAL = "skip", "time", "sensor", "arrival"


def asked(table: Table, columns: Columns, zone: str, sensor: str) -> tuple[Columns, str, str]:
    """Columns, zone and sensor's name as the maker confirms or mends them, on standard error."""
    while True:
        click.echo(f"{table.name}:", err=True)
        for line in columns_lines(table, columns, zone, sensor):
            click.echo(line, err=True)
        if click.confirm("Take it so?", default=True, err=True):
            try:
                require_measured(table, columns)
                require_units(table, columns)
            except InputError as fault:
                click.echo(f"{fault}. {fault.hint}", err=True)
            else:
                return columns, zone, sensor
        if columns.tall is None:
            columns = _mended(table, columns)
        if columns.style.zoned:
            zone = _asked_zone(zone)
        if columns.sensor is None:
            sensor = click.prompt("Name of the sensor", default=sensor, err=True).strip()


def _asked_zone(zone: str) -> str:
    while True:
        given: str = click.prompt("Time zone of times without an offset", default=zone, err=True).strip()
        try:
            return zone_of(given).key
        except InputError as fault:
            click.echo(f"{fault}. {fault.hint}", err=True)


def _mended(table: Table, columns: Columns) -> Columns:
    click.echo(
        f"For each column: {TIME}, {SENSOR}, {ARRIVAL}, {SKIP}, or what it measures and its unit, such as\n"
        "'gravity plato', 'temperature degF', 'temperature degC probe-1' with a sensor of its own.",
        err=True,
    )
    sample = table.sample(SAMPLED)
    measured: list[Measured] = []
    columns = replace(columns, received=None, sensor=None)
    before = {each.place: each for each in columns.measured}
    for place, heading in enumerate(table.headings):
        if place == columns.clock:
            continue
        cells = column(sample, place)
        first = ", ".join(str(cell) for cell in cells if cell != "")[:40]
        default = TIME if place == columns.time else _shown(before.get(place))
        while True:
            answer: str = click.prompt(f"  {heading} ({first})", default=default, err=True).strip()
            try:
                if answer == TIME:
                    style = _style(table, place)
                    columns = replace(columns, time=place, style=style)
                elif answer == SENSOR:
                    columns = replace(columns, sensor=place)
                elif answer == ARRIVAL:
                    columns = replace(columns, received=place)
                elif answer != SKIP:
                    measured.append(meant(table, place, answer, cells, columns.decimal_comma))
                break
            except InputError as fault:
                click.echo(f"    {fault}. {fault.hint}", err=True)
    return replace(columns, measured=tuple(measured))


def _style(table: Table, place: int) -> Style:
    style = guessed(column(table.sample(SAMPLED), place))
    if style is None:
        raise InputError(
            f"{table.headings[place]!r} does not read as a time",
            hint="Start again with --time-format if it is one.",
        )
    return style


def _shown(each: Measured | None) -> str:
    if each is None:
        return SKIP
    assert each.unit in units_for(each.quantity)
    return f"{each.quantity.value} {each.unit}" + ("" if each.sensor is None else f" {each.sensor}")
