"""The rules that carboyd's verdicts stand beside: what makers do today, and one step up from it.

Both see every reading at its measured time, clocks set right, malformed rows left out: kinder than life.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.ferment.emission import AlertKind
from monitor.ferment.score import FOR_EVER_MS, Spell, Told
from monitor.replay.recording import Recording
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

BEGUN_POINTS = 3.0
SAME_POINTS = 1.0 + 1e-6
"""A float that says whole points is not to fail a test of one point by how a fraction is kept."""
ENDED_PER_DAY = 0.6
"""Points a day at which the slope rule is right most often, looked at on training seeds 0 to 199."""
STUCK_PER_DAY = 0.3
DAY_POINTS = 1.0


def float_readings(recording: Recording) -> tuple[np.ndarray, np.ndarray, list[int]]:
    """Times (ms) and gravities (points) of the float, by measured time, and the arrivals of every row."""
    times, points, arrivals = [], [], []
    for reading in recording.readings():
        arrivals.append(reading.received_ms)
        sane = abs(reading.received_ms - reading.time_ms) < 20 * MS_PER_HOUR
        if reading.quantity is Quantity.GRAVITY and sane:
            times.append(reading.time_ms)
            points.append(1000.0 * (reading.value - 1.0))
    order = np.argsort(times, kind="stable")
    return np.array(times, dtype=np.int64)[order], np.array(points)[order], arrivals


def _told(**kinds: Sequence[int]) -> Told:
    return Told(
        {AlertKind(kind): tuple(Spell(at, FOR_EVER_MS) for at in times) for kind, times in kinds.items()}
    )


def folk_rule(recording: Recording) -> Told:
    """The same for three days: the medians of three days within a point of one another."""
    times, points, _ = float_readings(recording)
    day = (times - recording.premise.pitched_ms) // MS_PER_DAY
    days = np.unique(day)
    medians = {int(d): float(np.median(points[day == d])) for d in days}
    finished: list[int] = []
    refermenting: list[int] = []
    start = next(iter(medians.values()), 0.0)
    settled = None
    for d in sorted(medians):
        last = [medians[e] for e in range(d - 2, d + 1) if e in medians]
        evening = recording.premise.pitched_ms + (d + 1) * MS_PER_DAY
        if len(last) == 3 and max(last) - min(last) <= SAME_POINTS and start - medians[d] > BEGUN_POINTS:
            if not finished:
                finished.append(evening)
            settled = medians[d]
        elif settled is not None and medians[d] > settled + 2.0:
            settled = medians[d]  # sweetened
        elif settled is not None and medians[d] < settled - 1.0:
            refermenting.append(evening)
            settled = None
    return _told(finished=finished, refermenting=refermenting)


def slope_rule(recording: Recording) -> Told:
    """An ordinary line over 48 hours, with a final gravity guessed from the kind of must."""
    times, points, _ = float_readings(recording)
    premise = recording.premise
    if len(times) < 10:
        return _told()
    kind = premise.must.kind
    attenuation = 0.75 if kind is not None and kind.value == "malt" else 1.0
    original = premise.must.original_gravity_sg
    start = 1000.0 * (original - 1.0) if original is not None else float(np.median(points[:24]))
    guess = start * (1.0 - attenuation)
    finished: list[int] = []
    stalled: list[int] = []
    refermenting: list[int] = []
    for now in range(int(times[0]) + 2 * MS_PER_DAY, int(times[-1]), 2 * MS_PER_HOUR):
        first, end = np.searchsorted(times, (now - 2 * MS_PER_DAY, now))
        if end - first < 20:
            continue
        x = (times[first:end] - now) / MS_PER_DAY
        y = points[first:end]
        slope = float(np.polyfit(x, y, 1)[0])
        level = float(np.median(y[-24:]))
        if start - level < BEGUN_POINTS:
            continue
        if level > guess + 5.0 and not finished:
            if slope > -STUCK_PER_DAY:
                stalled.append(now)
        elif slope > -ENDED_PER_DAY:
            finished.append(now)
        elif finished and now > finished[0] + 2 * MS_PER_DAY and slope < -0.5:
            refermenting.append(now)
    return _told(finished=finished, stalled=stalled, refermenting=refermenting)


def day_rule(hours: np.ndarray, gravity_sg: np.ndarray, attainable_sg: float, pitched_ms: int) -> Told:
    """A line over a day of the noise-free gravity: what slope alone can give at best."""
    points = 1000.0 * (gravity_sg - 1.0)
    fall = points[:-24] - points[24:]
    begun = points[0] - points[24:] > BEGUN_POINTS
    above = points[24:] - 1000.0 * (attainable_sg - 1.0)
    at = pitched_ms + (hours[24:] * MS_PER_HOUR).astype(np.int64)
    finished = at[(fall < DAY_POINTS) & begun & (above <= 5.0)]
    stalled = at[(fall < STUCK_PER_DAY) & (fall > -1.0) & begun & (above > 5.0)]
    after = finished[0] if len(finished) else FOR_EVER_MS
    stalled = stalled[stalled < after]  # after its end a ferment is sweetened, not stalled
    refermenting = at[(fall > 0.25) & (at > after + MS_PER_DAY)]
    return _told(finished=finished.tolist(), stalled=stalled.tolist(), refermenting=refermenting.tolist())
