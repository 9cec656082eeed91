"""`carboyd status`: where every open batch stands, once or live."""

from __future__ import annotations

import threading
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import click
import tzlocal
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from monitor import quantities
from monitor.cellar.shown import UnitSystem, in_units
from monitor.commands.context import config_option, json_option, local, now_ms, print_json, store_options
from monitor.commands.forward import lag_words
from monitor.commands.sparkline import sparkline
from monitor.ferment.emission import Interval, Phase
from monitor.settings import load
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, Quantity, ms_from_rfc3339
from monitor.web.show import STEADY_POINTS_PER_DAY, Show

CURVE_DAYS: Final = 14
CURVE_WIDTH: Final = 42
URGENT: Final = ("refermenting", "stalled", "finished")


@click.command("status")
@config_option
@json_option
@click.option("--watch", is_flag=True, help="Stay, and show what changes.")
@click.option(
    "--every", type=click.FloatRange(0.5, 3600), default=5.0, show_default=True, help="Seconds between looks."
)
def status_command(config: Path | None, as_json: bool, watch: bool, every: float) -> None:
    """Show where every open batch stands: phase, gravity, how fast it falls, when it should end.

    It reads what the running daemon last said; a batch that no daemon has looked at says so. Nothing is told
    by colour alone, and NO_COLOR is heeded.

    \b
    Examples:
      carboyd status                    once, those first that need you
      carboyd status --watch            stay, with a curve of the last fortnight
      carboyd status --json | jq '.[].phase'
    """
    loaded = load(config)
    units = UnitSystem(loaded.settings.display.units)
    with SqlStore(store_options(loaded)) as store:
        if as_json:
            print_json(_documents(store))
            return
        console = Console(highlight=False)
        target = loaded.settings.influx.target
        if not watch:
            for line in _lines(store, units):
                console.print(line, soft_wrap=True)  # whole, however wide the terminal or the pipe
            if target is not None:
                lag = lag_words(store.forwarding.state(target.name), now_ms())
                console.print(f"\nForwarding: {lag}", soft_wrap=True)
            return
        pause = threading.Event()
        with Live(Group(*_lines(store, units)), console=console, auto_refresh=False) as live:
            try:
                while not pause.wait(every):
                    live.update(Group(*_lines(store, units)), refresh=True)
            except KeyboardInterrupt:
                return


def _documents(store: SqlStore) -> list[dict[str, Any]]:
    """What the daemon last said of each open batch, those first that need the maker."""
    standings = {one.batch: one.document for one in store.standings.listed()}
    documents = [
        standings.get(sheet.slug, {"batch": sheet.slug, "name": sheet.name, "phase": None})
        for sheet in store.batches.listed(only_open=True)
    ]
    rank = {phase: place for place, phase in enumerate(URGENT)}
    return sorted(documents, key=lambda one: (not one.get("alerts"), rank.get(one["phase"] or "", len(rank))))


def _lines(store: SqlStore, units: UnitSystem) -> list[Text]:
    documents = _documents(store)
    clock = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    lines = [Text(f"{len(documents)} open, {clock}")]
    for document in documents:
        lines.append(Text(""))
        lines += _block(store, document, units)
    return lines


def _block(store: SqlStore, document: dict[str, Any], units: UnitSystem) -> list[Text]:
    name = f"{document['name']} ({document['batch']})"
    if document["phase"] is None:
        return [Text(f"{name}: no daemon has looked at it yet", style="bold")]
    lines = [
        Text(f"{name}: {document['phase'].upper()}", style="bold"),
        Text(f"  {', '.join(_numbers(document, units))}"),
    ]
    curve = _curve(store, document["batch"])
    if curve:
        lines.append(Text(f"  {curve} last {CURVE_DAYS} days"))
    if document["reason"]:
        lines.append(Text(f"  {in_units(document['reason'], units)}", overflow="fold"))
    for alert in document["alerts"]:
        kind = alert["alert"].replace("_", " ")
        since = local(ms_from_rfc3339(alert["since"]))
        message = in_units(alert["message"], units)
        lines.append(Text(f"  ! {kind} since {since}: {message}", overflow="fold"))
    return lines


def _numbers(document: dict[str, Any], units: UnitSystem) -> list[str]:
    gravity_sg, warm_c = document["gravity_sg"], document["temperature_c"]
    fall, abv = document["fall_points_per_day"], document["alcohol_abv"]
    found = []
    if gravity_sg is not None:
        sampled = document.get("gravity_by_hand_at")
        by_hand = "" if sampled is None else f" by hand sample of {local(ms_from_rfc3339(sampled))}"
        found.append(f"gravity {quantities.show_gravity(gravity_sg)}{by_hand}")
    if fall is not None:
        moves = f"{'falls' if fall > 0 else 'rises'} {abs(fall):.1f} points a day"
        found.append("stands still" if abs(fall) < STEADY_POINTS_PER_DAY else moves)
    if abv is not None:
        found.append(f"{abv:.1f} % alcohol")
    if warm_c is not None:
        found.append(quantities.show_temperature(warm_c, units, both=False))
    phase = Phase(document["phase"])
    if gravity_sg is not None:
        finish = Show(units, tzlocal.get_localzone(), now_ms()).finish(phase, _finish_at(document))
        found.append(finish if phase is Phase.FINISHED else f"expected finish {finish}")
    return found or ["no level known yet"]


def _finish_at(document: dict[str, Any]) -> Interval:
    moments = (document["finish_at"][name] for name in ("p05", "p50", "p95"))
    return Interval(*(None if text is None else float(ms_from_rfc3339(text)) for text in moments))


def _curve(store: SqlStore, slug: str) -> str:
    sheet = store.batches.get(slug)
    sensor = sheet.gravity_sensor
    if sensor is None:
        return ""
    end_ms = now_ms()
    from_ms = max(end_ms - CURVE_DAYS * MS_PER_DAY, sheet.pitched_ms)
    if from_ms >= end_ms:
        return ""
    thinned = store.readings.thinned(sensor, Quantity.GRAVITY, from_ms, end_ms, CURVE_WIDTH)
    return sparkline(thinned.mean.tolist())
