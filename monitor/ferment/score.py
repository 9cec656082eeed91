"""How good were the verdicts: what was told, against what was true.

Scoring never sees the detector: it takes the moments at which something was told and the marks of the
truth, both as plain values. A recording made by hand needs only `finished_ms`, `final_gravity_sg` and
`stalls`; a simulated ferment gives every mark. What cannot be judged from the marks is left out of the
count, never counted as right.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Emission, Forecast, Interval
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG

RIGHT_WITHIN_H: Final = 48.0
NEVER_AFTER_MS: Final = 6 * MS_PER_DAY
STALL_EARLY_MS: Final = 4 * MS_PER_DAY
"""A stall comes slowly: an alert so long before it has told it, if it still stands when it comes."""
BEYOND_C: Final = 0.5
"""A temperature this far beyond the yeast's range for six hours must be told."""
GRACE_MS: Final = 12 * MS_PER_HOUR
"""How long after a spell a dwell may still end in an alert."""
FORECAST_AGE_MS: Final = 12 * MS_PER_HOUR
FOR_EVER_MS: Final = 2**62
"""The end of an alert that was never resolved."""
PLAIN_NEAR_MS: Final = MS_PER_DAY
"""Where `near_finish_ms` is not known it is taken to be this long before the finish."""


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of time; `by_c` is how far a temperature went beyond the limit, where that is meant."""

    from_ms: int
    until_ms: int
    by_c: float | None = None

    def holds(self, at_ms: int, *, before_ms: int = 0, after_ms: int = 0) -> bool:
        """Whether a moment lies within the spell, widened on either side."""
        return self.from_ms - before_ms <= at_ms <= self.until_ms + after_ms


@dataclass(frozen=True, slots=True)
class Truth:
    """What truly happened; None or empty where it did not happen or is not known."""

    finished_ms: int | None = None
    """The earliest time when the noise-free gravity has at most 0.001 left to fall."""
    near_finish_ms: int | None = None
    """The earliest time with at most 0.002 left: a finish told before it is premature."""
    final_gravity_sg: float | None = None
    half_ms: int | None = None
    """When half of the whole drop was done; None where sugar added later would make a forecast idle."""
    three_quarters_ms: int | None = None
    stalls: tuple[Spell, ...] = ()
    """Under 0.3 points a day, over 5 points above the gravity that must could reach."""
    sweetened_ms: int | None = None
    refermenting_ms: int | None = None
    lost_marks: tuple[tuple[int, float], ...] = ()
    """After sweetening: (time, points lost by then), rising."""
    silent_ms: int | None = None
    """When the float fell silent for good."""
    silences: tuple[Spell, ...] | None = None
    """Silences of any sensor, long enough that telling them is no fault; None where not known."""
    too_cold: tuple[Spell, ...] | None = None
    too_warm: tuple[Spell, ...] | None = None
    """Spells near or beyond the yeast's range; `by_c` says how far beyond (negative: only near)."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of one ferment: for each kind of alert the spells in which it was firing."""

    firing: dict[AlertKind, tuple[Spell, ...]]
    forecasts: tuple[Forecast, ...] = ()

    def times(self, kind: AlertKind) -> tuple[int, ...]:
        """When alerts of a kind began to fire, in order."""
        return tuple(spell.from_ms for spell in self.firing.get(kind, ()))


def told_by(emissions: Iterable[Emission]) -> Told:
    """What a stream of emissions, in order of time, told; an alert not resolved fires to the end."""
    spells: dict[AlertKind, dict[tuple[int, str], Spell]] = {}
    forecasts = []
    for emission in emissions:
        if isinstance(emission, Forecast):
            forecasts.append(emission)
        elif isinstance(emission, AlertChange) and emission.state is not AlertState.PENDING:
            until_ms = emission.at_ms if emission.state is AlertState.RESOLVED else FOR_EVER_MS
            of_kind = spells.setdefault(emission.kind, {})
            of_kind[emission.fired_ms, emission.subject] = Spell(emission.fired_ms, until_ms)
    firing = {
        kind: tuple(sorted(of_kind.values(), key=lambda spell: spell.from_ms))
        for kind, of_kind in spells.items()
    }
    return Told(firing, tuple(forecasts))


