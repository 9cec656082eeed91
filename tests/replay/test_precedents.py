"""The cuts that precedents are made of."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.replay.past import past_of
from monitor.replay.precedents import FAMILIES, collect, cuts, stretches
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


def test_families_weigh_by_their_share() -> None:
    """Of a family with half as many ferments each counts twice; what is left rises through the collection."""
    few = tuple(replace(family, ferments=1 + place) for place, family in enumerate(FAMILIES[1:]))
    alone = [collect([family]) for family in few]
    found = collect(few)
    left = found["table"][:, -1].astype(float)
    assert len(left) == sum(len(one["table"]) for one in alone)
    assert np.all(np.diff(left) <= 0.0)
    lighter = collect([replace(few[0], share=few[0].share / 2.0)])
    apart = alone[0]["log_prior"].astype(float) - lighter["log_prior"].astype(float)
    assert apart == pytest.approx(math.log(2.0), abs=0.01)


def test_families_share_the_whole() -> None:
    """Their shares are parts of one, and none has a seed that something is measured on."""
    assert sum(family.share for family in FAMILIES) == pytest.approx(1.0)
    assert min(family.first_seed for family in FAMILIES) >= 200_000
