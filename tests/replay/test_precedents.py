"""The cuts that precedents are made of."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.replay.past import past_of
from monitor.replay.precedents import cuts, stretches
from monitor.replay.simulate import simulate


@pytest.mark.parametrize("scenario", ["session", "fed", "sweetened"])
def test_cuts_are_of_one_fall(scenario: str) -> None:
    """Every cut falls toward its end: nothing before it lies under it, and what is left is not negative."""
    found = cuts(past_of(simulate(scenario, 900_000)), np.random.default_rng(1))
    assert found
    for cut in found:
        assert cut.left > -0.3  # a point or so of rounding of the hour's gravity
        assert cut.course.min() > -0.5


def test_what_was_sweetened_gives_nothing_from_then_on() -> None:
    """Stretches end before the sweetening, and added sugar begins a new one."""
    past = past_of(simulate("sweetened", 900_001))
    assert past.sweetened_h is not None
    assert all(end <= past.sweetened_h for _, end in stretches(past))
    assert len(list(stretches(past_of(simulate("fed", 900_002))))) >= 2
