"""`carboyd import`: readings from a table, a capture, a database or a batch, into a recording or a batch."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import click
from tzlocal import get_localzone_name

from monitor import quantities
from monitor.batch.sheet import HAND_PREFIX, slug_of
from monitor.commands.capturing import decoding_of
from monitor.commands.context import config_option, json_option, now_ms, opened, print_json, time_ms
from monitor.commands.import_account import columns_lines, echo, full_account, taken_lines, taken_plain
from monitor.commands.import_asking import asked
from monitor.errors import InputError, StoreError
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.premise import Must, MustKind, Premise
from monitor.replay import capture, sparse
from monitor.replay.answer import answer_of
from monitor.replay.foreign import readings_of, require_units
from monitor.replay.gathering import Gathered, LeftOut, gather
from monitor.replay.grid import Table, grid_of
from monitor.replay.imported import believed, for_batch, put_into, save
from monitor.replay.moments import zone_of
from monitor.replay.said import FORM, Said, columns_of
from monitor.store.influx_read import InfluxPlace
from monitor.units import Quantity

EXIT_INPUT: Final = 2
HAND: Final = "hand"
"""Sensor of hand samples that a table does not name."""
KEPT_BY_HAND: Final = (
    f"fewer than {sparse.BY_HAND_PER_DAY:.0f} gravities a day are too few for a verdict on a float: they are"
    " taken as hand samples. Where they are a float's, say --column 'HEADING=gravity sg'."
)


@dataclass(frozen=True, slots=True)
class Source:
    """One thing to import, and how its readings are had: `open` notes what is left out."""

    name: str
    """Of the recording it becomes."""
    shown: str
    open: Callable[[LeftOut], Iterator[Reading]]
    premise: Premise | None = None
    title: str | None = None
    journal: tuple[JournalEntry, ...] = ()
    lines: list[str] = field(default_factory=list)
    """What it is taken for."""


@dataclass(frozen=True, slots=True)
class Reader:
    """How tables are read: what was said, and whether to ask."""

    said: Said
    zone: str
    sensor: str | None
    sheet: str | None
    ask: bool
    pitched_ms: int | None

    def source(self, table: Table, name: str) -> Source:
        """A table as a source; asks where it may."""
        columns = columns_of(table, self.said, complete=not self.ask)
        sensor = self.sensor or slug_of(name)
        zone = self.zone
        lines: list[str] = []
        seldom = not self.said.measured and sparse.may_be_by_hand(columns)
        if seldom and sparse.is_by_hand(
            readings_of(table, columns, zone_of(zone), sensor, LeftOut(), self.pitched_ms)
        ):
            columns = sparse.by_hand(columns, HAND)
            echo([f"{table.name}: {KEPT_BY_HAND}"], to_stderr=True)
        if self.ask:
            columns, zone, sensor = asked(table, columns, zone, sensor)
        else:
            lines = columns_lines(table, columns, zone, sensor)
        require_units(table, columns)
        in_zone = zone_of(zone)
        return Source(
            name,
            table.name,
            lambda left_out: readings_of(table, columns, in_zone, sensor, left_out, self.pitched_ms),
            lines=lines,
        )


@click.command("import")
@click.argument("files", metavar="[FILE]...", nargs=-1, type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), metavar="DIR",
    help="Write a recording into this folder; with several files one each in folders inside.",
)  # fmt: skip
@click.option("--into", metavar="BATCH", help="Put the readings into the store of this batch instead.")
@click.option("--check", is_flag=True, help="Only say what would be taken.")
@click.option("--together", is_flag=True, help="All files are one ferment: a float's and a thermometer's.")
@click.option("--column", "measured", multiple=True, metavar="MEANING", help=f"What a column is: {FORM}.")
@click.option("--time", "time_column", metavar="HEADING", help="Column of the time.")
@click.option(
    "--time-of-day", metavar="HEADING", help="Column of the time of day, where the day stands apart."
)
@click.option(
    "--time-format", metavar="STYLE",
    help="iso, unix, unix-ms, unix-us, unix-ns, serial, hours or days (since --pitched), '%d.%m.%Y %H:%M'.",
)  # fmt: skip
@click.option(
    "--zone", metavar="ZONE", help="Of times without an offset: Europe/Dublin; this machine's otherwise."
)
@click.option("--received", metavar="HEADING", help="Column of the time of arrival.")
@click.option("--sensor-column", metavar="HEADING", help="Column that names the sensor.")
@click.option("--sensor", metavar="NAME", help="Name of the sensor where no column has it.")
@click.option("--only", multiple=True, metavar="SENSOR", help="Take nothing of other sensors.")
@click.option("--decimal", type=click.Choice(["comma", "point"]), help="How numbers are written.")
@click.option("--sheet", metavar="NAME", help="Sheet of a workbook; the first that is not empty otherwise.")
@click.option("--influx", metavar="URL", help="Ask this InfluxDB instead of reading a file.")
@click.option(
    "--query", metavar="INFLUXQL", help='What to ask: SELECT * FROM "readings" WHERE time > now() - 30d'
)
@click.option("--database", default="", metavar="NAME", help="Database of the query.")
@click.option(
    "--secret-file", type=click.Path(dir_okay=False, exists=True, path_type=Path),
    help="File with the database's token, or user:password.",
)  # fmt: skip
@click.option("--batch", "from_batch", metavar="BATCH", help="Take a batch of the store instead of a file.")
@click.option("--name", "title", metavar="NAME", help="What the recording is called.")
@click.option("--pitched", metavar="TIME", help="When the yeast went in; the first reading otherwise.")
@click.option(
    "--kind", type=click.Choice([kind.value for kind in MustKind]), help="What the sugar came from."
)
@click.option("--original-gravity", metavar="SG", help="Hand sample before pitching: 1.040, 10degP.")
@click.option("--gravity-sensor", metavar="SENSOR", help="The float that is believed; else who says most.")
@click.option("--temperature-sensor", metavar="SENSOR", help="The thermometer that is believed.")
@click.option(
    "--left-out", type=click.Path(dir_okay=False, path_type=Path), help="Write all that was left out here."
)
@click.option("--ask/--no-ask", default=None, help="Confirm what columns are; asked at a terminal otherwise.")
@json_option
@config_option
def import_command(
    files: tuple[Path, ...],
    out: Path | None,
    into: str | None,
    check: bool,
    together: bool,
    measured: tuple[str, ...],
    time_column: str | None,
    time_of_day: str | None,
    time_format: str | None,
    zone: str | None,
    received: str | None,
    sensor_column: str | None,
    sensor: str | None,
    only: tuple[str, ...],
    decimal: str | None,
    sheet: str | None,
    influx: str | None,
    query: str | None,
    database: str,
    secret_file: Path | None,
    from_batch: str | None,
    title: str | None,
    pitched: str | None,
    kind: str | None,
    original_gravity: str | None,
    gravity_sensor: str | None,
    temperature_sensor: str | None,
    left_out: Path | None,
    ask: bool | None,
    as_json: bool,
    config: Path | None,
) -> None:
    """Take readings from FILE into a recording (--out) or a batch (--into).

    FILE is a table (.csv, .tsv, .txt, .xlsx, .xls, .ods) or what `carboyd capture` wrote (.jsonl). What each
    column is, is guessed, shown and, at a terminal, confirmed. What cannot be used is left out and named by
    row and reason; nothing is changed in FILE.
    """
    if sum((out is not None, into is not None, check)) != 1:
        raise InputError("say where it goes", hint="One of --out DIR, --into BATCH or --check.")
    said = Said(
        time_column, time_of_day, time_format, received, sensor_column, measured,
        None if decimal is None else decimal == "comma",
    )  # fmt: skip
    pitched_ms = None if pitched is None else time_ms(pitched, now_ms())
    at_terminal = sys.stdin.isatty() and sys.stderr.isatty()
    reader = Reader(
        said, zone or get_localzone_name(), sensor, sheet, at_terminal if ask is None else ask, pitched_ms
    )
    premise_of = _premise(pitched_ms, kind, original_gravity, gravity_sensor, temperature_sensor)
    opener: list[Callable[[], Source]] = [_of_file(path, reader, config) for path in files]
    if influx is not None or query is not None:
        opener.append(lambda: _of_influx(influx, query, database, secret_file, reader))
    if from_batch is not None:
        opener.append(lambda: _of_batch(from_batch, config))
    if not opener:
        raise InputError("nothing to import", hint="Give a FILE, --influx URL --query ..., or --batch BATCH.")
    failed = False
    results = []
    with full_account(left_out) as each:
        for sources in _in_parts(opener, together):
            try:
                taken = _take(sources, LeftOut(each), only, as_json)
                results.append(taken.plain())
                if out is not None:
                    folder = out / taken.name if len(opener) > 1 and not together else out
                    _write(folder, taken, title, premise_of(taken))
                    click.echo(f"{len(taken.gathered)} readings written to {folder}", err=as_json)
                elif into is not None:
                    _keep(into, taken, config, as_json)
            except (InputError, StoreError) as fault:
                if len(opener) == 1:
                    raise
                failed = True
                click.echo(f"carboyd: {fault}", err=True)
                if fault.hint:
                    click.echo(f"  {fault.hint}", err=True)
    if as_json:
        print_json(results)
    if failed:
        sys.exit(EXIT_INPUT)


def _in_parts(
    openers: Sequence[Callable[[], Source]], together: bool
) -> Iterator[list[Callable[[], Source]]]:
    if together:
        yield [*openers]
    else:
        yield from ([opener] for opener in openers)


@dataclass(frozen=True, slots=True)
class Taken:
    """What was taken of one recording's sources."""

    name: str
    sources: tuple[Source, ...]
    gathered: Gathered
    left_out: LeftOut

    def plain(self) -> dict[str, object]:
        """For programs."""
        return {
            "source": ", ".join(source.shown for source in self.sources),
            **taken_plain(self.gathered, self.left_out),
        }


