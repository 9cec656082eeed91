"""Finished, stalled, fermenting again: the three alerts that lean on each other, for many sets at once.

This is `Judge._verdicts` over arrays. Until something is told, each of the three waits for itself alone, so
the first to be told is found by looking for stretches; what follows a telling is stepped through moment by
moment, and only for sets in which anything can follow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.emission import AlertKind
from monitor.ferment.judge import FINISH_MEMORY_HOURS
from monitor.ferment.score import FOR_EVER_MS, Spell
from monitor.tune.spells import NEVER, Flags, edges, first_ready, wait_ms
from monitor.tune.spread import Codes, Spread, together
from monitor.tune.witness import Floats, Integers
from monitor.units import MS_PER_HOUR

KINDS: Final = (AlertKind.REFERMENTING, AlertKind.FINISHED, AlertKind.STALLED)
"""In the order in which the judge comes to them."""
R, F, S = range(3)
NOT_YET: Final = 2**62
Firing = tuple[tuple[int, Spell], ...]
"""What was told: (place in KINDS, spell), in order of firing."""


@dataclass(frozen=True, slots=True)
class Course:
    """What all sets see alike, over moments."""

    at_ms: Integers
    level_points: Floats
    brisk: Flags
    """It falls faster than a tail does."""
    rose_ms: Integers
    """When the gravity last rose without an entry in the journal; long ago where it did not."""
    released: Flags
    """Stabilised, sweetened or packaged: a stall is no news any more."""


@dataclass(frozen=True, slots=True)
class Signals:
    """What each set sees, over moments."""

    holds: tuple[Spread, Spread, Spread]
    """Of each kind, as far as it leans on no other: going again; done; stuck."""
    surely_done: Spread
    """So surely done that a stall gives way to it."""
    falls_again: Spread
    """Goes again, if it had ended before the gravity rose."""
    moving: Spread
    """Sound and moving."""
    quiet: Spread
    fed: Spread
    restart_points: Spread
    dwell_h: tuple[Spread, Spread, Spread]
    clear_h: Spread


@dataclass(frozen=True, slots=True)
class Told:
    """What each set told: `firings[which[i]]`."""

    which: Codes
    firings: tuple[Firing, ...]


@dataclass(slots=True)
class _Alert:
    """One alert of many sets: `monitor.ferment.alert.transition` with arrays."""

    wait: Integers
    clear_wait: Integers
    fired: Flags
    fired_ms: Integers
    pending_ms: Integers
    clearing_ms: Integers

    def step(self, at_ms: int, holds: Flags, clears: Flags) -> tuple[Flags, Flags]:
        """One more look: which sets begin to fire, and which are resolved."""
        rising = holds & ~self.fired
        falling = clears & self.fired
        self.pending_ms = np.where(rising, np.minimum(self.pending_ms, at_ms), NOT_YET)
        self.clearing_ms = np.where(falling, np.minimum(self.clearing_ms, at_ms), NOT_YET)
        began = rising & (at_ms - self.pending_ms >= self.wait)
        ended = falling & (at_ms - self.clearing_ms >= self.clear_wait)
        self.fired = (self.fired | began) & ~ended
        self.fired_ms[began] = at_ms
        self.pending_ms[began] = NOT_YET
        self.clearing_ms[ended] = NOT_YET
        return began, ended


@dataclass(slots=True)
class _Firings:
    """Firings and resolutions of many sets, as they come."""

    rows: list[list[tuple[int, Spell]]] = field(default_factory=list)

    def begin(self, rows: Any, kind: int, at_ms: int) -> None:
        for row in rows:
            told = self.rows[row]
            again = [
                place for place, (one, spell) in enumerate(told) if (one, spell.from_ms) == (kind, at_ms)
            ]
            for place in again:
                del told[place]  # an alert is named by when it fired
            told.append((kind, Spell(at_ms, FOR_EVER_MS)))

    def end(self, rows: Any, kind: int, at_ms: int) -> None:
        for row in rows:
            told = self.rows[row]
            place = max(place for place, (one, _) in enumerate(told) if one == kind)
            told[place] = (kind, Spell(told[place][1].from_ms, at_ms))


def tell(course: Course, signals: Signals) -> Told:
    """What every set tells of one batch."""
    first = [_first(course, signals, kind) for kind in (R, F, S)]
    start = np.minimum(np.minimum(first[R], first[F]), first[S])
    again = (first[R] == start) & (start < NEVER)
    finished = (first[F] == start) & (start < NEVER) & ~again
    stalled = (first[S] == start) & (start < NEVER) & ~again
    begun = (start * 2 + again) * 4 + finished * 2 + stalled  # one number for what was told first, and when
    different, begun_code = np.unique(np.where(start < NEVER, begun, -1), return_inverse=True)
    later = _goes_on(course, signals, start, again, stalled, begun_code, len(different))
    firings: dict[Firing, int] = {}
    which = np.empty(start.size, dtype=np.int64)
    for code in range(len(different)):
        one = int(np.argmax(begun_code == code))
        told: list[tuple[int, Spell]] = []
        if start[one] < NEVER:
            spell = Spell(int(course.at_ms[start[one]]), FOR_EVER_MS)
            told = [(kind, spell) for kind, now in ((R, again), (F, finished), (S, stalled)) if now[one]]
        which[begun_code == code] = firings.setdefault(tuple(told), len(firings))
    rest = np.flatnonzero(later)
    if rest.size:
        opened = (start[rest], again[rest], finished[rest], stalled[rest], begun_code[rest])
        codes, rows = _step_through(course, signals, rest, opened, len(different))
        place = np.array([firings.setdefault(tuple(row), len(firings)) for row in rows], dtype=np.int64)
        which[rest] = place[codes]
    return Told(which, tuple(firings))


def _first(course: Course, signals: Signals, kind: int) -> Integers:
    """For every set the place at which one kind would fire if nothing else did."""
    holds, dwell = signals.holds[kind], signals.dwell_h[kind]
    waits = np.array([wait_ms(hours) for hours in dwell.rows[:, 0].tolist()], dtype=np.int64)
    table = np.stack([first_ready(course.at_ms, row, waits) for row in holds.rows])
    return np.asarray(table[holds.codes, dwell.codes])


def _goes_on(
    course: Course,
    signals: Signals,
    start: Integers,
    again: Flags,
    stalled: Flags,
    begun_code: Codes,
    begun: int,
) -> Flags:
    """Which sets may tell more after what they told first."""
    parts = (
        signals.holds[R], signals.holds[S], signals.surely_done, signals.falls_again, signals.moving,
        signals.fed, signals.restart_points,
    )  # fmt: skip
    codes, taken = together(
        [begun_code, *(part.codes for part in parts)], [begun, *(len(part.rows) for part in parts)]
    )
    # one set stands for all of its combination: they share what they told first
    one = np.empty(len(taken[0]), dtype=np.int64)
    one[codes] = np.arange(codes.size)
    place = np.minimum(start[one], course.at_ms.size - 1)
    going, stuck, ended, falls, moving, fed, restart = (
        part.rows[index] for part, index in zip(parts, taken[1:], strict=True)
    )
    fell = course.level_points[place][:, None] - course.level_points > restart
    stir = (moving & fell) | fed | going | falls
    stir |= stalled[one][:, None] & (course.released | (ended & ~stuck))
    stir &= np.arange(course.at_ms.size) > place[:, None]
    more = (stir.any(axis=1) | again[one]) & (start[one] < NEVER)
    return np.asarray(more[codes])


def _step_through(
    course: Course,
    signals: Signals,
    rest: Integers,
    opened: tuple[Integers, Flags, Flags, Flags, Codes],
    begun: int,
) -> tuple[Codes, list[list[tuple[int, Spell]]]]:
    """What sets tell in which more may follow: for each its row, and what each row tells."""
    parts = (
        *signals.holds, signals.surely_done, signals.falls_again, signals.moving, signals.quiet,
        signals.fed, signals.restart_points, *signals.dwell_h, signals.clear_h,
    )  # fmt: skip
    codes, taken = together(
        [opened[4], *(part.codes[rest] for part in parts)], [begun, *(len(part.rows) for part in parts)]
    )
    one = np.empty(len(taken[0]), dtype=np.int64)
    one[codes] = np.arange(codes.size)
    start, told_now = opened[0][one], (opened[1][one], opened[2][one], opened[3][one])
    from_place = int(start.min())
    seen = [
        np.ascontiguousarray(
            np.broadcast_to(part.rows, (len(part.rows), course.at_ms.size))[index, from_place:].T
        )
        for part, index in zip(parts[:8], taken[1:9], strict=True)
    ]
    restart, *dwells, clear_h = (
        part.rows[index, 0] for part, index in zip(parts[8:], taken[9:], strict=True)
    )
    alerts = [
        _alert(dwell, clear_h if kind != R else 4.0 * clear_h)
        for kind, dwell in zip((R, F, S), dwells, strict=True)
    ]
    since = _since(course, signals.holds[R], taken[1], start)
    machine = _Machine(
        course, alerts, restart, start, told_now, since, _Firings([[] for _ in range(start.size)])
    )
    for offset in range(course.at_ms.size - from_place):
        machine.look(from_place + offset, [one_sign[offset] for one_sign in seen])
    return codes, machine.firings.rows


def _alert(dwell_h: Floats, clear_h: Floats) -> _Alert:
    sets = dwell_h.size
    return _Alert(
        np.ceil(dwell_h * MS_PER_HOUR).astype(np.int64),
        np.ceil(clear_h * MS_PER_HOUR).astype(np.int64),
        np.zeros(sets, dtype=np.bool_),
        np.zeros(sets, dtype=np.int64),
        np.full(sets, NOT_YET, dtype=np.int64),
        np.full(sets, NOT_YET, dtype=np.int64),
    )


def _since(course: Course, going: Spread, index: Codes, start: Integers) -> Integers:
    """Since when each set has been waiting to tell that it ferments again, at the first telling."""
    since = np.full((len(going.rows), course.at_ms.size), NOT_YET, dtype=np.int64)
    for row, flags in zip(since, going.rows, strict=True):
        for first, stop in zip(*edges(flags), strict=True):
            row[first:stop] = course.at_ms[first]
    return np.asarray(since[index, start])


@dataclass(slots=True)
class _Machine:
    """The three alerts of many sets, from the first telling of each on."""

    course: Course
    alerts: list[_Alert]
    restart_points: Floats
    start: Integers
    told_now: tuple[Flags, Flags, Flags]
    since: Integers
    firings: _Firings
    told_level: Floats = field(init=False)
    ended_ms: Integers = field(init=False)
    awake: Flags = field(init=False)

    def __post_init__(self) -> None:
        self.told_level = np.full(self.start.size, np.nan)
        self.ended_ms = np.full(self.start.size, NOT_YET, dtype=np.int64)
        self.awake = np.zeros(self.start.size, dtype=np.bool_)

    def look(self, place: int, signs: list[NDArray[Any]]) -> None:
        """`Judge._verdicts` at one moment, and then the first telling of sets whose time has come."""
        going_again, done, stuck, surely_done, falls_again, moving, quiet, fed = signs
        at_ms, level = int(self.course.at_ms[place]), float(self.course.level_points[place])
        again, finish, stall = self.alerts
        finished, stalled = finish.fired, stall.fired
        with np.errstate(invalid="ignore"):
            fell = self.told_level - level
        restarted = moving & (fell > self.restart_points)
        late = finished & (at_ms - finish.fired_ms > FINISH_MEMORY_HOURS * MS_PER_HOUR)
        brisk = restarted & (fell > 1.5 * self.restart_points) & self.course.brisk[place]
        resting = going_again | (falls_again & (self.course.rose_ms[place] > self.ended_ms))
        holds = resting | (late & brisk & ~fed)
        said = [again.step(at_ms, holds & self.awake, (quiet & ~resting) | fed)]
        going = again.fired
        back = restarted | fed | going
        said.append(finish.step(at_ms, done & ~going & ~stalled & self.awake, back))
        began, ended = said[F]
        self.ended_ms[began] = at_ms
        self.ended_ms[ended & ~going] = NOT_YET
        said.append(
            stall.step(
                at_ms,
                stuck & ~finished & ~going & self.awake,
                back | self.course.released[place] | (surely_done & ~stuck),
            )
        )
        for kind, (began, ended) in enumerate(said):
            if began.any():
                self.told_level[began] = level
                self.firings.begin(np.flatnonzero(began).tolist(), kind, at_ms)
            if ended.any():
                self.firings.end(np.flatnonzero(ended).tolist(), kind, at_ms)
        self._wake(place, at_ms, level)

    def _wake(self, place: int, at_ms: int, level: float) -> None:
        now = self.start == place
        if not now.any():
            return
        self.awake |= now
        self.told_level[now] = level
        for kind, (alert, told) in enumerate(zip(self.alerts, self.told_now, strict=True)):
            fires = now & told
            alert.fired |= fires
            alert.fired_ms[fires] = at_ms
            self.firings.begin(np.flatnonzero(fires).tolist(), kind, at_ms)
        self.ended_ms[now & self.told_now[F]] = at_ms
        waiting = now & ~self.told_now[R]
        self.alerts[R].pending_ms[waiting] = self.since[waiting]
