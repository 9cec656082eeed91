"""What other thresholds would have said about a batch so far."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

from monitor.errors import InputError
from monitor.ferment.pipeline import Analysis
from monitor.web.history import Told, tell
from monitor.web.ports import Ports

MOST_TIMES = 20.0
"""A threshold can be tried up to so many times what is set."""

ENDINGS = {
    " dwell": ": told after, hours",
    " per day": ", points a day",
    " points": ", points",
    " hours": ", hours",
    " days": ", days",
    " z": ", standard errors",
    " c": ", °C",
}
"""What the last word of a name stands for."""


@dataclass(frozen=True, slots=True)
class Knob:
    """One threshold that can be tried."""

    name: str
    value: float
    part: str
    """`thresholds` or `alerts`."""

    @property
    def label(self) -> str:
        """Its name in words."""
        text = self.name.replace("_", " ")
        for ending, said in ENDINGS.items():
            if text.endswith(ending):
                text = text.removesuffix(ending) + said
                break
        return text[:1].upper() + text[1:]

    @property
    def highest(self) -> float:
        """The highest value that makes sense to try."""
        return max(1.0, MOST_TIMES * abs(self.value))


def knobs(analysis: Analysis) -> tuple[Knob, ...]:
    """Every threshold of verdicts and alerts, as it is set."""
    found = []
    for part, holder in (("thresholds", analysis.thresholds), ("alerts", analysis.alerts)):
        for one in fields(holder):
            value = getattr(holder, one.name)
            if isinstance(value, int | float) and not isinstance(value, bool):
                found.append(Knob(one.name, float(value), part))
    return tuple(found)


def tuned(analysis: Analysis, wished: Mapping[str, float]) -> Analysis:
    """The analysis with other thresholds; InputError for an unknown one or one out of range."""
    known = {knob.name: knob for knob in knobs(analysis)}
    parts: dict[str, dict[str, float]] = {"thresholds": {}, "alerts": {}}
    for name, value in wished.items():
        knob = known.get(name)
        if knob is None:
            raise InputError(f"{name!r} cannot be tried: one of {', '.join(known)}")
        if not math.isfinite(value) or not 0.0 <= value <= knob.highest:
            raise InputError(f"{name} = {value:g}: 0 to {knob.highest:g}")
        parts[knob.part][name] = value
    return replace(
        analysis,
        thresholds=replace(analysis.thresholds, **parts["thresholds"]),
        alerts=replace(analysis.alerts, **parts["alerts"]),
    )


def tried(ports: Ports, slug: str, wished: Mapping[str, float]) -> tuple[Told, Told]:
    """What the present thresholds say of a batch so far, and what others would have said."""
    now_ms = ports.now_ms()
    other = tuned(ports.analysis, wished)
    return tell(ports.store, slug, ports.analysis, now_ms), tell(ports.store, slug, other, now_ms)
