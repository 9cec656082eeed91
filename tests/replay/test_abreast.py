"""Two configurations side by side."""

from __future__ import annotations

import io
from contextlib import nullcontext

from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Emission,
    Phase,
    PhaseChange,
    Severity,
)
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.abreast import compared, first_told, side_by_side
from monitor.replay.recording import Recording
from monitor.units import MS_PER_DAY, MS_PER_HOUR, ms_from_rfc3339

T0 = ms_from_rfc3339("2026-03-01T06:00:00Z")
RECORDING = Recording("loft-1", "Loft", Premise(T0), (), Truth(), lambda: nullcontext(io.StringIO()))


def told(day: float, kind: AlertKind, state: AlertState = AlertState.FIRING) -> AlertChange:
    at_ms = T0 + round(day * MS_PER_DAY)
    return AlertChange(at_ms, kind, state, at_ms, Severity.ACT, "words")


def phase(day: float, which: Phase) -> PhaseChange:
    return PhaseChange(T0 + round(day * MS_PER_DAY), which, "a reason")


FIRST: list[Emission] = [phase(1, Phase.ACTIVE), told(10, AlertKind.FINISHED), told(12, AlertKind.FINISHED)]
SECOND: list[Emission] = [phase(1, Phase.ACTIVE), told(8, AlertKind.STALLED), told(9, AlertKind.FINISHED)]


def test_a_row_for_each_moment_and_a_mark_for_silence() -> None:
    """Both names on top; where one says nothing there is a point."""
    lines = list(side_by_side(RECORDING, ["defaults", "bold.toml"], [FIRST, SECOND]))
    assert lines[0] == "Loft (loft-1)"
    assert lines[1].split() == ["defaults", "bold.toml"]
    rows = [line.split()[4:] for line in lines[2:7]]
    assert rows == [
        ["active", "active"],
        [".", "TOLD", "stalled"],
        [".", "TOLD", "finished"],
        ["TOLD", "finished", "."],
        ["TOLD", "finished", "."],
    ]
    columns = [line.index("active") for line in lines[2:3]] + [lines[1].index("defaults")]
    assert len(set(columns)) == 1


def test_the_differences_are_summed_up() -> None:
    """Of each kind the first time counts."""
    lines = list(side_by_side(RECORDING, ["a", "b"], [FIRST, SECOND]))
    assert any(
        line.split() == ["finished", "day", "10.0", "day", "9.0", "the", "second", "24", "h", "sooner"]
        for line in lines
    )
    assert any("never" in line and "only the second tells it" in line for line in lines)
    assert "  neither told anything" in list(side_by_side(RECORDING, ["a", "b"], [[], []]))


def test_times_are_compared_in_words() -> None:
    """Within the hour is at the same time; long spans are days."""
    assert compared(T0, T0 + MS_PER_HOUR - 1) == "at the same time"
    assert compared(T0, T0 + 5 * MS_PER_HOUR) == "the second 5 h later"
    assert compared(T0, T0 - 6 * MS_PER_DAY) == "the second 6.0 days sooner"
    assert compared(T0, None) == "only the first tells it"


def test_only_what_fires_is_told() -> None:
    """The end of an alert tells nobody of a finish."""
    assert first_told([told(3, AlertKind.STALLED, AlertState.RESOLVED)]) == {}
