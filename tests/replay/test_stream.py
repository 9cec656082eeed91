"""The replay stream as a whole keeps its contract, on the recordings that come with the project."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.ferment.emission import Emission
from monitor.replay.recording import read
from monitor.replay.telling import json_line
from monitor.units import MS_PER_HOUR, Quantity, ms_from_rfc3339

DATA = Path(__file__).parents[2] / "replay_data"
NAMES = ("session-43", "cold-stall-58", "restarts-50")
PHASES = {"unknown", "lag", "active", "slowing", "finished", "stalled", "refermenting"}
ALERTS = {"finished", "stalled", "refermenting", "temperature_low", "temperature_high", "sensor_silent",
          "nutrient_due", "infusion_due"}  # fmt: skip


@pytest.fixture(scope="module")
def streams(said_of: Callable[[Path], list[Emission]]) -> dict[str, list[dict[str, Any]]]:
    """The objects of each stream, forecasts included, read back from its lines."""
    found = {}
    for name in NAMES:
        lines = (json_line(name, emission) for emission in said_of(DATA / name))
        found[name] = [json.loads(line) for line in lines if line is not None]
    return found


@pytest.mark.parametrize("name", NAMES)
def test_every_line_has_the_keys_and_words_of_its_type(
    name: str, streams: dict[str, list[dict[str, Any]]]
) -> None:
    """And carries the folder's name; times never step back."""
    keys = {
        "phase": {"type", "recording", "time", "phase", "reason"},
        "alert": {"type", "recording", "time", "alert", "message"},
        "forecast": {"type", "recording", "time", "final_gravity", "finish_at"},
    }
    for each in streams[name]:
        assert set(each) == keys[each["type"]]
        assert each["recording"] == name
        assert each.get("phase", "lag") in PHASES
        assert each.get("alert", "finished") in ALERTS
    times = [ms_from_rfc3339(each["time"]) for each in streams[name]]
    assert times == sorted(times)


@pytest.mark.parametrize("name", NAMES)
def test_forecasts_come_every_six_hours_from_the_first_drop_to_the_end(
    name: str, streams: dict[str, list[dict[str, Any]]]
) -> None:
    """From well past three points until the end or a restart is told; percentiles are null or in order."""
    recording = read(DATA / name)
    gravities = [r for r in recording.readings() if r.quantity is Quantity.GRAVITY]
    top = sorted(reading.value for reading in gravities[:20])[10]
    # ten points, so that no noise or foam can have made it up
    dropped_ms = next(r.at_ms for r in gravities if r.value < top - 0.010) + 6 * MS_PER_HOUR
    told = [e for e in streams[name] if e.get("alert") in ("finished", "refermenting")]
    end_ms = ms_from_rfc3339(told[0]["time"]) if told else gravities[-1].at_ms
    forecasts = [e for e in streams[name] if e["type"] == "forecast"]
    times = [ms_from_rfc3339(e["time"]) for e in forecasts]
    marks = [at for at in times if dropped_ms - 6 * MS_PER_HOUR <= at <= end_ms]
    edges = [dropped_ms, *marks, end_ms]
    assert max(b - a for a, b in pairwise(edges)) <= 6 * MS_PER_HOUR
    for each in forecasts:
        gravity = [sg for sg in each["final_gravity"].values() if sg is not None]
        assert gravity == sorted(gravity)
        finish = [ms_from_rfc3339(text) for text in each["finish_at"].values() if text is not None]
        assert finish == sorted(finish)
