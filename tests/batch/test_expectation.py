"""Where the next batch should end: beside scipy.stats, by how often it holds, and which batches count."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import lognorm, norm

from monitor.batch.expectation import (
    ELSEWHERE,
    FLOAT_POINTS,
    KIND_SPREAD,
    RECIPE_SPREAD,
    SPREAD_LOG_SD,
    attenuation_range,
    expectation,
)
from monitor.batch.outcome import Outcome
from monitor.ferment.offset import SAMPLE_SD
from monitor.ferment.premise import Must, MustKind
from monitor.ferment.terminal import expected_final

HONEY = MustKind.HONEY
RECIPE = "1.2 kg of heather honey to 10 L"


def ended(
    attenuation: float,
    *,
    original_sg: float = 1.050,
    error_points: float = 0.7,
    recipe: str = RECIPE,
    kind: MustKind | None = HONEY,
) -> Outcome:
    """A batch that attenuated so far."""
    final_sg = original_sg - attenuation * (original_sg - 1.0)
    return Outcome(recipe, kind, original_sg, final_sg, error_points)


def of_kind(kind: MustKind | None, original_points: float) -> tuple[float, float]:
    """Attenuation that the kind alone lets expect, and its spread."""
    alone = expected_final(Must(kind=kind), original_points)
    return 1.0 - alone.mean_points / original_points, alone.sd_points / original_points


@pytest.mark.parametrize("of_recipe", [True, False])
@pytest.mark.parametrize(
    "shares", [(1.02, 1.06, 0.99, 1.10), (0.80, 0.78), (1.0, 1.2, 1.1, 0.9, 1.0)], ids=len
)
def test_the_range_is_the_one_of_the_model_it_names(shares: Sequence[float], of_recipe: bool) -> None:
    """Below it lies a fortieth of the predictive distribution, above it too: integrated by brute force."""
    errors = [0.7, 1.7, 0.7, 1.2, 1.0]
    low, high = attenuation_range(
        HONEY,
        50.0,
        [ended(a, error_points=e) for a, e in zip(shares, errors, strict=False)],
        of_recipe=of_recipe,
    )
    middle, scatter = of_kind(HONEY, 50.0)
    usual = RECIPE_SPREAD if of_recipe else KIND_SPREAD * scatter
    spread = np.geomspace(usual / 16.0, usual * 16.0, 160)[:, None]
    mu = np.linspace(-1.2, 1.2, 4_001)[None, :]
    odds, far = ELSEWHERE
    density = (1.0 - odds) * norm.pdf(mu, 0.0, scatter) + odds * norm.pdf(mu, 0.0, far)
    # a grid that is even in the logarithm: density times the spread is the weight
    density = density * lognorm.pdf(spread, SPREAD_LOG_SD, scale=usual) * spread
    for share, error in zip(shares, errors, strict=False):
        density = density * norm.pdf(share - middle, mu, np.hypot(spread, error / 50.0))
    density /= density.sum()
    for edge, below in ((low, 0.025), (high, 0.975)):
        assert float((density * norm.cdf(edge - middle, mu, spread)).sum()) == pytest.approx(below, abs=5e-4)


@pytest.mark.parametrize("count", [2, 3, 6])
@pytest.mark.parametrize("kind", [HONEY, MustKind.MALT, None])
def test_it_holds_nineteen_times_in_twenty(count: int, kind: MustKind | None) -> None:
    """Recipes, batches and errors drawn from the model: the next one's true end is in it that often."""
    rng = np.random.default_rng(20 + count)
    middle, scatter = of_kind(kind, 100.0)
    held, tries = 0, 300
    for _ in range(tries):
        spread = RECIPE_SPREAD * math.exp(SPREAD_LOG_SD * rng.normal())
        sd = ELSEWHERE[1] if rng.random() < ELSEWHERE[0] else scatter
        ends = middle + rng.normal(0.0, sd) + rng.normal(0.0, spread, count + 1)
        errors = rng.choice([0.7, 1.7], count)
        seen = [
            ended(end + rng.normal(0.0, error / 100.0), original_sg=1.100, error_points=error, kind=kind)
            for end, error in zip(ends[1:], errors, strict=True)
        ]
        low, high = attenuation_range(kind, 100.0, seen, of_recipe=True)
        held += low <= ends[0] <= high
    # 95 % of 300 has a standard error of 1.3 %; never narrower than the instruments, so a little more often
    assert 0.91 <= held / tries <= 0.99


