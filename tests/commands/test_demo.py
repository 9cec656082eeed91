"""`carboyd demo` over its own broker, cut short."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from monitor.cli import carboyd
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore


def test_two_days_reach_the_store_and_stay_there(tmp_path: Path) -> None:
    """What floats send arrives over MQTT; nothing is finished on day two, and the exit code says so."""
    folder = tmp_path / "shown"
    words = ["demo", "--days", "2", "--seconds", "5", "--dir", str(folder)]
    ran = CliRunner().invoke(carboyd, words, standalone_mode=False)
    assert ran.return_value == 1, ran.output
    assert "Window sill: pitched, original gravity" in ran.output
    # whether this machine kept the pace or not, what that exit code means is said in words
    slow = "too slow for the demo's pace of 2 days in 5 s" in ran.output
    unfinished = "Of Window sill no finish was told by day 2" in ran.output
    assert slow is not unfinished
    assert f"The store stays in {folder}" in ran.output
    with SqlStore(StoreOptions(f"sqlite:///{folder}/carboyd.sqlite")) as store:
        assert {sheet.slug for sheet in store.batches.listed()} == {
            "window-sill", "cold-porch", "under-the-stairs",
        }  # fmt: skip
