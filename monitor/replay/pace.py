"""Recorded time let pass at a chosen speed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from monitor.ferment.event import Event
from monitor.units import MS_PER_SECOND


def paced(
    events: Iterable[Event], speed: float, wait_s: Callable[[float], None], now_s: Callable[[], float]
) -> Iterator[Event]:
    """The events, each when its time has come: `speed` seconds of recorded time pass in one of `now_s`.

    What takes long to work out is caught up with; nothing is left out.
    """
    started_s, first_ms = now_s(), None
    for event in events:
        if first_ms is None:
            first_ms = event.at_ms
        ahead_s = (event.at_ms - first_ms) / MS_PER_SECOND / speed - (now_s() - started_s)
        if ahead_s > 0.0:
            wait_s(ahead_s)
        yield event
