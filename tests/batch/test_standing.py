"""Where a batch stands, as a document."""

from __future__ import annotations

from dataclasses import replace

from monitor.batch.sheet import Sheet
from monitor.batch.standing import standing_document
from monitor.ferment import wording
from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Forecast,
    Interval,
    Phase,
    Severity,
)
from monitor.ferment.evidence import Evidence
from monitor.ferment.pipeline import Snapshot
from monitor.ferment.premise import Must, MustKind

SHEET = Sheet(
    slug="porch", name="Porch", pitched_ms=0, must=Must(kind=MustKind.HONEY, original_gravity_sg=1.0375)
)
FORECAST = Forecast(0, Interval(0.996, 0.998, 1.0), Interval(1_000.0, 2_000.0, 3_000.0))
ACTIVE = Snapshot(5_000, Phase.ACTIVE, "", Evidence(5_000, level_points=31.5), (), FORECAST)


def test_no_alcohol_is_claimed_before_it_begins() -> None:
    """A float that reads lower than the maker's sample has not made alcohol of the difference; a hand sample
    tells of some, and so does a float that was first heard near the end."""
    assert standing_document(SHEET, ACTIVE)["alcohol_abv"] > 0.5
    lag = replace(ACTIVE, phase=Phase.LAG)
    assert standing_document(SHEET, lag)["alcohol_abv"] is None
    sampled = replace(lag.evidence, by_hand_points=20.0, by_hand_hours=1.0)
    assert standing_document(SHEET, replace(lag, evidence=sampled))["alcohol_abv"] > 2.0
    late = replace(lag.evidence, level_points=0.5, expected_points=0.0)
    assert standing_document(SHEET, replace(lag, evidence=late))["alcohol_abv"] > 4.0


def test_the_finish_is_that_of_the_phase() -> None:
    """Ahead while it ferments; once told, since when; none where it goes again after its end."""
    assert standing_document(SHEET, ACTIVE)["finish_at"]["p95"] == "1970-01-01T00:00:03Z"
    fired = AlertChange(4_000, AlertKind.FINISHED, AlertState.FIRING, 4_000, Severity.ACT, "Finished.")
    finished = replace(ACTIVE, phase=Phase.FINISHED, open_alerts=(fired,))
    assert standing_document(SHEET, finished)["finish_at"] == {
        "p05": None,
        "p50": "1970-01-01T00:00:04Z",
        "p95": None,
    }
    again = standing_document(SHEET, replace(ACTIVE, phase=Phase.REFERMENTING))
    assert again["finish_at"] == {"p05": None, "p50": None, "p95": None}


def test_the_fall_is_told_over_the_time_of_the_reason() -> None:
    """At rest for a week, the week's slope stands beside the week's words; under way, that of two days."""
    evidence = Evidence(
        0, level_points=0.0, epoch_hours=500.0, slope_two=-0.1, slope_seven=0.014, slowed_hours=300.0
    )
    assert wording.reason(Phase.FINISHED, evidence).startswith("has risen 0.1 points in 7 days")
    finished = replace(ACTIVE, phase=Phase.FINISHED, evidence=evidence)
    assert standing_document(SHEET, finished)["fall_points_per_day"] == -0.01
    assert standing_document(SHEET, replace(finished, phase=Phase.SLOWING))["fall_points_per_day"] == 0.1
