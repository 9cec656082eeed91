"""What a chart of one batch shows, thinned to the pixels it has: values in kept units, no drawing."""

from __future__ import annotations

import math
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import Phase, PhaseChange
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import Evidence
from monitor.ferment.outlook import NINETY
from monitor.store.base import Store
from monitor.store.values import Thinned
from monitor.units import (
    MS_PER_DAY,
    MS_PER_HOUR,
    POINTS_PER_SG,
    Quantity,
    datetime_from_ms,
    ms_from_datetime,
)
from monitor.web import words
from monitor.web.fitted import fitted_curve

WIDEST_PX: Final = 4_000
LONGEST_HOURS: Final = 400 * 24
MOST_DAYS: Final = 400
"""The table of days is no longer than this."""
AHEAD_AT_MOST_MS: Final = 45 * MS_PER_DAY
AHEAD_STEPS: Final = 48
MEDIAN_HOURS: Final = 9
MEAN_HOURS: Final = 5
COARSE_HOURS: Final = 3
"""A chart whose strokes are wider than this is drawn from the hours."""
GAP_MS: Final = 8 * MS_PER_HOUR

Numbers = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class RawTrace:
    """Readings as they came: lowest and highest of each stretch."""

    time_ms: tuple[int, ...] = ()
    low_sg: tuple[float, ...] = ()
    high_sg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class LevelTrace:
    """The robust level, corrected by hand samples; None breaks the line where the float was silent."""

    time_ms: tuple[int, ...] = ()
    sg: Numbers = ()


@dataclass(frozen=True, slots=True)
class CurveTrace:
    """The fitted curve up to now and from the level on the expected course, each within its 90 % band."""

    time_ms: tuple[int, ...] = ()
    sg: Numbers = ()
    low_sg: Numbers = ()
    high_sg: Numbers = ()


@dataclass(frozen=True, slots=True)
class TemperatureTrace:
    """Mean temperature of the liquid in each stretch."""

    time_ms: tuple[int, ...] = ()
    mean_c: Numbers = ()


@dataclass(frozen=True, slots=True)
class SampleTrace:
    """Hand samples."""

    time_ms: tuple[int, ...] = ()
    sg: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """Something the maker did."""

    time_ms: int
    title: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """One phase from when to when."""

    from_ms: int
    to_ms: int
    phase: Phase
    word: str


@dataclass(frozen=True, slots=True)
class ChartView:
    """Everything on one chart. Times are Unix milliseconds."""

    from_ms: int
    to_ms: int
    now_ms: int
    raw: RawTrace
    level: LevelTrace
    fit: CurveTrace
    samples: SampleTrace
    temperature: TemperatureTrace
    marks: tuple[Mark, ...]
    phases: tuple[Stretch, ...]
    yeast_c: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class DayRow:
    """One day in the table that says the same as the chart."""

    day: date
    gravity_sg: float | None
    fell_points: float | None
    temperature_c: float | None
    count: int


@dataclass(frozen=True, slots=True)
class Believed:
    """The sensors whose readings stand for the batch; None where there is none."""

    gravity: str | None
    temperature: str | None


def believed(store: Store, sheet: Sheet) -> Believed:
    """The sensors named on the sheet, or else those of the batch's that were heard of the quantity."""
    if sheet.gravity_sensor is not None and sheet.temperature_sensor is not None:
        return Believed(sheet.gravity_sensor, sheet.temperature_sensor)
    return believed_among(sheet, {(one.sensor, one.quantity) for one in store.readings.heard(sheet.sensors)})


def believed_among(sheet: Sheet, heard: Container[tuple[str, Quantity]]) -> Believed:
    """The same where it is known what was heard."""
    gravity, temperature = sheet.gravity_sensor, sheet.temperature_sensor
    for sensor in sheet.sensors:
        if gravity is None and (sensor, Quantity.GRAVITY) in heard:
            gravity = sensor
        if temperature is None and (sensor, Quantity.TEMPERATURE) in heard:
            temperature = sensor
    return Believed(gravity, temperature)


def whole_range(sheet: Sheet, evidence: Evidence | None, now_ms: int) -> tuple[int, int]:
    """From pitching to the latest expected end, or to when the batch was ended."""
    if sheet.ended_ms is not None:
        return sheet.pitched_ms, max(sheet.ended_ms, sheet.pitched_ms + MS_PER_HOUR)
    ahead_ms = MS_PER_DAY / 4
    if evidence is not None and math.isfinite(evidence.end_hours_p95):
        # as far as the latest expected end, but what was measured keeps the larger part of the width
        likely_ms = 1.1 * evidence.end_hours_p50 * MS_PER_HOUR
        over = evidence.left_p50 < 1.0  # less than a point to fall: nothing to look forward to
        room_ms = MS_PER_DAY if over else max(likely_ms, 0.75 * (now_ms - sheet.pitched_ms), 3 * MS_PER_DAY)
        ahead_ms = max(ahead_ms, min(1.06 * evidence.end_hours_p95 * MS_PER_HOUR, room_ms))
    end_ms = now_ms + min(AHEAD_AT_MOST_MS, int(ahead_ms))
    return sheet.pitched_ms, max(end_ms, sheet.pitched_ms + MS_PER_DAY)


