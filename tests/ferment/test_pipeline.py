"""The pipeline from the outside: events in, emissions out."""

from __future__ import annotations

import pickle

import numpy as np

from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Emission,
    Forecast,
    Phase,
    PhaseChange,
)
from monitor.ferment.event import Event, Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

START_MS = 1_767_463_200_000
PREMISE = Premise(
    pitched_ms=START_MS,
    must=Must(kind=MustKind.HONEY, original_gravity_sg=1.043),
    yeast=Yeast(temperature_c=(14.0, 24.0)),
)


def simple_ferment(days: float = 14.0, noise_sg: float = 0.0006, seed: int = 3) -> list[Event]:
    """A first-order ferment of 46 points after a day's lag, read each half hour by a noisy float."""
    rng = np.random.default_rng(seed)
    events: list[Event] = []
    for step in range(int(days * 48)):
        hours = step / 2.0
        left = 46.0 * np.exp(-max(hours - 24.0, 0.0) / 36.0)
        at_ms = START_MS + step * 30 * MS_PER_MINUTE
        value = round(0.997 + left / 1000.0 + float(rng.normal(0.0, noise_sg)), 4)
        events.append(Reading("float-a", Quantity.GRAVITY, at_ms, value, at_ms))
        events.append(
            Reading("float-a", Quantity.TEMPERATURE, at_ms, 19.0 + float(rng.normal(0, 0.1)), at_ms)
        )
    events.append(Tick(START_MS + round(days * MS_PER_DAY)))
    return events


def emissions(events: list[Event], premise: Premise = PREMISE) -> list[Emission]:
    """All that a fresh pipeline says of these events."""
    pipeline = Pipeline(premise)
    return [said for event in events for said in pipeline.step(event)]


def fired(said: list[Emission], kind: AlertKind) -> list[AlertChange]:
    """The alerts of a kind that began to fire."""
    return [e for e in said if isinstance(e, AlertChange) and e.kind is kind and e.state is AlertState.FIRING]


def test_a_plain_ferment_is_called_finished_once_and_in_time() -> None:
    """A first-order ferment with a point left at 162 h is told as finished once, within two days of that."""
    told = fired(emissions(simple_ferment()), AlertKind.FINISHED)
    assert len(told) == 1
    hours = (told[0].at_ms - START_MS) / MS_PER_HOUR
    # 46 exp(-(t - 24)/36) is 2 points at 137 h and 1 point at 162 h
    assert 137.0 < hours < 162.0 + 48.0
    assert "hand sample" in told[0].message


def test_phases_follow_the_course() -> None:
    """A plain ferment goes through lag, active, slowing and finished, in this order, each once."""
    phases = [e.phase for e in emissions(simple_ferment()) if isinstance(e, PhaseChange)]
    assert phases == [Phase.LAG, Phase.ACTIVE, Phase.SLOWING, Phase.FINISHED]


def test_forecasts_come_at_least_every_six_hours() -> None:
    """From the first drop of three points until finished, no two forecasts are over six hours apart."""
    times = [e.at_ms for e in emissions(simple_ferment()) if isinstance(e, Forecast)]
    assert len(times) > 20
    assert max(np.diff(times)) <= 6 * MS_PER_HOUR


def test_a_pipeline_can_be_put_away_and_taken_out() -> None:
    """A pickled pipeline goes on exactly where it was."""
    events = simple_ferment(days=6.0)
    pipeline = Pipeline(PREMISE)
    for event in events[:400]:
        pipeline.step(event)
    other = pickle.loads(pickle.dumps(pipeline))  # noqa: S301
    assert [pipeline.step(e) for e in events[400:]] == [other.step(e) for e in events[400:]]
