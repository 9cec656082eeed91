"""The daily digest: every open batch in a few words, at an hour of the day by the clock on the wall. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Any, Final

from monitor.cellar.shown import UnitSystem, show_temperature
from monitor.ferment.emission import Severity
from monitor.notify.notice import LONGEST_BODY, LONGEST_TITLE, Notice, plain
from monitor.notify.routing import QuietHours
from monitor.units import MS_PER_HOUR, MS_PER_SECOND, datetime_from_ms, ms_from_datetime, ms_from_rfc3339

LATEST_MS: Final = 6 * MS_PER_HOUR
"""A digest that could not go out for so long, quiet hours apart, is left to the next day."""

_PHASES: Final = {
    "unknown": "nothing can be said of it yet",
    "lag": "has not begun",
    "active": "is fermenting",
    "slowing": "is slowing down",
    "finished": "has finished",
    "stalled": "has stalled",
    "refermenting": "FERMENTS AGAIN",
}


@dataclass(frozen=True, slots=True)
class DailyAt:
    """A moment of every day; each local date has exactly one, whatever summer time does to its hours."""

    at: time
    zone: tzinfo

    def last_ms(self, now_ms: int) -> int:
        """The latest such moment that is not after now."""
        today = datetime.fromtimestamp(now_ms / MS_PER_SECOND, self.zone).date()
        return max(at for at in self._around(today) if at <= now_ms)

    def next_ms(self, now_ms: int) -> int:
        """The next such moment after now."""
        today = datetime.fromtimestamp(now_ms / MS_PER_SECOND, self.zone).date()
        return min(at for at in self._around(today) if at > now_ms)

    def _around(self, today: date) -> list[int]:
        # an hour that the clock leaves out comes as late as it would have; one shown twice, the first time
        return [
            ms_from_datetime(datetime.combine(today + timedelta(days=days), self.at, self.zone))
            for days in (-2, -1, 0, 1, 2)
        ]


class Turn(StrEnum):
    """What to do about the digest now."""

    NOW = "it is due"
    SKIP = "a channel's first one is the next, and one that is very late is no news"
    SAID = "the one of today was told"


def turn_of(daily: DailyAt, said_ms: int, now_ms: int, quiet: QuietHours | None = None) -> Turn:
    """Whether the digest is due, when the last one told was that of `said_ms` (0: none ever).

    One that falls into a channel's quiet hours waits for their end, and is late only after that.
    """
    last_ms = daily.last_ms(now_ms)
    if said_ms >= last_ms:
        return Turn.SAID
    quiet_ends_ms = None if quiet is None else quiet.ends_ms(last_ms)
    could_ms = last_ms if quiet_ends_ms is None else quiet_ends_ms
    return Turn.SKIP if said_ms == 0 or now_ms - could_ms > LATEST_MS else Turn.NOW


def digest_notice(
    names: Mapping[str, str],
    standings: Mapping[str, Mapping[str, Any]],
    *,
    zone: tzinfo,
    now_ms: int,
    units: UnitSystem = UnitSystem.METRIC,
) -> Notice:
    """One notice of all open batches, those that need the maker first.

    `names` are the open batches by slug, `standings` where those stand that were looked at (see
    `monitor.batch.standing`).
    """
    looked = {slug: standings.get(slug) for slug in names}
    needy = [slug for slug, standing in looked.items() if standing and standing["alerts"]]
    order = [*needy, *(slug for slug in names if slug not in needy)]
    count = f"{len(names)} open batch" + ("" if len(names) == 1 else "es")
    wants = "nothing needs you" if not needy else f"{len(needy)} need{'s' if len(needy) == 1 else ''} you"
    day = datetime_from_ms(now_ms).astimezone(zone)
    lines = [_line(names[slug], looked[slug], zone, units) for slug in order]
    body = "\n\n".join(plain(line) for line in lines)
    title = f"{day:%A} {day.day} {day:%B}: {count}, {wants}"
    return Notice(title[:LONGEST_TITLE], body[:LONGEST_BODY], Severity.NOTE)


def _line(name: str, standing: Mapping[str, Any] | None, zone: tzinfo, units: UnitSystem) -> str:
    if standing is None:
        return f"{name}: nothing was heard of it yet."
    said = [_PHASES.get(standing["phase"], standing["phase"]), *_numbers(standing, units)]
    finish = _finish(standing, zone)
    alerts = [str(one["alert"]).replace("_", " ") for one in standing["alerts"]]
    needs = f" Open: {', '.join(alerts)}." if alerts else ""
    return f"{name}: {', '.join(said)}{finish}.{needs}"


def _numbers(standing: Mapping[str, Any], units: UnitSystem) -> list[str]:
    gravity_sg, fall = standing["gravity_sg"], standing["fall_points_per_day"]
    alcohol, warm_c = standing["alcohol_abv"], standing["temperature_c"]
    found = []
    if gravity_sg is not None:
        found.append(f"at {gravity_sg:.3f}")
    if fall is not None and abs(fall) >= 0.05:
        found.append(f"{'falling' if fall > 0 else 'rising'} {abs(fall):.1f} points a day")
    if alcohol is not None:
        found.append(f"{alcohol:.1f} % alcohol")
    if warm_c is not None:
        found.append(show_temperature(warm_c, units, both=False))
    return found


def _finish(standing: Mapping[str, Any], zone: tzinfo) -> str:
    ends: Sequence[str | None] = (standing["finish_at"]["p05"], standing["finish_at"]["p95"])
    if standing["phase"] not in ("lag", "active", "slowing") or None in ends:
        return ""
    days = [datetime_from_ms(ms_from_rfc3339(text)).astimezone(zone) for text in ends if text is not None]
    first, last = (f"{day.day} {day:%b}" for day in days)
    return f", should end {first}" if first == last else f", should end {first} to {last}"
