"""The stream's lines are the fixed ones; the timeline is for reading."""

from __future__ import annotations

import json
from contextlib import nullcontext

from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Forecast,
    Interval,
    Phase,
    PhaseChange,
    Severity,
)
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.recording import Recording, RowFaults
from monitor.replay.telling import TEXT_WIDTH, json_line, timeline
from monitor.units import MS_PER_HOUR, ms_from_rfc3339

T0 = ms_from_rfc3339("2026-01-03T18:00:00Z")


def alert(state: AlertState) -> AlertChange:
    """A finished alert."""
    return AlertChange(T0, AlertKind.FINISHED, state, T0, Severity.ACT, "It is done; wait.")


class TestJsonLine:
    """One JSON object a line, keys in the order of the format."""

    def test_phase(self) -> None:
        """A phase has its reason."""
        line = json_line("r-1", PhaseChange(T0, Phase.ACTIVE, "it falls"))
        assert line is not None
        assert json.loads(line) == {
            "type": "phase", "recording": "r-1", "time": "2026-01-03T18:00:00Z", "phase": "active",
            "reason": "it falls",
        }  # fmt: skip
        assert line.startswith('{"type":"phase","recording":"r-1","time":')

    def test_alert(self) -> None:
        """An alert has its message, once, when it begins to fire."""
        line = json_line("r", alert(AlertState.FIRING))
        assert line is not None
        assert json.loads(line) == {
            "type": "alert", "recording": "r", "time": "2026-01-03T18:00:00Z", "alert": "finished",
            "message": "It is done; wait.",
        }  # fmt: skip
        assert json_line("r", alert(AlertState.PENDING)) is None
        assert json_line("r", alert(AlertState.RESOLVED)) is None

    def test_forecast(self) -> None:
        """Percentiles that cannot be given are null; times are text."""
        forecast = Forecast(
            T0, Interval(0.996, 0.998, 1.001), Interval(None, float(T0 + 36 * MS_PER_HOUR), None)
        )
        line = json_line("r", forecast)
        assert line is not None
        assert json.loads(line) == {
            "type": "forecast", "recording": "r", "time": "2026-01-03T18:00:00Z",
            "final_gravity": {"p05": 0.996, "p50": 0.998, "p95": 1.001},
            "finish_at": {"p05": None, "p50": "2026-01-05T06:00:00Z", "p95": None},
        }  # fmt: skip

    def test_a_line_is_one_line(self) -> None:
        """Line ends in a reason are escaped."""
        line = json_line("r", PhaseChange(T0, Phase.LAG, "one\ntwo\u2028three"))
        assert line is not None
        assert "\n" not in line


class TestTimeline:
    """Plain text with days since pitching."""

    def test_entries_and_faults(self) -> None:
        """Each entry has its day; rows left out are named at the end; no line is overlong."""
        recording = Recording("r", "Orchard session", Premise(T0), (), Truth(), lambda: nullcontext([]))
        faults = RowFaults()
        for line in range(30):
            faults.note(line + 2, "no sense")
        emissions = [
            PhaseChange(T0 + 24 * MS_PER_HOUR, Phase.ACTIVE, "it falls " * 30),
            alert(AlertState.FIRING),
            alert(AlertState.PENDING),
            alert(AlertState.RESOLVED),
            Forecast(T0, Interval(0.996, 0.998, 1.001), Interval(None, float(T0), None)),
            Forecast(T0, Interval(), Interval()),
        ]
        lines = list(timeline(recording, emissions, faults))
        text = "\n".join(lines)
        assert lines[0] == "Orchard session (r)"
        assert "day   1.0  01-04 18:00  active" in text
        assert text.count("TOLD finished") == 1
        assert text.count("over finished") == 1
        assert "ends near 0.9980 (0.9960 to 1.0010)" in text
        assert "nothing can be said yet" in text
        assert "30 rows left out" in text
        assert "line 2: no sense" in text
        assert max(map(len, lines)) <= TEXT_WIDTH
