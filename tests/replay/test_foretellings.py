"""The moments that tables are fitted to, and the fitting of them."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest

from monitor.ferment.foretelling import QUANTILES
from monitor.ferment.shape import TRAITS
from monitor.replay import precedents
from monitor.replay.boosting import Recipe
from monitor.replay.foretellings import (
    FAMILIES,
    FIRST_SEED,
    LEAST_HOURS,
    Examples,
    Family,
    fitted,
    looks,
    moments,
)
from monitor.replay.simulate import simulate
from monitor.units import MS_PER_HOUR


@pytest.mark.parametrize("scenario", ["session", "fed", "sweetened"])
def test_a_ferment_is_looked_at_on_its_way_down(scenario: str) -> None:
    """Whole hours between pitching and the end; the last sugar is in."""
    ferment = simulate(scenario, 900_010)
    at = looks(ferment)
    assert len(at) > 5
    assert at == sorted(set(at))
    assert ferment.truth.finished_ms is not None
    assert at[-1] <= ferment.truth.finished_ms - LEAST_HOURS * MS_PER_HOUR
    assert all(one % MS_PER_HOUR == 0 for one in at)
    hours = (np.array(at) - ferment.recording.premise.pitched_ms) // MS_PER_HOUR
    rises = np.flatnonzero(np.diff(ferment.gravity_sg) > 0.0008)
    assert hours[0] > max((int(rise) for rise in rises if rise < hours[-1]), default=0)


def test_a_ferment_without_an_end_teaches_nothing() -> None:
    """One that stalled for good is not looked at."""
    ferment = simulate("tolerance-stall", 900_011)
    assert ferment.truth.finished_ms is None
    assert looks(ferment) == []
    assert list(moments(ferment)) == []


def test_moments_carry_the_hours_that_were_still_to_come() -> None:
    """Hours and the share that is left sink from look to look, as age among the traits grows."""
    found = list(moments(simulate("session", 900_012)))
    assert len(found) > 5
    hours = [one.hours for one in found]
    age = [one.traits[TRAITS.index("age")] for one in found]
    assert np.diff(hours) == pytest.approx(-np.diff(age))
    assert all(0.0 < one.share_left < 1.0 for one in found)
    assert [one.share_left for one in found] == sorted((one.share_left for one in found), reverse=True)


@pytest.mark.parametrize("family", FAMILIES, ids=["own", "starved", "inhibited"])
def test_every_mechanism_teaches(family: Family) -> None:
    """Of six ferments of each at least half come to an end and are looked at, nearly all traits known."""
    found = [list(moments(made)) for seed in range(900_020, 900_026) if (made := family.made(seed))]
    taught = [many for many in found if many]
    assert len(taught) >= 3
    traits = np.stack([one.traits for many in taught for one in many])
    assert np.isnan(traits).mean() < 0.05


def test_half_of_the_examples_are_the_simulators_own() -> None:
    """As with the precedents."""
    own, *others = (family.ferments for family in FAMILIES)
    assert own == sum(others)
    assert precedents.FAMILIES[0].share == pytest.approx(own / (own + sum(others)))


def test_outer_quantiles_hold_on_ferments_that_were_not_fitted() -> None:
    """With ten looks at each of 150 ferments whose own luck is most of it, nine in ten others lie between."""
    rng = np.random.default_rng(3)
    ferment = np.repeat(np.arange(300), 10)
    traits = rng.normal(size=(3000, 4))
    luck = rng.normal(size=300)[ferment]
    log_hours = traits[:, 0] + luck + 0.1 * rng.normal(size=3000)
    traits[:, 3] = rng.normal(size=300)[ferment]  # names the ferment and tells nothing
    some = ferment < 150
    examples = Examples(traits[some], log_hours[some], np.full(int(some.sum()), 0.5), ferment[some])
    small = Recipe(tables=30, questions=3)
    low, _, high = (one.answers(traits[~some]) for one in fitted(examples, small, small))
    inside = (low <= log_hours[~some]) & (log_hours[~some] <= high)
    assert inside.mean() == pytest.approx(QUANTILES[2] - QUANTILES[0], abs=0.06)


def test_seeds_are_of_their_own() -> None:
    """Behind the precedents' seeds, far from what is measured."""
    assert all(family.first_seed + family.ferments <= FIRST_SEED for family in precedents.FAMILIES)


def test_the_kept_file_is_small() -> None:
    """Under 400 kB."""
    path = resources.files("monitor.ferment").joinpath("foretelling.npz")
    assert len(path.read_bytes()) < 400_000