@dataclass(frozen=True, slots=True)
class ForecastScore:
    """A forecast at one mark against the truth; None where it was not given."""

    gravity_error_points: float | None = None
    gravity_covers: bool | None = None
    gravity_width_points: float | None = None
    time_error_h: float | None = None
    time_covers: bool | None = None


@dataclass(frozen=True, slots=True)
class FinishedScore:
    """How the end was told: `right` is not premature and in time."""

    right: bool | None = None
    premature: bool | None = None
    in_stall: bool | None = None
    never: bool | None = None
    delay_h: float | None = None


@dataclass(frozen=True, slots=True)
class FoundScore:
    """How something else was told: whether it was found, at what cost, and whether it was told wrongly."""

    found: bool | None = None
    cost: float | None = None
    """Hours of delay of a stall; points lost of a restart."""
    wrong: bool | None = None


@dataclass(frozen=True, slots=True)
class Score:
    """One ferment's verdicts judged; None wherever there was nothing to judge."""

    finished: FinishedScore
    stall: FoundScore
    restart: FoundScore
    silent: FoundScore
    temperature: FoundScore
    at_half: ForecastScore | None = None
    at_three_quarters: ForecastScore | None = None


def score(told: Told, truth: Truth) -> Score:
    """Judge what was told of one ferment."""
    return Score(
        finished=_finished(told, truth),
        stall=_stall(told, truth),
        restart=_restart(told, truth),
        silent=_silent(told, truth),
        temperature=_temperature(told, truth),
        at_half=_forecast(told, truth, truth.half_ms),
        at_three_quarters=_forecast(told, truth, truth.three_quarters_ms),
    )


def _alive(truth: Truth, at_ms: int) -> bool:
    return truth.silent_ms is None or truth.silent_ms > at_ms


def _finished(told: Told, truth: Truth) -> FinishedScore:
    times = told.times(AlertKind.FINISHED)
    in_stall = any(spell.holds(at) for spell in truth.stalls for at in times) if truth.stalls else None
    if truth.finished_ms is None:
        return FinishedScore(in_stall=in_stall)
    near_ms = truth.near_finish_ms
    if near_ms is None:
        near_ms = truth.finished_ms - PLAIN_NEAR_MS
    premature = bool(times) and times[0] < near_ms
    if not _alive(truth, truth.finished_ms + NEVER_AFTER_MS):
        # a float that died cannot show the end; telling it too early is a fault all the same
        return FinishedScore(premature=premature, in_stall=in_stall)
    delay_h = (times[0] - truth.finished_ms) / MS_PER_HOUR if times else None
    by_ms = truth.finished_ms + NEVER_AFTER_MS
    # a batch that its maker sweetened sooner was not to be watched for so long
    left_alone = truth.sweetened_ms is None or truth.sweetened_ms >= by_ms
    return FinishedScore(
        right=delay_h is not None and not premature and delay_h <= RIGHT_WITHIN_H,
        premature=premature,
        in_stall=in_stall,
        never=not times or times[0] > by_ms if left_alone else None,
        delay_h=None if premature else delay_h,
    )


def _stall(told: Told, truth: Truth) -> FoundScore:
    times = told.times(AlertKind.STALLED)
    if not truth.stalls:
        known = truth.finished_ms is not None
        return FoundScore(wrong=bool(times) if known else None)
    spell = truth.stalls[0]
    if not _alive(truth, min(spell.until_ms, spell.from_ms + 2 * MS_PER_DAY)):
        return FoundScore()
    for told_stuck in told.firing.get(AlertKind.STALLED, ()):
        # one told on the way down must still stand when the stall is there
        if told_stuck.until_ms >= spell.from_ms and spell.holds(told_stuck.from_ms, before_ms=STALL_EARLY_MS):
            return FoundScore(found=True, cost=(told_stuck.from_ms - spell.from_ms) / MS_PER_HOUR)
    return FoundScore(found=False)