def _take(
    openers: Sequence[Callable[[], Source]], left_out: LeftOut, only: tuple[str, ...], as_json: bool
) -> Taken:
    sources = tuple(opener() for opener in openers)
    for source in sources:
        echo([f"{source.shown}:", *source.lines], to_stderr=as_json)

    def wanted() -> Iterator[Reading]:
        for source in sources:
            for reading in source.open(left_out):
                if not only or reading.sensor in only:
                    yield _by_hand(reading)

    gathered = gather(wanted())
    echo(taken_lines(gathered, left_out), to_stderr=as_json)
    for sensor, per_day in sparse.too_sparse(gathered):
        click.echo(
            f"  {sensor} was heard in {per_day:.1f} hours of a day: too seldom for a verdict, which takes"
            f" {sparse.JUDGED_PER_DAY:.0f}. Readings by hand are better taken as --column"
            " 'HEADING=sample_gravity sg'.",
            err=as_json,
        )
    if not len(gathered):
        raise InputError(
            f"{sources[0].shown}: no reading could be taken",
            hint="What was left out, and why, stands above."
            if left_out.count
            else "It has no row with a value.",
        )
    return Taken(sources[0].name, sources, gathered, left_out)


def _by_hand(reading: Reading) -> Reading:
    return replace(reading, sensor=HAND) if reading.sensor.startswith(HAND_PREFIX) else reading


