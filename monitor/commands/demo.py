"""`carboyd demo`: the whole job in two minutes, on the terminal."""

from __future__ import annotations

import logging
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

import click
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from monitor.batch.strength import attenuated
from monitor.clock import FastClock, SystemClock
from monitor.commands.sparkline import sparkline
from monitor.daemon import Daemon, Pace
from monitor.demo import (
    CONNECT_S,
    DAYS,
    MOST_SECONDS,
    SECONDS,
    Carboy,
    Floats,
    Reach,
    carboys,
    reach,
    settings_in,
    slow_words,
    speed,
)
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Emission, PhaseChange
from monitor.ferment.event import Reading
from monitor.ferment.pipeline import Snapshot
from monitor.units import MS_PER_DAY, datetime_from_ms

FRAME_S: Final = 0.25
CURVE_WIDTH: Final = 28
MOST_LINES: Final = 14


@click.command("demo")
@click.option(
    "--days", type=click.FloatRange(1, 30), default=DAYS, show_default=True, help="Days to live through."
)
@click.option(
    "--seconds",
    type=click.FloatRange(5, MOST_SECONDS),
    default=SECONDS,
    show_default=True,
    help="In how long.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Of the broker; 0 takes a free one.")
@click.option(
    "--dir",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Where the store is left; a new folder below the working directory's .carboyd-demo otherwise.",
)
def demo_command(days: float, seconds: float, port: int, folder: Path | None) -> int:
    """Three simulated carboys over real MQTT, time running fast.

    One finishes, one stalls when the room goes cold, one is healthy. What is shown is what the daemon says
    of readings that reach it over its own broker; the store stays, for the other commands to look at.
    """
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr)
    folder = _folder(folder)
    start_ms = SystemClock().now_ms() - int(days * MS_PER_DAY)
    clock = FastClock(start_ms, speed(days, seconds))
    scenario = carboys(start_ms)
    screen = Screen(start_ms, {carboy.sheet.slug: carboy.sheet.name for carboy in scenario})
    loaded = settings_in(folder, port)
    daemon = Daemon(loaded, clock=clock, pace=Pace(tick_s=FRAME_S, changes_s=1.0), heard=screen.hear)
    for carboy in scenario:
        daemon.store.batches.start(carboy.sheet, at_ms=start_ms)
    daemon.start()
    daemon.subscriber.wait_connected(CONNECT_S)
    assert daemon.broker is not None
    prefix = loaded.settings.mqtt.topics[0].removesuffix("/#")
    link = replace(
        loaded.settings.mqtt.link(daemon.broker.port, ("floats", daemon.broker.password)),
        client_id="demo-floats",
        topics=("carboyd/demo/unused",),
        availability_topic="carboyd/demo/availability",
        username=None,
        password=None,
    )
    floats = Floats(scenario, clock, link, prefix)
    floats.start()
    if daemon.web is not None:
        click.echo(f"The page: {daemon.web.address} (while the demo runs)")
    end_ms = start_ms + int(days * MS_PER_DAY)
    found: Reach | None = None
    try:
        _show_until(daemon, clock, screen, scenario, end_ms)
        if daemon.failure is None:
            found = reach(scenario, _stored(daemon, scenario), start_ms, end_ms)
    except KeyboardInterrupt:
        click.echo("Stopped early.")
    finally:
        floats.stop()
        floats.join(5.0)
        daemon.stop()
    screen.sum_up(scenario)
    finished = screen.told(scenario[0].sheet.slug, AlertKind.FINISHED)
    if found is not None and not found.in_time:
        click.echo(slow_words(found, days, seconds))
    elif found is not None and not finished:
        click.echo(
            f"Of {scenario[0].sheet.name} no finish was told by day {days:g}, and every reading was heard."
        )
        if days < DAYS:
            click.echo(f"See how it ends: carboyd demo --days {DAYS:g} --seconds {DAYS / days * seconds:.0f}")
    click.echo(f"The store stays in {folder}. Look at it with:")
    for words in ("batch list", "alerts --all", f"export {scenario[0].sheet.slug} {folder / 'recording'}"):
        click.echo(f"  carboyd {words} --config {folder / 'carboyd.toml'}")
    return 0 if finished else 1


def _stored(daemon: Daemon, scenario: list[Carboy]) -> Iterator[Reading]:
    sensors = [sensor for carboy in scenario for sensor in carboy.sheet.other_sensors]
    return daemon.store.readings.read(sensors).readings()


def _folder(folder: Path | None) -> Path:
    if folder is not None:
        return folder
    stamp = time.strftime("%Y%m%d-%H%M%S")
    return Path.cwd() / ".carboyd-demo" / stamp


def _show_until(
    daemon: Daemon, clock: FastClock, screen: Screen, scenario: list[Carboy], end_ms: int
) -> None:
    console = Console()
    pause = threading.Event()

    def frame() -> Group:
        return screen.frame(daemon.snapshots, scenario, clock.now_ms())

    if not console.is_terminal:
        for carboy in scenario:
            original = carboy.sheet.must.original_gravity_sg
            said = "not measured" if original is None else f"{original:.4f}"
            console.print(f"{carboy.sheet.name}: pitched, original gravity {said}")
        while clock.now_ms() < end_ms and daemon.failure is None:
            pause.wait(FRAME_S)
            screen.print_news(console)
        return
    with Live(frame(), console=console, auto_refresh=False) as live:
        while clock.now_ms() < end_ms and daemon.failure is None:
            pause.wait(FRAME_S)
            live.update(frame(), refresh=True)