@pytest.mark.parametrize(("spread_points", "least"), [(0.3, 0.95), (1.0, 0.95), (1.5, 0.92), (2.0, 0.86)])
def test_it_holds_for_steady_makers_and_for_careless_ones(spread_points: float, least: float) -> None:
    """Batches that scatter by up to a point and a half: three give a range that holds; by two, nearly so."""
    rng = np.random.default_rng(7)
    middle, scatter = of_kind(HONEY, 50.0)
    held, tries = 0, 250
    for _ in range(tries):
        ends = middle + rng.normal(0.0, scatter) + rng.normal(0.0, spread_points / 50.0, 4)
        seen = [ended(end + rng.normal(0.0, 0.7 / 50.0)) for end in ends[1:]]
        low, high = attenuation_range(HONEY, 50.0, seen, of_recipe=True)
        held += low <= ends[0] <= high
    assert held / tries >= least


def test_batches_that_agree_do_not_give_a_range_of_no_width() -> None:
    """However many: a float's and a hydrometer's own error stay, 2.4 points to each side."""
    least = 1.959964 * math.hypot(FLOAT_POINTS, SAMPLE_SD) / 50.0  # check: normal, 97.5 %
    for count in (2, 3, 30):
        low, high = attenuation_range(HONEY, 50.0, [ended(1.05)] * count, of_recipe=True)
        assert (high - low) / 2.0 >= least - 1e-6
        assert low < 1.05 < high
    assert (high - low) / 2.0 == pytest.approx(least, rel=1e-4)


def test_more_batches_tell_more() -> None:
    """Of a strong must, where the instruments count for little, each further one narrows the range."""
    widths = []
    for count in (2, 3, 6, 12):
        shares = np.resize([1.03, 1.05], count)
        low, high = attenuation_range(
            HONEY, 100.0, [ended(a, original_sg=1.1) for a in shares], of_recipe=True
        )
        widths.append(high - low)
    assert widths == sorted(widths, reverse=True)
    _, scatter = of_kind(HONEY, 100.0)
    assert widths[0] < 4.0 * scatter


def test_a_recipe_that_ends_elsewhere_is_believed() -> None:
    """Three sweet ones, held up by their yeast at 1.015: the next is expected there and not dry."""
    found = expectation(Must(HONEY, 1.1), RECIPE, [ended(a, original_sg=1.1) for a in (0.84, 0.85, 0.86)])
    assert found is not None
    assert 0.75 < found.low < 0.85 < found.high < 0.95


def test_two_of_the_recipe_or_three_of_the_kind_are_enough() -> None:
    """The recipe first; of the kind only what began at about the same gravity."""
    must = Must(HONEY, 1.050)
    others = [ended(1.0, recipe="another"), ended(1.01, recipe=""), ended(1.02, original_sg=1.057, recipe="")]
    assert expectation(must, RECIPE, [ended(1.0)]) is None
    assert expectation(must, RECIPE, others[:2]) is None
    found = expectation(must, RECIPE, [ended(1.0), ended(1.02), *others])
    assert found is not None
    assert (found.batches, found.of_recipe) == (2, True)
    found = expectation(must, RECIPE, [ended(1.0), *others])
    assert found is not None
    assert (found.batches, found.of_recipe) == (4, False)
    assert "from 4 earlier batches of this kind of must" in found.said
    strong = [*others[:2], ended(1.0, original_sg=1.060, recipe="")]
    assert expectation(must, "", strong) is None
    assert expectation(Must(None, 1.050), "", others) is None
    assert expectation(Must(HONEY), "", others) is None


def test_a_recipe_is_the_same_whatever_its_blanks() -> None:
    """Copied with other line ends and capitals it is; nothing written is no recipe at all."""
    found = expectation(Must(HONEY, 1.050), "1.2 KG of heather\r\nhoney  to 10 L ", [ended(1.0), ended(1.0)])
    assert found is not None
    assert expectation(Must(), "", [ended(1.0, recipe=""), ended(1.0, recipe=" ")]) is None


def test_it_is_said_in_per_cent() -> None:
    """The range and where it comes from."""
    found = expectation(Must(HONEY), RECIPE, [ended(1.03), ended(1.04), ended(1.05)])
    assert found is not None
    low, high = (f"{100.0 * edge:.4g}" for edge in found.pair)
    assert found.said == (f"Expected attenuation {low} to {high} %, from 3 earlier batches of this recipe")


@given(
    st.sampled_from([*MustKind, None]),
    st.none() | st.floats(0.985, 1.25),
    st.lists(
        st.builds(
            ended,
            st.floats(0.01, 1.4),
            original_sg=st.floats(1.010, 1.25),
            error_points=st.floats(0.3, 1.7),
            recipe=st.sampled_from(["", RECIPE]),
            kind=st.sampled_from([*MustKind, None]),
        ),
        max_size=6,
    ),
)
def test_any_record_gives_a_range_that_a_sheet_takes_or_none(
    kind: MustKind | None, original_sg: float | None, earlier: list[Outcome]
) -> None:
    """Whatever the batches were: low before high, within what a sheet allows."""
    found = expectation(Must(kind, original_sg), RECIPE, earlier)
    if found is not None:
        assert 0.2 <= found.low < found.high <= 1.5
        assert found.batches >= 2