def _of_file(path: Path, reader: Reader, config: Path | None) -> Callable[[], Source]:
    def opened_file() -> Source:
        if path.suffix.lower() in capture.SUFFIXES:
            return _of_capture(path, config)
        return reader.source(grid_of(path, sheet=reader.sheet), path.stem)

    return opened_file


def _of_capture(path: Path, config: Path | None) -> Source:
    decoding = decoding_of(config)

    def taken(left_out: LeftOut) -> Iterator[Reading]:
        return capture.readings_in(path, decoding, _AsLeftOut(left_out))

    captured = capture.opened(path, decoding) if capture.sheet_beside(path).is_file() else None
    if captured is None:
        return Source(path.stem, str(path), taken)
    return Source(path.stem, str(path), taken, captured.premise, captured.title, captured.journal)


@dataclass(frozen=True, slots=True)
class _AsLeftOut:
    left_out: LeftOut

    def note(self, line: int, complaint: str) -> None:
        self.left_out.note(line, "message", complaint)


def _of_influx(
    url: str | None, query: str | None, database: str, secret_file: Path | None, reader: Reader
) -> Source:
    if url is None or query is None:
        raise InputError("--influx and --query go together")
    secret = "" if secret_file is None else secret_file.read_text(encoding="utf-8").strip()
    return reader.source(answer_of(InfluxPlace(url, database, secret), query), database or "influx")


def _of_batch(slug: str, config: Path | None) -> Source:
    with opened(config) as store:
        sheet = store.batches.get(slug)
        series = store.batches.readings(slug)
        journal = tuple(store.batches.journal(slug))
    return Source(slug, slug, lambda _left_out: series.readings(), sheet.premise(), sheet.name, journal)


def _premise(
    pitched_ms: int | None,
    kind: str | None,
    original_gravity: str | None,
    gravity_sensor: str | None,
    temperature_sensor: str | None,
) -> Callable[[Taken], Premise]:
    gravity_sg = None if original_gravity is None else quantities.gravity_sg(original_gravity)

    def premise_of(taken: Taken) -> Premise:
        given = taken.sources[0].premise
        if given is None:
            first_ms = int(taken.gathered.time_ms.min())
            given = Premise(first_ms)
        must = Must(
            given.must.kind if kind is None else MustKind(kind),
            given.must.original_gravity_sg if gravity_sg is None else gravity_sg,
            given.must.volume_l,
            given.must.expected_apparent_attenuation,
        )
        return believed(
            taken.gathered,
            replace(
                given,
                pitched_ms=given.pitched_ms if pitched_ms is None else pitched_ms,
                must=must,
                gravity_sensor=gravity_sensor or given.gravity_sensor,
                temperature_sensor=temperature_sensor or given.temperature_sensor,
            ),
        )

    return premise_of


def _write(folder: Path, taken: Taken, title: str | None, premise: Premise) -> None:
    measured = {quantity for _, quantity in taken.gathered.sources}
    if Quantity.GRAVITY not in measured and Quantity.SAMPLE_GRAVITY in measured:
        click.echo("Hand samples alone: a replay shows them, and has no verdict without a float.", err=True)
    elif Quantity.GRAVITY not in measured:
        click.echo("No gravity is among it: a replay will have nothing to tell.", err=True)
    source = taken.sources[0]
    save(folder, title or source.title or folder.name, premise, taken.gathered, source.journal)


def _keep(slug: str, taken: Taken, config: Path | None, as_json: bool) -> None:
    with opened(config) as store:
        sheet = store.batches.get(slug)
        beyond = LeftOut()
        kept = put_into(store, sheet, for_batch(taken.gathered, sheet), beyond, now_ms())
    known = f"; {kept.known} were there already" if kept.known else ""
    click.echo(f"{kept.stored} readings put into {slug}{known}", err=as_json)
    echo([f"  {reason.count} left out: {reason.why}" for reason in beyond.listed()], to_stderr=as_json)
