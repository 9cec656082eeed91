"""Two configurations side by side: what each said of one recording, and how much sooner or later."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Emission, PhaseChange
from monitor.replay.player import Recorded
from monitor.units import MS_PER_DAY, MS_PER_HOUR, datetime_from_ms

COLUMN: Final = 34
MARGIN: Final = 26
NOTHING: Final = "."
ALIKE_MS: Final = MS_PER_HOUR


def side_by_side(
    recording: Recorded, names: Sequence[str], said: Sequence[Sequence[Emission]]
) -> Iterator[str]:
    """Lines: a row for each moment at which either said something, then what came sooner or later.

    `names` and `said` are of the two configurations, in the same order.
    """
    pitched_ms = recording.premise.pitched_ms
    yield recording.title if recording.title == recording.name else f"{recording.title} ({recording.name})"
    yield " " * MARGIN + "".join(f"{name[: COLUMN - 2]:<{COLUMN}}" for name in names).rstrip()
    words = [_words(emissions) for emissions in said]
    for at_ms in sorted({at_ms for column in words for at_ms in column}):
        day = (at_ms - pitched_ms) / MS_PER_DAY
        when = f"  day {day:5.1f} {datetime_from_ms(at_ms):%m-%d %H:%M}"
        cells = [_wrapped(column.get(at_ms, [NOTHING])) for column in words]
        for row in range(max(len(cell) for cell in cells)):
            line = "".join(f"{cell[row] if row < len(cell) else '':<{COLUMN}}" for cell in cells)
            yield f"{when if row == 0 else '':<{MARGIN}}{line}".rstrip()
    yield ""
    yield from _differences(pitched_ms, said)


def _words(emissions: Sequence[Emission]) -> dict[int, list[str]]:
    words: dict[int, list[str]] = {}
    for emission in emissions:
        match emission:
            case PhaseChange():
                words.setdefault(emission.at_ms, []).append(emission.phase.value)
            case AlertChange(state=AlertState.FIRING):
                words.setdefault(emission.at_ms, []).append(f"TOLD {_named(emission)}")
            case AlertChange(state=AlertState.RESOLVED):
                words.setdefault(emission.at_ms, []).append(f"over {_named(emission)}")
    return words


def _named(alert: AlertChange) -> str:
    name = alert.kind.value.replace("_", " ")
    return f"{name} ({alert.subject})" if alert.subject else name


def _wrapped(parts: Sequence[str]) -> list[str]:
    return [line for part in parts for line in textwrap.wrap(part, COLUMN - 2)]


def _differences(pitched_ms: int, said: Sequence[Sequence[Emission]]) -> Iterator[str]:
    """For each kind of alert when each told it first, and how the second compares with the first."""
    firsts = [first_told(emissions) for emissions in said]
    kinds = [kind for kind in AlertKind if any(kind in first for first in firsts)]
    if not kinds:
        yield "  neither told anything"
    for kind in kinds:
        times = [first.get(kind) for first in firsts]
        shown = "".join(
            f"{'never' if at_ms is None else f'day {(at_ms - pitched_ms) / MS_PER_DAY:.1f}':<{COLUMN // 2}}"
            for at_ms in times
        )
        yield f"  {kind.value.replace('_', ' '):<{MARGIN - 2}}{shown}{compared(times[0], times[1])}"


def first_told(emissions: Sequence[Emission]) -> dict[AlertKind, int]:
    """When each kind of alert was told first."""
    told: dict[AlertKind, int] = {}
    for emission in emissions:
        if isinstance(emission, AlertChange) and emission.state is AlertState.FIRING:
            told.setdefault(emission.kind, emission.at_ms)
    return told


def compared(first_ms: int | None, second_ms: int | None) -> str:
    """How the second compares with the first, in words."""
    if first_ms is None:
        return "only the second tells it"
    if second_ms is None:
        return "only the first tells it"
    apart = second_ms - first_ms
    if abs(apart) < ALIKE_MS:
        return "at the same time"
    span = (
        f"{abs(apart) / MS_PER_HOUR:.0f} h"
        if abs(apart) < 4 * MS_PER_DAY
        else f"{abs(apart) / MS_PER_DAY:.1f} days"
    )
    return f"the second {span} {'sooner' if apart < 0 else 'later'}"
