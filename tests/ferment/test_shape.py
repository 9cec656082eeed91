"""Traits of the course, on falls whose answers are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.evidence import Evidence
from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats
from monitor.ferment.shape import BACK_HOURS, SHARES, TRAITS, falling, traits

KNOWN = Evidence(
    at_ms=0,
    level_points=40.0,
    expected_points=0.0,
    expected_sd=2.0,
    alcohol_room_abv=4.0,
    temperature_drop_c=0.5,
    slope_day=-6.0,
    slope_two=-6.0,
    slope_four=-6.0,
    peak_per_day=6.0,
    slowed_hours=3.0,
)
WARM = np.full(240, 20.0)
HONEY = MustKind.HONEY


def line(hours: int = 240, per_day: float = 6.0) -> Floats:
    """Hourly points that fall from 100 at a steady pace."""
    return 100.0 - per_day / 24.0 * (np.arange(hours) + 0.5)


def named(found: Floats | None) -> dict[str, float]:
    """Traits by their names."""
    assert found is not None
    return dict(zip(TRAITS, found.tolist(), strict=True))


def test_a_straight_fall_is_measured_as_it_is() -> None:
    """Of 6 points a day: 6 in a day, 24 in four; half of the fall five days ago (the start is 12 h wide)."""
    found = named(traits(line(), WARM, HONEY, KNOWN))
    assert found["fell_in_24h"] == pytest.approx(6.0, abs=0.5)
    assert found["fell_in_96h"] == pytest.approx(24.0, abs=0.5)
    assert found["since_0.5"] == pytest.approx(120.0, abs=6.0)
    assert found["age"] == 240.0
    assert found["above_expected"] == 40.0
    assert found["share_of_expected"] == pytest.approx(0.6, abs=0.02)
    assert found["four_days_c"] == 20.0


def test_foam_and_a_gap_shift_no_trait_by_much() -> None:
    """Six hours 8 points high and a day without readings: points within one, hours within six."""
    bad = line()
    bad[60:66] += 8.0
    bad[120:144] = math.nan
    clean, found = named(traits(line(), WARM, HONEY, KNOWN)), named(traits(bad, WARM, HONEY, KNOWN))
    for name in TRAITS:
        assert found[name] == pytest.approx(clean[name], abs=6.0 if name.startswith("since") else 1.0), name


def test_before_the_fall_there_are_no_traits() -> None:
    """A point fallen, an unknown level, or a handful of readings give none."""
    assert traits(line(per_day=0.1), WARM, HONEY, replace(KNOWN, level_points=99.0)) is None
    assert traits(line(), WARM, HONEY, replace(KNOWN, level_points=math.nan)) is None
    assert traits(line(9), WARM[:9], HONEY, KNOWN) is None


def test_without_a_thermometer_only_its_traits_are_unknown() -> None:
    """No temperature, no kind: the rest stands."""
    found = named(traits(line(), np.full(240, math.nan), None, KNOWN))
    unknown = {name for name, value in found.items() if math.isnan(value)}
    assert unknown == {"six_hours_c", "day_c", "four_days_c", "warmest_c"}


def pooled(values: list[float], weights: list[float]) -> list[float]:
    """Falling steps nearest to the values: neighbours that rise are pooled until none does."""
    blocks: list[tuple[float, float, int]] = []
    for value, weight in zip(values, weights, strict=True):
        block = (value, weight, 1)
        while blocks and blocks[-1][0] < block[0]:
            before = blocks.pop()
            heavy = before[1] + block[1]
            block = ((before[0] * before[1] + block[0] * block[1]) / heavy, heavy, before[2] + block[2])
        blocks.append(block)
    return [value for value, _, times in blocks for _ in range(times)]


@given(st.lists(st.floats(-10.0, 130.0), min_size=12, max_size=60), st.integers(0, 2))
def test_the_falling_course_is_the_nearest_one(bins: list[float], skipped: int) -> None:
    """It never rises, and is what pooling neighbours by hand gives of the medians of five bins."""
    points = np.concatenate([np.full(skipped, 500.0), np.repeat(bins, 3)])
    course = falling(points)
    assert course is not None
    assert (np.diff(course.points) <= 1e-9).all()
    edged = [bins[0]] * 2 + bins + [bins[-1]] * 2
    calm = [float(np.median(edged[i : i + 5])) for i in range(len(bins))]
    assert course.points == pytest.approx(pooled(calm, [3.0] * len(bins)))
    assert course.hours[-1] == points.size - 1.5


@given(st.integers(0, 10_000), st.floats(0.5, 20.0))
def test_traits_keep_their_order(seed: int, per_day: float) -> None:
    """However noisy: a longer look back has fallen no less, and a larger share was done no earlier."""
    rng = np.random.default_rng(seed)
    points = line(per_day=per_day) + rng.normal(0.0, 1.5, 240)
    points[rng.random(240) < 0.3] = math.nan
    found = named(traits(points, WARM, HONEY, replace(KNOWN, level_points=100.0 - 10.0 * per_day - 3.0)))
    fell = [found[f"fell_in_{hours:.0f}h"] for hours in BACK_HOURS]
    since = [found[f"since_{share:g}"] for share in SHARES]
    assert fell == sorted(fell)
    assert since == sorted(since, reverse=True)
