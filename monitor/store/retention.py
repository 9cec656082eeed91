"""What becomes of raw readings when they are old: the hourly mean stays for good, in their place.

An hour of one series becomes one reading: the mean value at the mean time, in the row that came last. So
charts, exports and replays of a thinned batch go on as before, on hourly means, which is what the curves
are fitted to anyway. Kept raw are open batches, hand samples, times that are not believed, and whatever
the policy does not name. No position is freed that could be given out again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from sqlalchemy import Connection, bindparam, delete, func, select, update

from monitor.batch.sheet import HAND_PREFIX
from monitor.ferment.skew import TimeFlag
from monitor.store.batches import LEAD_MS
from monitor.store.changes import SqlChanges
from monitor.store.gate import Gate
from monitor.store.schema import batch_sensors, batches, readings, series
from monitor.store.values import FLAG_NUMBER
from monitor.units import MS_PER_DAY, MS_PER_HOUR

_log = logging.getLogger(__name__)

EVERY_MS: Final = MS_PER_DAY
_OVERLAP_MS: Final = 2 * MS_PER_DAY
"""So far back of the last run it looks again: for what was in doubt then."""
_WINDOW_MS: Final = 30 * MS_PER_DAY
"""One transaction thins so much of one series: writers wait for a moment only."""
_EVER: Final = 2**53


@dataclass(frozen=True, slots=True)
class RetentionPolicy:
    """After how many days raw readings become hourly means; None keeps them for ever."""

    keep_raw_days: int | None = None
    """Of readings that stand in no batch, from their arrival."""
    keep_raw_days_of_ended: int | None = None
    """Of readings of a batch, from its end."""

    @property
    def asks(self) -> bool:
        """Whether anything is ever thinned."""
        return self.keep_raw_days is not None or self.keep_raw_days_of_ended is not None

    @property
    def mark(self) -> str:
        """Under which the time of the last run is kept: another policy begins anew."""
        return f"thinned:{self.keep_raw_days}:{self.keep_raw_days_of_ended}"


@dataclass(frozen=True, slots=True)
class Span:
    """A batch's hold on the readings of a sensor, by their arrival."""

    from_ms: int
    to_ms: int
    ended_ms: int | None


@dataclass(frozen=True, slots=True)
class ThinnedOut:
    """What one run did."""

    hours: int
    removed: int
    whole: bool
    """False where it was stopped on the way; it begins again then."""


