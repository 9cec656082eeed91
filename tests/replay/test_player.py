"""The replayed clock: arrival order, the journal in its place, an end, and nothing from the future."""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import replace
from functools import partial

import pytest

from monitor.ferment.emission import Emission, Phase, PhaseChange
from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.player import events_of, play
from monitor.replay.recording import Recording
from monitor.replay.simulate import simulate
from monitor.replay.telling import json_line
from monitor.units import MS_PER_DAY, MS_PER_HOUR, ms_from_rfc3339

T0 = ms_from_rfc3339("2026-01-03T18:00:00Z")
LINES = [
    "time,sensor,quantity,value,unit\n",
    "2026-01-03T18:00:00Z,a,gravity,1.04,sg\n",
    "2026-01-03T20:00:00Z,a,gravity,1.03,sg\n",
    "2026-01-03T19:00:00Z,a,gravity,1.035,sg\n",
]


def recorded(lines: list[str], *journal: JournalEntry) -> Recording:
    """A recording of lines in memory."""
    return Recording("r", "r", Premise(T0), journal, Truth(), lambda: nullcontext(lines))


def entry(at_ms: int) -> JournalEntry:
    """Something was noted then."""
    return JournalEntry(JournalKind.NOTE, at_ms, at_ms)


class Echo:
    """A pipeline that answers every event with a phase change at its time."""

    def __init__(self) -> None:
        self.seen: list[Event] = []

    def step(self, event: Event) -> list[Emission]:
        """Remember and answer."""
        self.seen.append(event)
        return [PhaseChange(event.at_ms, Phase.ACTIVE, "echo")]


def test_events_come_in_order_of_arrival_and_a_tick_closes() -> None:
    """The late row stays where it arrived; the tick is one millisecond after the last arrival."""
    events = list(events_of(recorded(LINES)))
    assert [type(event) for event in events] == [Reading, Reading, Reading, Tick]
    assert [event.at_ms - T0 for event in events] == [
        0,
        2 * MS_PER_HOUR,
        2 * MS_PER_HOUR,
        2 * MS_PER_HOUR + 1,
    ]


def test_the_journal_stands_between_the_rows() -> None:
    """An entry comes before rows of its own time; one after the last row is not played."""
    early, tied, after = entry(T0 - 1000), entry(T0 + 2 * MS_PER_HOUR), entry(T0 + 3 * MS_PER_HOUR)
    events = list(events_of(recorded(LINES, early, tied, after)))
    assert events[0] == early
    assert events[2] == tied
    assert after not in events
    assert len(events) == 6


def test_a_recording_without_rows_says_nothing() -> None:
    """Where nothing arrived there is nothing to close."""
    assert list(events_of(recorded(LINES[:1], entry(T0)))) == []


def test_every_event_is_stepped_through() -> None:
    """What the pipeline answers comes out in order."""
    echo = Echo()
    said = list(play(recorded(LINES), echo))
    assert [emission.at_ms for emission in said] == [event.at_ms for event in echo.seen]


def said_of(recording: Recording) -> list[str]:
    """The stream of a recording through the real pipeline, forecasts included."""
    lines = (json_line("r", emission) for emission in play(recording, Pipeline(recording.premise)))
    return [line for line in lines if line is not None]


@pytest.mark.parametrize(("scenario", "seed"), [("wort", 51), ("session", 57)])
def test_a_cut_recording_says_what_the_whole_said_up_to_there(scenario: str, seed: int) -> None:
    """The prefix law, on simulated ferments with late, doubled and wrongly timed rows."""
    recording = simulate(scenario, seed).recording
    with recording.lines() as opened:
        heading, *rows = list(opened)
    arrivals = [reading.received_ms for reading in recording.readings()]
    whole = [(e.at_ms, json_line("r", e)) for e in play(recording, Pipeline(recording.premise))]
    for day in (2, 7):
        cut_ms = next(
            (at for at in arrivals if at >= recording.premise.pitched_ms + day * MS_PER_DAY), arrivals[-1]
        )
        kept = [heading, *_arrived_by(recording, heading, rows, cut_ms)]
        journal = tuple(e for e in recording.journal if e.at_ms <= cut_ms)
        cut = replace(recording, journal=journal, lines=partial(nullcontext, kept))
        assert said_of(cut) == [line for at, line in whole if at <= cut_ms and line is not None]


def _arrived_by(recording: Recording, heading: str, rows: list[str], cut_ms: int) -> list[str]:
    """The rows that had arrived by a time; malformed ones in between stay."""
    low, high = 0, len(rows)
    while low < high:  # arrival never steps back, so the place of the cut can be halved for
        middle = (low + high) // 2
        part = replace(recording, lines=partial(nullcontext, [heading, *rows[: middle + 1]]))
        last_ms = max((reading.received_ms for reading in part.readings()), default=0)
        low, high = (middle + 1, high) if last_ms <= cut_ms else (low, middle)
    return rows[:low]


def test_the_truth_never_changes_a_line() -> None:
    """A recording without its truth says the same."""
    recording = simulate("wort", 2).recording
    assert said_of(recording) == said_of(replace(recording, truth=Truth()))