def chart(
    store: Store,
    sheet: Sheet,
    *,
    evidence: Evidence | None,
    phases: Sequence[PhaseChange],
    journal: Sequence[JournalEntry],
    now_ms: int,
    width_px: int,
    between_ms: tuple[int, int] | None = None,
) -> ChartView:
    """The chart of a batch, whole or a part of its time, for a drawing of so many pixels."""
    whole = whole_range(sheet, evidence, now_ms)
    from_ms, to_ms = whole if between_ms is None else between_ms
    width_px = min(WIDEST_PX, max(200, width_px))
    sensors = believed(store, sheet)
    offset_sg = 0.0 if evidence is None else evidence.offset_points / POINTS_PER_SG
    last_ms = (sheet.ended_ms or now_ms) + 1
    until_ms = min(to_ms, last_ms)
    hourly = _hourly(store, sensors.gravity, min(from_ms, sheet.pitched_ms), last_ms)
    return ChartView(
        from_ms=from_ms,
        to_ms=to_ms,
        now_ms=now_ms,
        raw=_raw(store, sensors.gravity, from_ms, until_ms, width_px, hourly),
        level=_level(hourly, from_ms, until_ms, width_px, offset_sg),
        fit=_curve(sheet, hourly, evidence, offset_sg),
        samples=_samples(store, sheet, from_ms, to_ms),
        temperature=_temperature(store, sensors.temperature, from_ms, until_ms, width_px),
        marks=tuple(_marks(journal, from_ms, to_ms)),
        phases=tuple(_stretches(phases, sheet.ended_ms or now_ms)),
        yeast_c=sheet.yeast.temperature_c,
    )


def small_curve(
    store: Store,
    sensor: str | None,
    from_ms: int,
    to_ms: int,
    *,
    offset_points: float = 0.0,
    buckets: int = 80,
) -> tuple[tuple[int, float], ...]:
    """A few dozen points of gravity for the small picture, corrected; medians hide single knocks."""
    if sensor is None or to_ms <= from_ms:
        return ()
    thinned = store.readings.thinned(sensor, Quantity.GRAVITY, from_ms, to_ms, buckets)
    if len(thinned.mean) < 2:
        return ()
    values = median_filter(thinned.mean, size=5, mode="nearest") + offset_points / POINTS_PER_SG
    return tuple(zip(thinned.start_ms.tolist(), values.tolist(), strict=True))


def days(
    store: Store, sheet: Sheet, *, evidence: Evidence | None, zone: tzinfo, now_ms: int
) -> tuple[DayRow, ...]:
    """The table: one row a day of this zone, the newest first; of a very long batch the last days."""
    sensors = believed(store, sheet)
    offset_sg = 0.0 if evidence is None else evidence.offset_points / POINTS_PER_SG
    pitched, last = (
        datetime_from_ms(at_ms).astimezone(zone).date()
        for at_ms in (sheet.pitched_ms, sheet.ended_ms or now_ms)
    )
    count = max(1, min(MOST_DAYS, (last - pitched).days + 1))
    first = max(pitched, last - timedelta(days=count - 1))
    # a day is 23 or 25 hours long where the clocks are changed
    midnights = [datetime.combine(first + timedelta(days=day), time.min, zone) for day in range(count + 1)]
    from_ms = np.array([ms_from_datetime(one) for one in midnights])
    gravity = _daily(store, sensors.gravity, Quantity.GRAVITY, from_ms)
    warmth = _daily(store, sensors.temperature, Quantity.TEMPERATURE, from_ms)
    rows = []
    before: float | None = None
    for day in range(count):
        level, readings = gravity.get(day, (None, 0))
        level = None if level is None else level + offset_sg
        fell = None if level is None or before is None else (before - level) * POINTS_PER_SG
        rows.append(DayRow(midnights[day].date(), level, fell, warmth.get(day, (None, 0))[0], readings))
        before = level if level is not None else before
    return tuple(reversed(rows))


