"""What several tests of this folder need."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import pytest

from monitor.ferment.emission import Emission
from monitor.ferment.pipeline import Pipeline
from monitor.replay.kinetics_malt import Rates
from monitor.replay.player import play
from monitor.replay.recording import read

Follow = Callable[[Rates, Sequence[float], float, float], list[float]]


@pytest.fixture
def follow() -> Follow:
    """Runge-Kutta of fourth order in steps of 0.02 h: (rates, state, hours, room_c) to the state then."""

    def followed(rates: Rates, start: Sequence[float], hours: float, room_c: float) -> list[float]:
        step = 0.02
        state = list(start)
        for _ in range(round(hours / step)):
            a = rates(state, room_c)
            b = rates([s + step / 2 * k for s, k in zip(state, a, strict=True)], room_c)
            c = rates([s + step / 2 * k for s, k in zip(state, b, strict=True)], room_c)
            d = rates([s + step * k for s, k in zip(state, c, strict=True)], room_c)
            state = [
                s + step / 6 * (p + 2 * q + 2 * r + t)
                for s, p, q, r, t in zip(state, a, b, c, d, strict=True)
            ]
        return state

    return followed


@pytest.fixture(scope="session")
def said_of() -> Callable[[Path], list[Emission]]:
    """Everything the pipeline says of a recording; each is replayed once for all tests."""

    @cache
    def said(folder: Path) -> list[Emission]:
        recording = read(folder)
        return list(play(recording, Pipeline(recording.premise)))

    return said
