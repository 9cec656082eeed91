"""Streams of events for the tests of the analysis: our own plain ferment, and ways to disturb it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from monitor.ferment.event import Event, Reading, Tick
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.units import MS_PER_DAY, MS_PER_MINUTE, Quantity

START_MS = 1_767_463_200_000

MakeFerment = Callable[..., list[Event]]


@pytest.fixture
def premise() -> Premise:
    """A session mead of ours, believed sensors left open."""
    return Premise(
        pitched_ms=START_MS,
        must=Must(kind=MustKind.HONEY, original_gravity_sg=1.043),
        yeast=Yeast(temperature_c=(14.0, 24.0)),
    )


@pytest.fixture
def make_ferment() -> MakeFerment:
    """Builds a first-order ferment after a day's lag, read each half hour by a noisy float.

    `stop_points` ends it early, so many points above its natural end, at once.
    """

    def build(
        days: float = 14.0,
        noise_sg: float = 0.0006,
        seed: int = 3,
        stop_points: float = 0.0,
        celsius: float = 19.0,
    ) -> list[Event]:
        rng = np.random.default_rng(seed)
        events: list[Event] = []
        for step in range(int(days * 48)):
            hours = step / 2.0
            left = max(46.0 * float(np.exp(-max(hours - 24.0, 0.0) / 36.0)), stop_points)
            at_ms = START_MS + step * 30 * MS_PER_MINUTE
            value = round(0.997 + left / 1000.0 + float(rng.normal(0.0, noise_sg)), 4)
            warmth = celsius + float(rng.normal(0.0, 0.1))
            events.append(Reading("float-a", Quantity.GRAVITY, at_ms, value, at_ms))
            events.append(Reading("float-a", Quantity.TEMPERATURE, at_ms, warmth, at_ms))
        events.append(Tick(START_MS + round(days * MS_PER_DAY)))
        return events

    return build
