"""Simulated ferments are reproducible and hold what their scenario promises."""

from __future__ import annotations

import pytest

from monitor.errors import InputError
from monitor.replay.scenario import SCENARIOS, SHARES
from monitor.replay.simulate import simulate


def test_the_same_seed_gives_the_same_rows_and_truth() -> None:
    """A scenario and seed name one ferment for ever."""
    first, again = simulate("all", 11), simulate("all", 11)
    with first.recording.lines() as lines, again.recording.lines() as others:
        assert list(lines) == list(others)
    assert first.truth == again.truth


def test_an_unknown_scenario_is_refused() -> None:
    """The complaint names the scenarios there are."""
    with pytest.raises(InputError) as caught:
        simulate("imaginary", 0)
    assert "long-tail" in caught.value.hint


def test_the_mixture_covers_every_scenario() -> None:
    """Shares are of known scenarios and sum to one."""
    assert set(SHARES) == set(SCENARIOS)
    assert sum(SHARES.values()) == pytest.approx(1.0)
