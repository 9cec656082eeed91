"""Where a must should end, beside what makers see."""

from __future__ import annotations

import pytest

from monitor.ferment.premise import Must, MustKind
from monitor.ferment.terminal import LEAST_SD_POINTS, expected_final


@pytest.mark.parametrize(
    ("kind", "original", "low", "high"),
    [
        # common practice: dry session mead and cider end a little under or at the gravity of water,
        # strong mead at 0.990 to 1.010, ordinary all-malt wort at a quarter of its original gravity
        (MustKind.HONEY, 40.0, -4.0, 4.0),
        (MustKind.HONEY, 100.0, -10.0, 10.0),
        (MustKind.FRUIT, 50.0, -4.0, 4.0),
        (MustKind.MALT, 48.0, 8.0, 16.0),
        (MustKind.SUGAR, 80.0, -16.0, 0.0),
    ],
)
def test_usual_musts_end_where_makers_see_them(
    kind: MustKind, original: float, low: float, high: float
) -> None:
    """The mean lies inside the usual range (common practice)."""
    assert low <= expected_final(Must(kind=kind), original).mean_points <= high


def test_the_makers_own_attenuation_goes_first() -> None:
    """Apparent attenuation of 70 to 80 % of 1.060 is a final gravity of 1.015 by its definition."""
    must = Must(kind=MustKind.MALT, expected_apparent_attenuation=(0.7, 0.8))
    assert expected_final(must, 60.0).mean_points == pytest.approx(15.0)


def test_a_must_of_no_kind_is_the_least_sure() -> None:
    """Nobody saying what it is made of leaves the widest spread."""
    unknown = expected_final(Must(), 60.0).sd_points
    assert all(expected_final(Must(kind=kind), 60.0).sd_points < unknown for kind in MustKind)


def test_nothing_is_surer_than_the_least_spread() -> None:
    """A range of no width is still not believed to the point."""
    must = Must(kind=MustKind.MALT, expected_apparent_attenuation=(0.75, 0.75))
    assert expected_final(must, 40.0).sd_points == LEAST_SD_POINTS


def test_added_sugar_ends_lower() -> None:
    """Twenty points more end 1.7 to 4.1 points lower.

    By the mass balance with nine tenths or all of it fermentable: 1.040 ends at 0.9959 or 0.9910, 1.060 at
    0.9942 or 0.9869 (Balling's yields, densities of OIML R 22 and ICUMSA SPS-4).
    """
    must = Must(kind=MustKind.HONEY)
    plain, fed = expected_final(must, 40.0), expected_final(must, 40.0, 20.0)
    assert 1.7 < plain.mean_points - fed.mean_points < 4.1
    assert fed.sd_points > plain.sd_points
    stated = Must(kind=MustKind.HONEY, expected_apparent_attenuation=(0.95, 1.05))
    lower = expected_final(stated, 40.0).mean_points - expected_final(stated, 40.0, 20.0).mean_points
    assert lower == pytest.approx(plain.mean_points - fed.mean_points)