def _restart(told: Told, truth: Truth) -> FoundScore:
    times = told.times(AlertKind.REFERMENTING)
    if truth.refermenting_ms is None:
        since_ms = truth.sweetened_ms
        return FoundScore(wrong=None if since_ms is None else any(at >= since_ms for at in times))
    since_ms = truth.refermenting_ms if truth.sweetened_ms is None else truth.sweetened_ms
    if not _alive(truth, truth.refermenting_ms + 4 * MS_PER_DAY):
        return FoundScore()
    for at in times:
        if at >= since_ms:
            return FoundScore(found=True, cost=_lost_by(truth.lost_marks, at))
    return FoundScore(found=False)


def _lost_by(marks: Sequence[tuple[int, float]], at_ms: int) -> float | None:
    """Points lost by a time, straight between the marks; None where none is known."""
    if not marks:
        return None
    before = (marks[0][0], 0.0)
    for mark in marks:
        if at_ms < mark[0]:
            share = (at_ms - before[0]) / (mark[0] - before[0]) if mark[0] > before[0] else 0.0
            return max(before[1] + (mark[1] - before[1]) * share, 0.0)
        before = mark
    return before[1]


def _silent(told: Told, truth: Truth) -> FoundScore:
    times = told.times(AlertKind.SENSOR_SILENT)
    found, wrong = None, None
    if truth.silent_ms is not None:
        # one told of a gap just before that still stands has told it too
        firing = told.firing.get(AlertKind.SENSOR_SILENT, ())
        found = any(spell.until_ms > truth.silent_ms for spell in firing)
    if truth.silences is not None:
        wrong = any(
            not any(spell.holds(at, after_ms=MS_PER_HOUR) for spell in truth.silences) for at in times
        )
    return FoundScore(found=found, wrong=wrong)


def _temperature(told: Told, truth: Truth) -> FoundScore:
    wanted: list[bool] = []
    wrong: list[bool] = []
    known = False
    for kind, spells in (
        (AlertKind.TEMPERATURE_LOW, truth.too_cold),
        (AlertKind.TEMPERATURE_HIGH, truth.too_warm),
    ):
        if spells is None:
            continue
        known = True
        firing = told.firing.get(kind, ())
        wanted += [_heard(firing, s) for s in spells if s.by_c is None or s.by_c >= BEYOND_C]
        wrong += [not any(s.holds(fire.from_ms, after_ms=GRACE_MS) for s in spells) for fire in firing]
    return FoundScore(found=all(wanted) if wanted else None, wrong=any(wrong) if known else None)


def _heard(firing: Sequence[Spell], spell: Spell) -> bool:
    """Whether an alert was firing during the spell, or began soon after."""
    return any(f.from_ms <= spell.until_ms + GRACE_MS and f.until_ms >= spell.from_ms for f in firing)


def _forecast(told: Told, truth: Truth, at_ms: int | None) -> ForecastScore | None:
    final, finished_ms = truth.final_gravity_sg, truth.finished_ms
    if at_ms is None or final is None or finished_ms is None or not _alive(truth, at_ms):
        return None
    recent = [given for given in told.forecasts if at_ms - FORECAST_AGE_MS <= given.at_ms <= at_ms]
    if not recent:
        return ForecastScore()
    gravity, finish = recent[-1].final_gravity_sg, recent[-1].finish_at_ms
    width = None
    if gravity.p05 is not None and gravity.p95 is not None:
        width = (gravity.p95 - gravity.p05) * POINTS_PER_SG
    return ForecastScore(
        gravity_error_points=None if gravity.p50 is None else abs(gravity.p50 - final) * POINTS_PER_SG,
        gravity_covers=_covers(gravity, final),
        gravity_width_points=width,
        time_error_h=None if finish.p50 is None else abs(finish.p50 - finished_ms) / MS_PER_HOUR,
        time_covers=_covers(finish, finished_ms),
    )


def _covers(interval: Interval, value: float) -> bool | None:
    if interval.p05 is None or interval.p95 is None:
        return None
    return interval.p05 <= value <= interval.p95
