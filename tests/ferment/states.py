"""Evidence of ferments in plain states, to be varied by tests."""

from __future__ import annotations

from monitor.ferment.evidence import Evidence

RESTING = Evidence(
    at_ms=0,
    readings=48.0,
    data_age_hours=0.0,
    hours_in=500.0,
    epoch_hours=500.0,
    start_points=50.0,
    level_points=0.0,
    level_se=0.2,
    fallen_points=50.0,
    slope_day=0.0,
    slope_day_se=0.3,
    slope_two=0.0,
    slope_two_se=0.15,
    slope_four=-0.02,
    slope_four_se=0.08,
    slope_seven=-0.05,
    slope_seven_se=0.04,
    peak_per_day=12.0,
    slowed_hours=300.0,
    expected_points=0.0,
    expected_sd=2.0,
    left_p05=0.0,
    left_p50=0.2,
    left_p95=0.8,
    unfinished=0.01,
)
"""Dry, at rest for days, just where it should end."""
