"""The held-out ferments of the bench: their kinetics as published, their pasts as the bench reads them."""

from __future__ import annotations

import re
import sys
from dataclasses import astuple, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from monitor.ferment.score import Score
from monitor.replay.marks import fallen_points
from monitor.replay.past import Past

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "bench"))

from apart.ferments import NAME, asked_of, ferment, past  # noqa: E402
from apart.kinetics import ETHANOL_PER_SUGAR, EXTRACT_PER_ETHANOL, GRAMS_PER_MMOL, Yeast  # noqa: E402
from apart.musts import STOPS, Fate  # noqa: E402
from apart.vessel import STEP_H, Doing, DoingKind, Outcome, Vessel, follow, sg_of  # noqa: E402
from bench_verdicts import asked_for, gathered  # noqa: E402

PURE = Yeast(
    pitched=0.2, active_share=1.0, fructose_half_g_l=10.0, coldest_c=-100.0, drops_below_c=-50.0,
    ethanol_limit_g_l=1e9,
)  # fmt: skip
"""With all that was added to the published models out of the way."""
SEEDS = (1004, 1006, 1010, 1022, 1029)
WITHOUT_FERMENT = 1063


@cache
def found(seed: int) -> Past:
    """The past of a seed that has one."""
    given = past(seed)
    assert given is not None
    return given


def still(days: float, celsius: float) -> np.ndarray:
    """A room that stays as it is."""
    return np.full(round(days * 24.0 / STEP_H), celsius)


def wine(sugar_g: float, nitrogen_g_l: float, glycerol_share: float = 0.03) -> Vessel:
    """A must of equal parts of glucose and fructose, held at 20 degC."""
    return Vessel(
        malt=False, water_g=900.0, unfermentable_g=1.0, sugars_g=(sugar_g / 2.0, sugar_g / 2.0, 0.0),
        nitrogen_g_l=nitrogen_g_l, glycerol_share=glycerol_share, cooling_h=10.0, start_c=20.0, held=True,
    )  # fmt: skip


def reached_h(outcome: Outcome, share: float) -> float | None:
    """When so much of the sugar had gone."""
    hours = np.arange(outcome.gone.size) * STEP_H
    return float(np.interp(share, outcome.gone, hours)) if outcome.gone[-1] >= share else None


@pytest.mark.parametrize(
    ("sugar_g", "nitrogen_g_l", "half_h", "done_h"),
    [
        (240.0, 0.30, 40.18, 71.16),
        (240.0, 0.08, 92.52, None),
        (104.0, 0.15, 34.41, 65.89),
        (104.0, 0.05, 64.39, 167.48),
    ],
)
def test_nitrogen_limits_as_published(
    sugar_g: float, nitrogen_g_l: float, half_h: float, done_h: float | None
) -> None:
    """Half and 99 % gone from 0.2 g/L of cells as LSODA integrates Cramer, Vlassides & Block (2002)."""
    # all that does not become the published share of ethanol is taken for glycerol
    vessel = wine(sugar_g, nitrogen_g_l, glycerol_share=1.0 - ETHANOL_PER_SUGAR * EXTRACT_PER_ETHANOL)
    outcome = follow(vessel, PURE, still(400.0 / 24.0, 20.0))
    assert reached_h(outcome, 0.5) == pytest.approx(half_h, abs=0.05)
    assert reached_h(outcome, 0.99) == (None if done_h is None else pytest.approx(done_h, abs=0.05))


def test_three_sugars_go_as_published() -> None:
    """Gee & Ramirez (1994) at 12 degC from 70, 220, 40 mol/m3 with 125 of cells, as LSODA integrates them."""
    sugars_g = tuple(moles * grams for moles, grams in zip((70.0, 220.0, 40.0), GRAMS_PER_MMOL, strict=True))
    vessel = replace(wine(1.0, 0.0), malt=True, sugars_g=sugars_g, start_c=12.0)
    outcome = follow(vessel, replace(PURE, pitched=125.0), still(7.5, 12.0))
    left_g = (1.0 - outcome.gone) * sum(sugars_g)
    for hour, moles in {
        24.0: (24.707, 201.091, 37.141),
        72.0: (0.0, 156.900, 30.480),
        168.0: (0.0, 84.355, 19.236),
    }.items():
        expected_g = float(np.dot(moles, GRAMS_PER_MMOL))
        assert left_g[round(hour / STEP_H)] == pytest.approx(expected_g, abs=0.05)


def test_gravity_is_that_of_the_mass_balance() -> None:
    """Water, a tenth of sucrose and a tenth of ethanol read what tables of each say."""
    nothing = np.array([0.0])
    assert sg_of(1000.0, nothing, nothing)[0] == pytest.approx(1.0, abs=1e-9)
    # 1.03998: relative density of sucrose solutions at 20 degC, appendix of a sugar technology handbook
    assert sg_of(900.0, nothing, np.array([100.0]))[0] == pytest.approx(1.03998, abs=1e-4)
    # kg/m3 at 20 degC: Melinder, properties of ethanol-water, through CoolProp; water by OIML R 22
    assert sg_of(900.0, np.array([100.0]), nothing)[0] == pytest.approx(981.841 / 998.20, abs=1e-4)