class Screen:
    """What the demo shows: a line a carboy, and what was said."""

    def __init__(self, start_ms: int, names: dict[str, str]) -> None:
        self._start_ms = start_ms
        self._names = names
        self._lock = threading.Lock()
        self._said: deque[tuple[str, Emission]] = deque(maxlen=500)
        self._printed = 0
        self._curves: dict[str, list[float]] = {}

    def hear(self, slug: str, emission: Emission) -> None:
        """Called by the daemon's worker for everything that is said."""
        if isinstance(emission, (PhaseChange, AlertChange)):
            with self._lock:
                self._said.append((slug, emission))

    def told(self, slug: str, kind: AlertKind) -> bool:
        """Whether this alert has fired."""
        with self._lock:
            return any(
                of == slug and isinstance(said, AlertChange) and said.kind is kind for of, said in self._said
            )

    def frame(self, snapshots: Mapping[str, Snapshot], scenario: list[Carboy], now_ms: int) -> Group:
        """The whole picture as it is now."""
        table = Table(title=f"Day {self._day(now_ms):.1f}", title_justify="left", expand=True)
        for heading in (
            "carboy",
            "phase",
            "gravity",
            "falls/day",
            "alcohol",
            "liquid",
            "should end",
            "so far",
        ):
            table.add_column(heading, no_wrap=True)
        for carboy in scenario:
            snapshot = snapshots.get(carboy.sheet.slug)
            if snapshot is not None:
                table.add_row(*self._row(carboy, snapshot))
        with self._lock:
            recent = list(self._said)[-MOST_LINES:]
        lines = [self._line(slug, emission) for slug, emission in recent]
        return Group(table, *lines)

    def print_news(self, console: Console) -> None:
        """Print what has not been printed, for an output that is no terminal."""
        with self._lock:
            fresh = list(self._said)[self._printed :]
            self._printed = len(self._said)
        for slug, emission in fresh:
            console.print(self._line(slug, emission), soft_wrap=True)

    def sum_up(self, scenario: list[Carboy]) -> None:
        """Say what came of each carboy."""
        console = Console()
        for carboy in scenario:
            with self._lock:
                told = [
                    said
                    for slug, said in self._said
                    if slug == carboy.sheet.slug
                    and isinstance(said, AlertChange)
                    and said.state is AlertState.FIRING
                ]
            text = ", ".join(
                f"{said.kind.value.replace('_', ' ')} on day {self._day(said.at_ms):.1f}" for said in told
            )
            console.print(f"{carboy.sheet.name}: {text or 'nothing to tell'}", soft_wrap=True)

    def _day(self, time_ms: int) -> float:
        return (time_ms - self._start_ms) / MS_PER_DAY

    def _row(self, carboy: Carboy, snapshot: Snapshot) -> tuple[str, ...]:
        evidence = snapshot.evidence
        gravity_sg = 1.0 + evidence.level_points / 1_000.0
        known = gravity_sg == gravity_sg
        made = attenuated(carboy.sheet, gravity_sg if known else None, evidence.added_points)
        return (
            carboy.sheet.name,
            snapshot.phase.value,
            f"{gravity_sg:.4f}" if known else "-",
            f"{-evidence.slope_two:.1f}" if evidence.slope_two == evidence.slope_two else "-",
            f"{made.abv:.1f} %" if made is not None else "-",
            f"{evidence.temperature_c:.1f} °C" if evidence.temperature_c == evidence.temperature_c else "-",
            self._ending(snapshot),
            self._curve(carboy.sheet.slug, gravity_sg if known else None),
        )

    def _ending(self, snapshot: Snapshot) -> str:
        forecast = snapshot.forecast
        if forecast is None or forecast.finish_at_ms.p05 is None or forecast.finish_at_ms.p95 is None:
            return "-"
        early, late = (self._day(int(at)) for at in (forecast.finish_at_ms.p05, forecast.finish_at_ms.p95))
        return f"day {early:.0f} to {late:.0f}"

    def _curve(self, slug: str, gravity_sg: float | None) -> str:
        curve = self._curves.setdefault(slug, [])
        if gravity_sg is not None:
            curve.append(gravity_sg)
        if len(curve) < 2:
            return ""
        picked = [curve[index * (len(curve) - 1) // (CURVE_WIDTH - 1)] for index in range(CURVE_WIDTH)]
        return sparkline(picked)

    def _line(self, slug: str, emission: Emission) -> Text:
        when = datetime_from_ms(emission.at_ms).astimezone().strftime("%d %b %H:%M")
        head = f"day {self._day(emission.at_ms):4.1f} ({when})  {self._names[slug]}: "
        if isinstance(emission, PhaseChange):
            return Text(f"{head}{emission.phase.value}. {emission.reason}", overflow="fold")
        assert isinstance(emission, AlertChange)
        if emission.state is AlertState.RESOLVED:
            return Text(f"{head}over: {emission.kind.value.replace('_', ' ')}", style="dim")
        kind = emission.kind.value.replace("_", " ").upper()
        return Text(f"{head}{kind}. {emission.message}", style="bold", overflow="fold")
