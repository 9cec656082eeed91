"""Floats beside ferments of any mechanism."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.ferment.event import JournalKind, Reading
from monitor.ferment.premise import MustKind
from monitor.replay import grown_musts, inhibited_musts, starved_musts
from monitor.replay.floated import ferment_of, floated
from monitor.replay.kinetics import Deed
from monitor.replay.past import Past, past_of
from monitor.replay.player import events_of
from monitor.replay.simulate import simulate
from monitor.units import MS_PER_HOUR, Quantity

HOURS = np.arange(601.0)
PLAIN = Past(
    gravity_sg=1.0 + 0.040 * np.exp(-HOURS / 60.0),
    temperature_c=np.full(HOURS.size, 20.0),
    attainable_sg=1.0,
    final_sg=1.0,
    finished_h=60.0 * np.log(40.0),
    kind=MustKind.HONEY,
    tolerance_abv=12.0,
)


def test_an_exponential_has_its_marks() -> None:
    """Half of the fall takes ln 2 and three quarters 2 ln 2 time constants; two points are left after ln 20
    of them (the exponential's own arithmetic)."""
    marks = ferment_of(PLAIN).marks
    assert marks.half_h == pytest.approx(60.0 * np.log(2.0), abs=0.6)
    assert marks.three_quarters_h == pytest.approx(60.0 * np.log(4.0), abs=0.6)
    assert marks.near_h == pytest.approx(60.0 * np.log(20.0), abs=2.0)
    assert marks.finished_h == PLAIN.finished_h


def test_the_float_reads_the_past() -> None:
    """Without the float's offset its readings lie about the true gravity, from the first day to the last."""
    made = floated(PLAIN, "plain", 3)
    pitched_ms = made.recording.premise.pitched_ms
    readings = [
        event
        for event in events_of(made.recording)
        if isinstance(event, Reading) and event.quantity is Quantity.GRAVITY and event.at_ms > pitched_ms
    ]
    hours = np.array([(reading.at_ms - pitched_ms) / MS_PER_HOUR for reading in readings])
    off = np.array([reading.value for reading in readings]) - np.interp(hours, HOURS, PLAIN.gravity_sg)
    assert hours.max() > 500.0
    assert np.quantile(np.abs(off - np.median(off)), 0.9) < 0.004


def test_the_same_name_and_seed_give_the_same_recording() -> None:
    """And another seed another float."""
    one, same, other = (floated(PLAIN, "plain", seed) for seed in (5, 5, 6))
    with one.recording.lines() as first, same.recording.lines() as second, other.recording.lines() as third:
        whole = list(first)
        assert whole == list(second)
        assert whole != list(third)
    assert one.recording.premise == same.recording.premise


@pytest.mark.parametrize("past_in", [starved_musts.past, inhibited_musts.past, grown_musts.past])
def test_what_a_mechanism_gives_is_kept(past_in: Callable[[int], Past | None]) -> None:
    """Gravity, end and what the must could reach are those of the past, whatever mechanism it follows."""
    given = next(past for seed in range(700, 720) if (past := past_in(seed)) is not None and past.finished_h)
    made = floated(given, "given", 1)
    again = past_of(made)
    assert again.gravity_sg == pytest.approx(given.gravity_sg[: again.gravity_sg.size], abs=1e-9)
    assert again.final_sg == pytest.approx(given.final_sg, abs=1e-5)
    assert again.finished_h == pytest.approx(given.finished_h, abs=0.02)
    assert again.attainable_sg == given.attainable_sg
    assert made.recording.premise.must.kind in (given.kind, None)


def test_deeds_come_into_the_journal_mostly() -> None:
    """Racking is written down by seven makers in ten."""
    racked = replace(PLAIN, deeds=(Deed(90.0, "rack", 0.5),))
    kinds = [
        {entry.kind for entry in floated(racked, "racked", seed).recording.journal} for seed in range(40)
    ]
    assert 18 <= sum(JournalKind.RACKED in found for found in kinds) <= 37


def test_what_falls_after_its_sweetening_restarts() -> None:
    """A sweetened past that falls by two points has its losses marked; one that holds has none."""
    own = past_of(simulate("sweetened", 900_003))
    assert own.sweetened_h is not None
    assert not ferment_of(own).restarts
    falling = np.where(
        np.arange(own.gravity_sg.size) > own.sweetened_h + 24.0,
        own.gravity_sg - 0.002,
        own.gravity_sg,
    )
    goes = replace(own, gravity_sg=falling)
    assert ferment_of(goes).restarts
    assert floated(goes, "goes", 1).truth.lost_marks