def test_sugar_raises_and_sweetening_leaves_what_could_be_reached() -> None:
    """38.5 g in a litre raise it by near 15 points (385 points L/kg); sugar fed on the way lowers the end."""
    vessel, yeast, room_c = wine(104.0, 0.15), replace(PURE, ethanol_limit_g_l=110.0), still(20.0, 20.0)
    plain = follow(vessel, yeast, room_c)
    fed = follow(replace(vessel, doings=(Doing(DoingKind.SUGAR, 38.5, gone=0.5),)), yeast, room_c)
    asleep = (Doing(DoingKind.STABILISE, hour=300.0), Doing(DoingKind.SWEETEN, 38.5, hour=301.0))
    sweet = follow(replace(vessel, doings=asleep), yeast, room_c)
    assert fed.attainable_sg < plain.attainable_sg - 1e-3
    assert sweet.attainable_sg == plain.attainable_sg
    assert 1000.0 * (sweet.gravity_sg[602] - sweet.gravity_sg[601]) == pytest.approx(15.0, abs=1.5)
    assert sweet.gravity_sg[-1] == pytest.approx(sweet.gravity_sg[602], abs=1e-6)
    assert sweet.done_h == (300.0, 301.0)
    (fed_h,) = fed.done_h
    assert fed_h is not None
    assert fed_h.is_integer()


def test_survivors_ferment_at_their_pace() -> None:
    """A stabilised, sweetened batch at 18 degC loses about the point a day that its survivors are to take."""
    doings = (
        Doing(DoingKind.STABILISE, hour=300.0),
        Doing(DoingKind.SWEETEN, 50.0, hour=301.0),
        Doing(DoingKind.RESTART, 1.0, hour=302.0, over_h=1.0),
    )
    vessel = replace(wine(104.0, 0.15), start_c=18.0, doings=doings)
    outcome = follow(vessel, PURE, still(24.0, 18.0))
    day = round(24.0 / STEP_H)
    fell = outcome.gravity_sg[-1 - 3 * day] - outcome.gravity_sg[-1]
    assert 1000.0 * fell / 3.0 == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_a_seed_always_gives_the_same(seed: int) -> None:
    """Past and recording follow from the seed alone."""
    first, again = found(seed), past(seed)
    assert again is not None
    for one, other in zip(astuple(first), astuple(again), strict=True):
        assert np.array_equal(one, other) if isinstance(one, np.ndarray) else one == other
    recorded, anew = ferment(seed), ferment(seed)
    assert recorded is not None
    assert anew is not None
    assert recorded.recording.name == f"{NAME}-{seed}"
    assert list(recorded.recording.readings()) == list(anew.recording.readings())


@pytest.mark.parametrize("seed", SEEDS)
def test_marks_fit_the_course(seed: int) -> None:
    """At its finish a point is left to fall and the hour before more; what stopped short says no end."""
    given, asked = found(seed), asked_of(seed)
    assert given.gravity_sg.size == given.temperature_c.size
    assert np.isfinite(given.gravity_sg).all()
    assert given.gravity_sg[0] > given.gravity_sg[-1] >= given.attainable_sg - 1e-4
    last = given.gravity_sg.size - 1
    assert all(0.0 <= deed.hour < last and deed.hour.is_integer() for deed in given.deeds)
    if given.finished_h is None:
        assert asked.fate in STOPS
        assert given.final_sg is None
        assert 1000.0 * (given.gravity_sg[-1] - given.attainable_sg) > 5.0
        return
    assert given.final_sg is not None
    proper = given.gravity_sg[: last + 1 if given.sweetened_h is None else int(given.sweetened_h)]
    fallen = fallen_points(proper)
    left = fallen[-1] - fallen
    at = int(given.finished_h)
    assert 4 * 24 <= at <= 40 * 24
    unfallen = 1000.0 * (proper[-1] - given.final_sg)
    # stabilised up to two days before it is sweetened, it stops sooner
    assert -1e-9 <= unfallen <= (0.125 if given.sweetened_h is None else 0.4)
    assert left[at] <= 1.0 < left[at - 1] + unfallen


def test_the_seeds_looked_at_are_of_many_kinds() -> None:
    """What the other tests look at holds stalls, ends, a sweetening, all that makers do; all fates occur."""
    assert {asked_of(seed).fate in STOPS for seed in SEEDS} == {True, False}
    assert {found(seed).finished_h is None for seed in SEEDS} == {True, False}
    assert any(found(seed).sweetened_h is not None for seed in SEEDS)
    kinds = {deed.kind for seed in SEEDS for deed in found(seed).deeds}
    assert kinds == set(DoingKind) - {DoingKind.SWEETEN}
    assert {asked_of(seed).fate for seed in range(1000, 1100)} == set(Fate)


def test_seeds_without_a_ferment_are_left_out() -> None:
    """The bench goes on until it has the ferments that were asked for, and says how many seeds it took."""
    scores: dict[str, Score] = {}
    taken: list[int] = []

    def judge(seeds: range) -> list[dict[str, Score] | None]:
        taken.extend(seeds)
        return [None if seed in (11, 14) else scores for seed in seeds]

    assert gathered(judge, 10, 4) == ([scores] * 4, 6)
    assert taken == [10, 11, 12, 13, 14, 15]
    assert ferment(WITHOUT_FERMENT) is None


def test_scenarios_are_of_the_own_mechanism_only(capsys: pytest.CaptureFixture[str]) -> None:
    """A scenario beside the held-out mechanism is an error that says so."""
    assert asked_for(["--scenario", "cold"]).mechanism == "own"
    assert asked_for(["--mechanism", "apart"]).scenario is None
    with pytest.raises(SystemExit):
        asked_for(["--mechanism", "apart", "--scenario", "cold"])
    assert "--scenario is for --mechanism own" in capsys.readouterr().err


def test_nothing_is_made_from_what_is_held_out() -> None:
    """No module of the program imports the held-out ferments, or anything else of the tests."""
    imported = re.compile(r"^\s*(from|import)\s+(\w+\.)*(apart|tests)\b", re.MULTILINE)
    assert imported.search("from apart.ferments import past")
    for path in (ROOT / "monitor").rglob("*.py"):
        assert not imported.search(path.read_text()), path
