"""Simulated ferments are reproducible, keep to their scenario, and their truth is that of their course."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.ferment.event import JournalKind
from monitor.replay.recording import RowFaults
from monitor.replay.scenario import SCENARIOS, SHARES
from monitor.replay.simulate import Simulated, simulate
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

NEVER_STALL = {"session", "strong", "wort", "cider", "country", "long-lag", "long-tail", "cold-slow", "fed",
               "sweetened", "restarts"}  # fmt: skip


@pytest.fixture(scope="module")
def ferments() -> dict[str, Simulated]:
    """One of each scenario."""
    return {scenario: simulate(scenario, 21) for scenario in SCENARIOS}


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


@pytest.mark.parametrize("scenario", sorted(SCENARIOS))
def test_a_scenario_keeps_its_promise(scenario: str, ferments: dict[str, Simulated]) -> None:
    """Healthy ones end and never stall, stalling ones stall, and each lasts as long as ferments do."""
    truth = ferments[scenario].truth
    if scenario in NEVER_STALL:
        assert truth.stalls == ()
        assert truth.finished_ms is not None
    else:
        assert truth.stalls
    pitched_ms = ferments[scenario].recording.premise.pitched_ms
    if truth.finished_ms is not None:
        assert 4 <= (truth.finished_ms - pitched_ms) / MS_PER_DAY <= 40


@pytest.mark.parametrize("scenario", sorted(NEVER_STALL))
def test_the_truth_is_that_of_the_noise_free_course(scenario: str, ferments: dict[str, Simulated]) -> None:
    """At the finish one point is left to fall, at the mark before it two; recordings go on for six days."""
    ferment = ferments[scenario]
    truth, pitched_ms = ferment.truth, ferment.recording.premise.pitched_ms
    assert truth.finished_ms is not None
    assert truth.near_finish_ms is not None
    assert truth.final_gravity_sg is not None
    hours = [(at - pitched_ms) / MS_PER_HOUR for at in (truth.near_finish_ms, truth.finished_ms)]
    left = 1000.0 * (np.interp(hours, ferment.hours, ferment.gravity_sg) - truth.final_gravity_sg)
    assert left == pytest.approx([2.0, 1.0], abs=0.15)
    assert ferment.hours[-1] - hours[1] > 6 * 24


@pytest.mark.parametrize("scenario", sorted(SCENARIOS))
def test_its_rows_can_be_read(scenario: str, ferments: dict[str, Simulated]) -> None:
    """Nearly all of them, in the range of real musts, in order of arrival."""
    faults = RowFaults()
    readings = list(ferments[scenario].recording.readings(faults))
    assert faults.count <= 0.03 * len(readings)
    pitched_ms = ferments[scenario].recording.premise.pitched_ms
    gravities = [r.value for r in readings if r.quantity is Quantity.GRAVITY and r.received_ms >= pitched_ms]
    assert 0.97 < min(gravities) < max(gravities) < 1.15
    arrivals = [reading.received_ms for reading in readings]
    assert arrivals == sorted(arrivals)


def test_a_long_tail_is_long_and_slow(ferments: dict[str, Simulated]) -> None:
    """Under a point a day for more than a day and a half with two points or more to go."""
    ferment = ferments["long-tail"]
    gravity = ferment.gravity_sg
    final = ferment.truth.final_gravity_sg
    assert final is not None
    a_day = 1000.0 * (gravity[:-24] - gravity[24:])
    after = np.arange(len(a_day)) > int(np.argmax(a_day))
    assert np.count_nonzero(after & (a_day < 1.0) & (gravity[:-24] - final >= 0.002)) > 36


def test_sweetened_ones_hold_or_go_again(ferments: dict[str, Simulated]) -> None:
    """After sweetening the one stands still; the other falls by 0.2 to 3 points a day while it does."""
    still, goes = ferments["sweetened"], ferments["restarts"]
    for ferment in (still, goes):
        assert ferment.truth.sweetened_ms is not None
        assert ferment.truth.finished_ms is not None
        assert ferment.truth.sweetened_ms > ferment.truth.finished_ms
    assert still.truth.refermenting_ms is None
    start = int((still.truth.sweetened_ms or 0) - still.recording.premise.pitched_ms) // MS_PER_HOUR + 2
    assert np.ptp(still.gravity_sg[start:]) < 3e-4
    marks = goes.truth.lost_marks
    assert goes.truth.refermenting_ms == marks[0][0]
    assert [points for _, points in marks] == sorted(points for _, points in marks)


def test_a_fed_must_tells_no_forecast_from_before_its_feed() -> None:
    """Marks of half and three quarters are left out where sugar came later."""
    for seed in range(4):
        ferment = simulate("fed", seed)
        sugar = [e.at_ms for e in ferment.recording.journal if e.kind is JournalKind.SUGAR_ADDITION]
        half_ms = ferment.truth.half_ms
        if sugar and half_ms is not None:
            assert max(sugar) <= half_ms
