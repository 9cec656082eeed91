"""A recording that can tell little is told why."""

from __future__ import annotations

import io
from contextlib import nullcontext

import pytest

from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.health import Checked
from monitor.replay.recording import Recording, RowFaults
from monitor.units import MS_PER_DAY, MS_PER_HOUR, ms_from_rfc3339, rfc3339_from_ms

T0 = ms_from_rfc3339("2026-03-01T06:00:00Z")
HEADING = "time,sensor,quantity,value,unit\n"


def row(hour: int, value: str = "1.04", quantity: str = "gravity", unit: str = "sg") -> str:
    return f"{rfc3339_from_ms(T0 + hour * MS_PER_HOUR)},a,{quantity},{value},{unit}\n"


def complaints(*rows: str, pitched_ms: int = T0) -> str:
    text = HEADING + "".join(rows)
    recording = Recording("r", "R", Premise(pitched_ms), (), Truth(), lambda: nullcontext(io.StringIO(text)))
    checked, faults = Checked(recording), RowFaults()
    list(checked.readings(faults))
    return "; ".join(checked.complaints(faults))


def test_a_sound_recording_has_none() -> None:
    """Nor has one with a few faults."""
    assert complaints(*(row(hour) for hour in range(50)), "rubbish\n", row(51, "1043")) == ""


@pytest.mark.parametrize(
    ("rows", "word"),
    [
        ([], "no reading"),
        (["rubbish\n", "more\n"], "none of its 2 rows"),
        ([row(0)], "holds 1 reading: too few"),
        ([row(hour, "18", "temperature", "degC") for hour in range(50)], "no gravity"),
        (
            [row(hour, "1043") for hour in range(50)],
            "50 of 50 gravities are possible for no liquid, such as 1043 sg",
        ),
        ([row(hour) for hour in reversed(range(50))], "newest on top"),
    ],
)
def test_what_is_wrong_is_said(rows: list[str], word: str) -> None:
    """Empty, one row, no gravity, wrong unit, newest first."""
    assert word in complaints(*rows)


def test_a_pitch_that_cannot_be_right_is_said() -> None:
    """After the last reading, or months before the first."""
    rows = [row(hour) for hour in range(50)]
    assert "ends before it was pitched" in complaints(*rows, pitched_ms=T0 + 60 * MS_PER_DAY)
    assert "more than a month after" in complaints(*rows, pitched_ms=T0 - 60 * MS_PER_DAY)
