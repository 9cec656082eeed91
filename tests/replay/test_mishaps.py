"""What befalls sensors and makers keeps to its shares and bounds."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.replay.course import Ferment
from monitor.replay.instruments import FloatTraits
from monitor.replay.kinetics import STEP_H, Course, Deed
from monitor.replay.marks import Marks, marks_of
from monitor.replay.mishaps import Setting, draw_float, draw_premise, draw_setting, handled
from monitor.replay.scenario import SCENARIOS

HOURS = np.arange(0.0, 480.0, STEP_H)
COURSE = Course(
    HOURS, 1.0 + 0.043 * np.exp(-HOURS / 40.0), 20.0 + 2.0 * np.sin(HOURS / 4.0), np.full(len(HOURS), 1.0)
)
MARKS: Marks = marks_of(COURSE)


@pytest.fixture(scope="module")
def settings() -> list[Setting]:
    """Four hundred draws."""
    rng, hands = default_rng(8), default_rng(9)
    return [draw_setting(rng, hands, MARKS, (), 480.0) for _ in range(400)]


@pytest.mark.parametrize(
    ("share", "holds"),
    [
        (0.07, lambda s: s.traits.dies_h is not None),
        (0.17, lambda s: bool(s.traits.gaps)),
        (0.13, lambda s: bool(s.traits.late)),
        (0.08, lambda s: bool(s.traits.wrong_clock)),
        (0.17, lambda s: s.traits.unit == "plato"),
        (0.25, lambda s: s.traits.temperature_unit == "degF"),
        (0.10, lambda s: s.traits.bench_h > 0.0),
        (0.20, lambda s: s.malformed > 0.0),
    ],
)
def test_ills_have_their_shares(
    share: float, holds: Callable[[Setting], bool], settings: list[Setting]
) -> None:
    """Within three and a half standard errors of a binomial share."""
    found = sum(map(holds, settings)) / len(settings)
    assert found == pytest.approx(share, abs=3.5 * math.sqrt(share * (1.0 - share) / len(settings)))


def test_ills_have_their_bounds(settings: list[Setting]) -> None:
    """No float is worse than floats are."""
    for setting in settings:
        traits = setting.traits
        assert 0.0002 <= traits.noise <= 0.0020
        assert abs(traits.drift) <= 0.0015
        assert abs(traits.per_c) <= 0.0003
        assert traits.missing <= 0.15
        assert all(abs(foam.size) <= 0.008 for foam in traits.foam)


def test_a_dead_float_has_a_witness(settings: list[Setting]) -> None:
    """Silence can be judged only where another sensor goes on; a wrong clock only by the arrival."""
    for setting in settings:
        if setting.traits.dies_h is not None:
            assert setting.probes
        if setting.traits.wrong_clock:
            assert setting.with_received


def test_hands_move_the_float_for_good() -> None:
    """Racking shifts it from then on, more often than not."""
    rng = default_rng(2)
    moved = [handled(FloatTraits(), [Deed(50.0, "rack", 0.6)], rng).knocks for _ in range(200)]
    assert 0.6 < sum(map(bool, moved)) / 200 < 0.8
    assert all(knock.from_h == 50.0 and knock.until_h == math.inf for knocks in moved for knock in knocks)
    assert handled(FloatTraits(), [Deed(50.0, "nutrient", 0.6)], rng).knocks == ()


def test_makers_are_mostly_right() -> None:
    """Original gravity is off by a point or two at most, or missing; ranges are in order."""
    rng = default_rng(6)
    missing = 0
    for _ in range(300):
        plan = SCENARIOS["session"](rng)
        setting = Setting("f", draw_float(rng, MARKS, 480.0), (), 0.0, False)
        ferment = Ferment(
            plan.kind,
            plan.gravity_sg,
            plan.tolerance_abv,
            COURSE,
            MARKS,
            (),
            480.0,
            COURSE.temperature_c,
            1.0,
        )
        premise = draw_premise(rng, ferment, setting, 0)
        gravity = premise.must.original_gravity_sg
        missing += gravity is None
        if gravity is not None:
            assert abs(gravity - plan.gravity_sg) < 0.004
        if premise.yeast.temperature_c is not None:
            low, high = premise.yeast.temperature_c
            assert low + 3.0 <= high
        assert premise.gravity_sensor in (None, "f")
    assert 20 < missing < 75