def _daily(
    store: Store, sensor: str | None, quantity: Quantity, midnights_ms: NDArray[np.int64]
) -> dict[int, tuple[float, int]]:
    if sensor is None:
        return {}
    first_ms, end_ms = int(midnights_ms[0]), int(midnights_ms[-1])
    hours = -(-(end_ms - first_ms) // MS_PER_HOUR)
    hourly = store.readings.thinned(sensor, quantity, first_ms, first_ms + hours * MS_PER_HOUR, hours)
    day = np.searchsorted(midnights_ms, hourly.start_ms, side="right") - 1
    return {
        int(one): (float(np.median(hourly.mean[day == one])), int(hourly.count[day == one].sum()))
        for one in np.unique(day)
    }


def _thinned(
    store: Store, sensor: str | None, quantity: Quantity, from_ms: int, to_ms: int, buckets: int
) -> Thinned | None:
    if sensor is None or to_ms <= from_ms:
        return None
    return store.readings.thinned(sensor, quantity, from_ms, to_ms, buckets)


def _raw(
    store: Store, sensor: str | None, from_ms: int, to_ms: int, width_px: int, hourly: Hourly | None
) -> RawTrace:
    strokes = width_px // 2
    if hourly is not None and to_ms - from_ms > COARSE_HOURS * MS_PER_HOUR * strokes:
        # a stroke is hours wide: what the hours were thinned to is as good, and is there already
        found: Thinned | None = _coarser(hourly.found, from_ms, to_ms, strokes)
    else:
        found = _thinned(store, sensor, Quantity.GRAVITY, from_ms, to_ms, strokes)
    if found is None:
        return RawTrace()
    low, high = found.minimum.copy(), found.maximum.copy()
    single = low == high
    # a stroke of no length is not drawn
    low[single] -= 0.00012
    high[single] += 0.00012
    return RawTrace(tuple(found.start_ms.tolist()), _rounded(low, 5), _rounded(high, 5))


def _coarser(found: Thinned, from_ms: int, to_ms: int, buckets: int) -> Thinned:
    """The same in fewer, wider stretches."""
    inside = (found.start_ms >= from_ms) & (found.start_ms < to_ms)
    width_ms = max(1, -(-(to_ms - from_ms) // buckets))
    starts, count = found.start_ms[inside], found.count[inside]
    number = (starts - from_ms) // width_ms
    first = np.flatnonzero(np.diff(number, prepend=-1))
    if not first.size:
        none = starts.astype(np.float64)
        return Thinned(starts, none, none, none, count)
    total = np.add.reduceat(count, first)
    return Thinned(
        start_ms=number[first] * width_ms + from_ms,
        minimum=np.minimum.reduceat(found.minimum[inside], first),
        mean=np.add.reduceat(found.mean[inside] * count, first) / total,
        maximum=np.maximum.reduceat(found.maximum[inside], first),
        count=total,
    )


@dataclass(frozen=True, slots=True)
class Hourly:
    """The hours of a batch, and the level in the middle of each."""

    found: Thinned
    time_ms: NDArray[np.int64]
    level_sg: NDArray[np.float64]


def _hourly(store: Store, sensor: str | None, from_ms: int, to_ms: int) -> Hourly | None:
    """Hourly means, their running median and a short mean of that: what single knocks cannot move."""
    from_ms -= MEDIAN_HOURS * MS_PER_HOUR
    hours = min(LONGEST_HOURS, max(1, (to_ms - from_ms) // MS_PER_HOUR))
    found = _thinned(store, sensor, Quantity.GRAVITY, from_ms, to_ms, hours)
    if found is None or not len(found.mean):
        return None
    level = median_filter(found.mean, size=MEDIAN_HOURS, mode="nearest")
    level = uniform_filter1d(level, MEAN_HOURS, mode="nearest")
    return Hourly(found, found.start_ms + MS_PER_HOUR // 2, level)


def _level(hourly: Hourly | None, from_ms: int, to_ms: int, width_px: int, offset_sg: float) -> LevelTrace:
    if hourly is None:
        return LevelTrace()
    shown = (hourly.time_ms >= from_ms) & (hourly.time_ms < to_ms)
    times, level = hourly.time_ms[shown], hourly.level_sg[shown] + offset_sg
    step = max(1, len(times) // max(1, width_px // 2))
    times, level = times[::step], level[::step]
    return _broken(times, level, max(GAP_MS, 3 * step * MS_PER_HOUR))


def _broken(times: NDArray[np.int64], level: NDArray[np.float64], gap_ms: int) -> LevelTrace:
    after = np.flatnonzero(np.diff(times) > gap_ms)
    moments: list[int] = np.insert(times, after + 1, times[after] + gap_ms // 2).tolist()
    values: list[float] = np.insert(level, after + 1, np.nan).tolist()
    return LevelTrace(tuple(moments), tuple(None if math.isnan(v) else round(v, 5) for v in values))


def _temperature(
    store: Store, sensor: str | None, from_ms: int, to_ms: int, width_px: int
) -> TemperatureTrace:
    found = _thinned(store, sensor, Quantity.TEMPERATURE, from_ms, to_ms, width_px // 4)
    if found is None:
        return TemperatureTrace()
    return TemperatureTrace(tuple(found.start_ms.tolist()), _rounded(found.mean, 2))


def _samples(store: Store, sheet: Sheet, from_ms: int, to_ms: int) -> SampleTrace:
    found = store.readings.read(
        [sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY], from_ms=from_ms, to_ms=to_ms
    )
    return SampleTrace(tuple(found.time_ms.tolist()), _rounded(found.value, 5))


def _marks(journal: Sequence[JournalEntry], from_ms: int, to_ms: int) -> Iterator[Mark]:
    for entry in journal:
        if entry.kind is not JournalKind.NOTE and from_ms <= entry.done_ms <= to_ms:
            yield Mark(entry.done_ms, words.DEED[entry.kind])


def _stretches(phases: Sequence[PhaseChange], until_ms: int) -> Iterator[Stretch]:
    ends = [*(change.at_ms for change in phases[1:]), until_ms]
    for change, end_ms in zip(phases, ends, strict=False):
        if change.phase is not Phase.UNKNOWN and end_ms > change.at_ms:
            yield Stretch(change.at_ms, end_ms, change.phase, words.PHASE[change.phase])


def _curve(sheet: Sheet, hourly: Hourly | None, evidence: Evidence | None, offset_sg: float) -> CurveTrace:
    """Fitted curve and expected course, one after the other, always of the whole batch."""
    if evidence is None:
        return CurveTrace()
    ahead = _ahead(evidence) if sheet.open else CurveTrace()
    behind = None
    if hourly is not None:
        known = (hourly.time_ms >= sheet.pitched_ms - MEDIAN_HOURS * MS_PER_HOUR) & (
            hourly.time_ms - MS_PER_HOUR // 2 < evidence.at_ms
        )
        behind = fitted_curve(hourly.time_ms[known], hourly.level_sg[known] + offset_sg, evidence)
    if behind is None:
        return ahead
    # a break between the two: they are two statements
    times = (*behind[0].tolist(), evidence.at_ms, *ahead.time_ms)
    curves = (_rounded(1.0 + values / POINTS_PER_SG, 5) for values in behind[1:])
    joined = (
        (*past, None, *rest)
        for past, rest in zip(curves, (ahead.sg, ahead.low_sg, ahead.high_sg), strict=True)
    )
    return CurveTrace(times, *joined)


def _ahead(evidence: Evidence) -> CurveTrace:
    """From the level now to the final gravity: what is left halves steadily, at the forecast's own pace.

    The pace is set so that one point is left at the forecast time of the end.
    """
    level, end_h = evidence.level_points, evidence.end_hours_p50
    if not all(math.isfinite(v) for v in (level, end_h, evidence.final_p05, evidence.final_p95)):
        return CurveTrace()
    latest_h = min(evidence.end_hours_p95, AHEAD_AT_MOST_MS / MS_PER_HOUR)
    hours = np.linspace(0.0, max(6.0, latest_h), AHEAD_STEPS)
    spread = NINETY * evidence.level_se if math.isfinite(evidence.level_se) else 0.0
    left = max(level - evidence.final_p50, 1.05)

    def still_left(one_left_h: float) -> NDArray[np.float64]:
        return np.exp(-math.log(left) / max(one_left_h, 1.0) * hours)

    middle_left = still_left(end_h)
    middle = evidence.final_p50 + (level - evidence.final_p50) * middle_left
    # the uncertainty goes over from that of the level to that of the final gravity as the fall goes on
    below = np.maximum(0.0, evidence.final_p50 - evidence.final_p05)
    above = np.maximum(0.0, evidence.final_p95 - evidence.final_p50)
    low = middle - (spread * middle_left + below * (1.0 - middle_left))
    slow = evidence.final_p50 + (level - evidence.final_p50) * still_left(evidence.end_hours_p95)
    high = np.maximum(slow, middle + (spread * middle_left + above * (1.0 - middle_left)))
    times = evidence.at_ms + (hours * MS_PER_HOUR).astype(np.int64)
    return CurveTrace(
        tuple(times.tolist()), *(_rounded(1.0 + v / POINTS_PER_SG, 5) for v in (middle, low, high))
    )


def _rounded(values: NDArray[np.float64], places: int) -> tuple[float, ...]:
    return tuple(np.round(values, places).tolist())
