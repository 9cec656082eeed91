"""One alert that leans on no other, over the moments of a batch: when it fires and when it is resolved."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.score import FOR_EVER_MS, Spell
from monitor.tune.witness import Integers
from monitor.units import MS_PER_HOUR

Flags = NDArray[np.bool_]

NEVER: Final = 2**40
"""A place past every moment."""


def wait_ms(hours: float) -> int:
    """The least whole milliseconds that fill a dwell, as `monitor.ferment.alert.transition` counts them."""
    return math.ceil(hours * MS_PER_HOUR)


def edges(flags: Flags) -> tuple[Integers, Integers]:
    """First and one-past-last place of every stretch of True."""
    steps = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return steps[::2], steps[1::2]


def ready(at_ms: Integers, starts: Integers, stops: Integers, wait: int) -> Integers:
    """For every stretch the place at which it has held for `wait` milliseconds; NEVER where it does not."""
    place = np.maximum(np.searchsorted(at_ms, at_ms[starts] + wait), starts)
    return np.where(place < stops, place, NEVER)


def first_ready(at_ms: Integers, flags: Flags, waits: Integers) -> Integers:
    """For each wait the place at which something has first held for so long, NEVER where it never has."""
    starts, stops = edges(flags)
    if not starts.size:
        return np.full(waits.size, NEVER, dtype=np.int64)
    since = at_ms[starts]
    place = np.maximum(np.searchsorted(at_ms, since[None, :] + waits[:, None]), starts)
    return np.asarray(np.where(place < stops, place, NEVER).min(axis=1))


def spells(at_ms: Integers, holds: Flags, clears: Flags, dwell_h: float, clear_h: float) -> tuple[Spell, ...]:
    """When an alert fires by `monitor.ferment.alert.transition`, moment by moment, and until when."""
    rising, clearing = edges(holds), edges(clears)
    dwell, over = wait_ms(dwell_h), wait_ms(clear_h)
    found: list[Spell] = []
    place = 0
    while True:
        fired = _next(at_ms, rising, place, dwell)
        if fired == NEVER:
            return tuple(found)
        resolved = _next(at_ms, clearing, fired + 1, over)
        _add(found, at_ms, fired, resolved)
        if resolved == NEVER:
            return tuple(found)
        place = resolved + 1


def opposed(
    at_ms: Integers, holds: tuple[Flags, Flags], clears: tuple[Flags, Flags], dwell_h: float, clear_h: float
) -> tuple[tuple[Spell, ...], tuple[Spell, ...]]:
    """The same for two alerts that never hold at once: each is resolved where the other fires."""
    rising, clearing = [edges(one) for one in holds], [edges(one) for one in clears]
    dwell, over = wait_ms(dwell_h), wait_ms(clear_h)
    found: tuple[list[Spell], list[Spell]] = ([], [])
    ahead = [_next(at_ms, one, 0, dwell) for one in rising]
    while (fired := min(ahead)) < NEVER:
        one = ahead.index(fired)
        resolved = min(_next(at_ms, clearing[one], fired + 1, over), ahead[1 - one])
        _add(found[one], at_ms, fired, resolved)
        ahead[one] = NEVER if resolved == NEVER else _next(at_ms, rising[one], resolved + 1, dwell)
    return tuple(found[0]), tuple(found[1])


def _add(found: list[Spell], at_ms: Integers, fired: int, resolved: int) -> None:
    until_ms = FOR_EVER_MS if resolved == NEVER else int(at_ms[resolved])
    if found and found[-1].from_ms == at_ms[fired]:
        found.pop()  # resolved and told again in one millisecond: an alert is named by when it fired
    found.append(Spell(int(at_ms[fired]), until_ms))


def _next(at_ms: Integers, stretches: tuple[Integers, Integers], place: int, wait: int) -> int:
    """The first place from `place` on at which something has held for `wait`, counted from there."""
    starts, stops = stretches
    begin = int(np.searchsorted(stops, place, side="right"))
    starts = np.maximum(starts[begin:], place)
    if not starts.size:
        return NEVER
    return int(ready(at_ms, starts, stops[begin:], wait).min())
