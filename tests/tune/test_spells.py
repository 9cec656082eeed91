"""Stretches looked for are what one look after the other gives."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.ferment.alert import Rule, Standing, transition
from monitor.ferment.score import FOR_EVER_MS, Spell
from monitor.tune.spells import NEVER, edges, first_ready, spells, wait_ms
from monitor.units import MS_PER_HOUR

FLAGS = st.lists(st.tuples(st.booleans(), st.booleans(), st.sampled_from([0, 20, 60, 150])), max_size=40)
HOURS = st.sampled_from([0.0, 0.3, 1.0, 2.5, 6.0])


@settings(max_examples=150)
@given(FLAGS, HOURS, HOURS)
def test_spells_are_those_of_the_alert(
    looks: list[tuple[bool, bool, int]], dwell_h: float, clear_h: float
) -> None:
    """The dwell, the latch and the clearing of `transition`, to the look."""
    at_ms = np.cumsum([0, *(minutes * 60_000 for _, _, minutes in looks)])[1:].astype(np.int64)
    standing = Standing()
    expected: list[Spell] = []
    for at, (holds, clears, _) in zip(at_ms.tolist(), looks, strict=True):
        after = transition(standing, Rule(holds, clears, dwell_h, clear_h), at)
        if after.fired_ms is not None and standing.fired_ms is None:
            if expected and expected[-1].from_ms == at:
                expected.pop()  # told twice in one millisecond: an alert is named by when it fired
            expected.append(Spell(after.fired_ms, FOR_EVER_MS))
        if after.fired_ms is None and standing.fired_ms is not None:
            expected[-1] = Spell(standing.fired_ms, at)
        standing = after
    holds, clears = (np.array([look[which] for look in looks], dtype=bool) for which in (0, 1))
    assert spells(at_ms, holds, clears, dwell_h, clear_h) == tuple(expected)


def test_the_first_of_several_dwells() -> None:
    """Two hours long is the first stretch, five the second; a day is too long for both."""
    at_ms = np.arange(12, dtype=np.int64) * MS_PER_HOUR
    flags = np.array([0, 1, 1, 1, 0, 0, 1, 1, 1, 1, 1, 1], dtype=bool)
    waits = np.array([wait_ms(hours) for hours in (0.0, 2.0, 5.0, 24.0)])
    assert first_ready(at_ms, flags, waits).tolist() == [1, 3, 11, NEVER]
    assert first_ready(at_ms, flags & False, waits).tolist() == [NEVER] * 4
    assert [one.tolist() for one in edges(flags)] == [[1, 6], [4, 12]]
