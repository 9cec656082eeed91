"""What a replay says, for machines (one JSON object a line) and for people (a timeline)."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

from monitor.ferment.emission import AlertChange, AlertState, Emission, Forecast, Interval, PhaseChange
from monitor.replay.player import Recorded
from monitor.replay.recording import RowFaults
from monitor.units import MS_PER_DAY, MS_PER_SECOND, datetime_from_ms, rfc3339_from_ms

TEXT_WIDTH: Final = 110
INDENT: Final = 48


def object_of(name: str, emission: Emission) -> dict[str, Any] | None:
    """The object of the replay stream for an emission; None where it has no line there.

    Only the beginning of an alert is a line: an alert that is pending or resolved is not.
    """
    start = {"recording": name, "time": rfc3339_from_ms(emission.at_ms)}
    match emission:
        case PhaseChange():
            return {"type": "phase", **start, "phase": emission.phase.value, "reason": emission.reason}
        case AlertChange(state=AlertState.FIRING):
            return {"type": "alert", **start, "alert": emission.kind.value, "message": emission.message}
        case Forecast():
            return {
                "type": "forecast",
                **start,
                "final_gravity": _percentiles(emission.final_gravity_sg, lambda sg: round(sg, 5)),
                "finish_at": _percentiles(emission.finish_at_ms, _whole_second),
            }
    return None


def _whole_second(at_ms: float) -> str:
    # a forecast to the millisecond would pretend to know more than it does
    return rfc3339_from_ms(round(at_ms / MS_PER_SECOND) * MS_PER_SECOND)


def _percentiles(interval: Interval, show: Callable[[float], Any]) -> dict[str, Any]:
    given = {"p05": interval.p05, "p50": interval.p50, "p95": interval.p95}
    return {name: None if value is None else show(value) for name, value in given.items()}


def json_line(name: str, emission: Emission, settings: str = "") -> str | None:
    """The line of the replay stream for an emission, without its end; None where it has none.

    `settings` names the configuration where there are two, and is left out where there is one.
    """
    shown = object_of(name, emission)
    if shown is None:
        return None
    if settings:
        shown["settings"] = settings
    return json.dumps(shown, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def timeline(recording: Recorded, emissions: Iterable[Emission], faults: RowFaults) -> Iterator[str]:
    """A recording's story in lines of plain text."""
    pitched_ms = recording.premise.pitched_ms
    heading = (
        recording.title if recording.title == recording.name else f"{recording.title} ({recording.name})"
    )
    yield heading
    yield f"  pitched {_clock(pitched_ms)} UTC"
    for emission in emissions:
        match emission:
            case PhaseChange():
                yield from _entry(pitched_ms, emission.at_ms, emission.phase.value, emission.reason)
            case AlertChange(state=AlertState.FIRING):
                yield from _entry(pitched_ms, emission.at_ms, f"TOLD {emission.kind.value}", emission.message)
            case AlertChange(state=AlertState.RESOLVED):
                yield from _entry(pitched_ms, emission.at_ms, f"over {emission.kind.value}", emission.message)
            case Forecast():
                yield from _entry(pitched_ms, emission.at_ms, "forecast", _outlook(emission))
    if faults.count:
        rows = "row" if faults.count == 1 else "rows"
        yield f"  {faults.count} {rows} left out, not understood:"
        yield from (f"    line {line}: {complaint}" for line, complaint in faults.described)
        if faults.count > len(faults.described):
            yield f"    and {faults.count - len(faults.described)} more"


def _clock(at_ms: int) -> str:
    return datetime_from_ms(at_ms).strftime("%a %Y-%m-%d %H:%M")


def _entry(pitched_ms: int, at_ms: int, what: str, words: str) -> Iterator[str]:
    day = (at_ms - pitched_ms) / MS_PER_DAY
    when = datetime_from_ms(at_ms).strftime("%m-%d %H:%M")
    start = f"  day {day:5.1f}  {when}  {what:<22}"
    wrapped = textwrap.wrap(words, TEXT_WIDTH - INDENT) or [""]
    yield f"{start:<{INDENT}}{wrapped[0]}"
    yield from (" " * INDENT + line for line in wrapped[1:])


def _outlook(forecast: Forecast) -> str:
    gravity, finish = forecast.final_gravity_sg, forecast.finish_at_ms
    words = []
    if gravity.p50 is not None:
        words.append(f"ends near {gravity.p50:.4f}")
        if gravity.p05 is not None and gravity.p95 is not None:
            words.append(f"({gravity.p05:.4f} to {gravity.p95:.4f})")
    if finish.p50 is not None:
        words.append(f"about {_clock(round(finish.p50))}")
    return " ".join(words) or "nothing can be said yet"
