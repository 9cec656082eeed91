"""A replay to watch: recorded time at a chosen speed, or one step after the other."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Final

import click

from monitor.ferment.emission import Emission
from monitor.ferment.event import Event
from monitor.ferment.pipeline import Analysis, Pipeline, Snapshot
from monitor.replay.archive import wished
from monitor.replay.pace import paced
from monitor.replay.player import Recorded, events_of
from monitor.replay.recording import RowFaults
from monitor.replay.telling import timeline
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG, datetime_from_ms

QUIT: Final = "q"
REST: Final = "r"
HELP: Final = "Return goes on to what is said next, a number goes on so many hours, r to the end, q leaves."


def at_speed(recording: Recorded, analysis: Analysis, speed: float, *, forecasts: bool) -> None:
    """Print what is said when its time has come; Ctrl-C leaves."""
    pipeline, faults = Pipeline(recording.premise, analysis), RowFaults()
    events = paced(events_of(recording, faults), speed, time.sleep, time.monotonic)

    def said() -> Iterator[Emission]:
        for event in events:
            yield from wished(pipeline.step(event), forecasts)

    for line in timeline(recording, said(), faults):
        click.echo(line)


def step_by_step(recording: Recorded, analysis: Analysis, *, forecasts: bool) -> None:
    """Stop after everything that is said, show where the batch stands, and ask how to go on."""
    steps = _Steps(Pipeline(recording.premise, analysis), recording, forecasts)
    click.echo(HELP)
    for line in timeline(recording, steps.said(), steps.faults):
        click.echo(line)
    click.echo("The recording ends." if not steps.left else "Left.")


class _Steps:
    """Emissions one by one, with a question after each stop."""

    def __init__(self, pipeline: Pipeline, recording: Recorded, forecasts: bool) -> None:
        self.faults = RowFaults()
        self.left = False
        self._pipeline = pipeline
        self._recording = recording
        self._forecasts = forecasts
        self._silent_until_ms: int | None = None
        self._to_the_end = False

    def said(self) -> Iterator[Emission]:
        """What is said, until the end or until the maker leaves."""
        for event in events_of(self._recording, self.faults):
            emissions = [*wished(self._pipeline.step(event), self._forecasts)]
            yield from emissions
            if self._stops(event, bool(emissions)):
                self._ask(event.at_ms)
                if self.left:
                    return

    def _stops(self, event: Event, spoke: bool) -> bool:
        if self._to_the_end:
            return False
        if self._silent_until_ms is not None:
            return event.at_ms >= self._silent_until_ms
        return spoke

    def _ask(self, at_ms: int) -> None:
        snapshot = self._pipeline.snapshot
        click.echo("        " + standing(snapshot, self._recording.premise.pitched_ms, at_ms))
        while True:
            answer = str(click.prompt(">", default="", show_default=False, prompt_suffix=" ")).strip()
            if answer == QUIT:
                self.left = True
            elif answer == REST:
                self._to_the_end = True
            elif answer:
                try:
                    hours = float(answer)
                except ValueError:
                    click.echo(HELP)
                    continue
                self._silent_until_ms = at_ms + round(max(hours, 0.0) * MS_PER_HOUR)
                return
            self._silent_until_ms = None
            return


def standing(snapshot: Snapshot, pitched_ms: int, at_ms: int) -> str:
    """Where a batch stands, in a line: time, phase, gravity, fall, temperature, where it should end."""
    evidence = snapshot.evidence
    parts = [
        f"day {(at_ms - pitched_ms) / MS_PER_DAY:.1f} ({datetime_from_ms(at_ms):%m-%d %H:%M})",
        snapshot.phase.value,
    ]
    if evidence.level_points == evidence.level_points:  # not nan
        parts.append(f"{1.0 + evidence.level_points / POINTS_PER_SG:.4f}")
    if evidence.slope_two == evidence.slope_two:
        way = "falls" if evidence.slope_two < 0.0 else "rises"
        parts.append(f"{way} {abs(evidence.slope_two):.1f} points a day")
    if evidence.temperature_c == evidence.temperature_c:
        parts.append(f"{evidence.temperature_c:.1f} degC")
    forecast = snapshot.forecast
    if forecast is not None and forecast.final_gravity_sg.p50 is not None:
        parts.append(f"should end near {forecast.final_gravity_sg.p50:.4f}")
    return ", ".join(parts)