class SqlRetention:
    """Thins old readings in the database itself."""

    def __init__(self, gate: Gate, changes: SqlChanges) -> None:
        """The time of the last run is kept among the marks of `changes`."""
        self._gate = gate
        self._changes = changes
        inside = (
            readings.c.series_id == bindparam("of"),
            readings.c.time_ms >= bindparam("hour"),
            readings.c.time_ms < bindparam("hour") + MS_PER_HOUR,
        )
        self._others = delete(readings).where(*inside, readings.c.position != bindparam("keep"))
        self._mean = (
            update(readings)
            .where(readings.c.position == bindparam("keep"))
            .values(time_ms=bindparam("mean_ms"), value=bindparam("mean"))
        )

    def due(self, policy: RetentionPolicy, now_ms: int) -> bool:
        """Whether a day has passed since the last whole run under this policy."""
        return policy.asks and now_ms - self._changes.mark(policy.mark) >= EVERY_MS

    def thin(
        self,
        policy: RetentionPolicy,
        *,
        now_ms: int,
        upto: int | None = None,
        going: Callable[[], bool] = lambda: True,
    ) -> ThinnedOut:
        """Thin what has become old since the last run, one short transaction after the other.

        `upto` is the last position that may be touched, where what comes after it is still to be
        forwarded. StoreUnavailableError leaves the rest for the next run.
        """
        since_ms = self._changes.mark(policy.mark) - _OVERLAP_MS
        hours = removed = 0
        for number, from_ms, to_ms in self._old(policy, since_ms, now_ms):
            for window_ms in self._windows(number, from_ms, to_ms):
                if not going():
                    return ThinnedOut(hours, removed, whole=False)
                with self._gate.writing() as connection:
                    more, gone = self._thin_window(connection, number, window_ms, (from_ms, to_ms), upto)
                hours, removed = hours + more, removed + gone
        self._changes.set_mark(policy.mark, now_ms)
        if removed:
            _log.info("%d raw readings became %d hourly means", removed + hours, hours)
        return ThinnedOut(hours, removed, whole=True)

    def _old(self, policy: RetentionPolicy, since_ms: int, now_ms: int) -> Iterator[tuple[int, int, int]]:
        """Numbers of series with stretches of arrival, the end not included, that became old since."""
        with self._gate.reading() as connection:
            numbered = connection.execute(
                select(series.c.id, series.c.sensor, series.c.first_received_ms, series.c.last_received_ms)
                .where(~series.c.sensor.startswith(HAND_PREFIX, autoescape=True))
                .order_by(series.c.id)
            ).all()
            spans = _spans(connection)
        for number, sensor, first_ms, last_ms in numbered:
            for from_ms, to_ms in stretches(spans.get(sensor, []), policy, since_ms, now_ms):
                if from_ms <= last_ms and to_ms > first_ms:
                    yield number, from_ms, to_ms

    def _windows(self, number: int, from_ms: int, to_ms: int) -> list[int]:
        query = select(func.min(readings.c.time_ms), func.max(readings.c.time_ms)).where(
            readings.c.series_id == number, *_arrived(from_ms, to_ms), *_believed()
        )
        with self._gate.reading() as connection:
            first, last = connection.execute(query).one()
        if first is None:
            return []
        return list(range(first // MS_PER_HOUR * MS_PER_HOUR, last + 1, _WINDOW_MS))

    def _thin_window(
        self, connection: Connection, number: int, window_ms: int, arrival: tuple[int, int], upto: int | None
    ) -> tuple[int, int]:
        hour = (readings.c.time_ms // MS_PER_HOUR).label("hour")
        least, greatest = func.min(readings.c.received_ms), func.max(readings.c.received_ms)
        keep = func.max(readings.c.position)
        whole = (
            select(
                hour,
                keep.label("keep"),
                func.avg(readings.c.time_ms).label("mean_ms"),
                func.avg(readings.c.value).label("mean"),
                func.count().label("count"),
            )
            .where(
                readings.c.series_id == number,
                readings.c.time_ms >= window_ms,
                readings.c.time_ms < window_ms + _WINDOW_MS,
            )
            .group_by("hour")
            # an hour of which a part must stay is left alone as a whole
            .having(func.count() > 1, func.max(readings.c.flag) == FLAG_NUMBER[TimeFlag.OK])
            .having(least >= arrival[0], greatest < arrival[1], keep <= (_EVER if upto is None else upto))
        )
        rows = [
            {
                "of": number,
                "hour": int(row.hour) * MS_PER_HOUR,
                "keep": row.keep,
                "mean_ms": round(row.mean_ms),
                "mean": float(row.mean),
                "count": row.count,
            }
            for row in connection.execute(whole)
        ]
        if not rows:
            return 0, 0
        named = [{name: row[name] for name in ("of", "hour", "keep")} for row in rows]
        connection.execute(self._others, named)
        connection.execute(
            self._mean, [{name: row[name] for name in ("keep", "mean_ms", "mean")} for row in rows]
        )
        return len(rows), sum(row["count"] - 1 for row in rows)


def stretches(held: list[Span], policy: RetentionPolicy, since_ms: int, now_ms: int) -> list[tuple[int, int]]:
    """Stretches of arrival in which readings of a sensor became old since a time; the ends not included."""
    loose, ended = policy.keep_raw_days, policy.keep_raw_days_of_ended
    free_ms = None if loose is None else now_ms - loose * MS_PER_DAY
    fresh_ms = None if loose is None else since_ms - loose * MS_PER_DAY
    edges = {-_EVER, _EVER, *(edge for span in held for edge in (span.from_ms, span.to_ms))}
    edges |= {edge for edge in (free_ms, fresh_ms) if edge is not None}
    found: list[tuple[int, int]] = []
    for from_ms, to_ms in pairwise(sorted(edges)):
        over = [span for span in held if span.from_ms <= from_ms and to_ms <= span.to_ms]
        if over:
            old = [
                span.ended_ms is not None
                and ended is not None
                and span.ended_ms < now_ms - ended * MS_PER_DAY
                for span in over
            ]
            # it became old with the last of the batches that hold it
            news = any(
                span.ended_ms is not None
                and ended is not None
                and span.ended_ms >= since_ms - ended * MS_PER_DAY
                for span in over
            )
            take = all(old) and news
        else:
            take = free_ms is not None and fresh_ms is not None and fresh_ms <= from_ms and to_ms <= free_ms
        if take and found and found[-1][1] == from_ms:
            found[-1] = (found[-1][0], to_ms)  # no hour is cut in two where it need not be
        elif take:
            found.append((from_ms, to_ms))
    return found


def _spans(connection: Connection) -> dict[str, list[Span]]:
    query = select(batch_sensors.c.sensor, batches.c.slug, batches.c.pitched_ms, batches.c.ended_ms).join(
        batches, batches.c.slug == batch_sensors.c.batch
    )
    found: dict[str, list[Span]] = {}
    for row in connection.execute(query.distinct()):
        to_ms = _EVER if row.ended_ms is None else row.ended_ms + 1
        found.setdefault(row.sensor, []).append(Span(row.pitched_ms - LEAD_MS, to_ms, row.ended_ms))
    return found


def _arrived(from_ms: int, to_ms: int) -> tuple[Any, ...]:
    return readings.c.received_ms >= from_ms, readings.c.received_ms < to_ms


def _believed() -> tuple[Any, ...]:
    return (readings.c.flag == FLAG_NUMBER[TimeFlag.OK],)
