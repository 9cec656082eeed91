"""Numbers and times in words and units for people: pure, one place for every page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Final

from monitor.cellar.shown import UnitSystem, in_units
from monitor.ferment.emission import Interval, Phase
from monitor.units import (
    LB_KG,
    MS_PER_DAY,
    MS_PER_HOUR,
    MS_PER_MINUTE,
    US_GAL_L,
    datetime_from_ms,
    decimal,
    degrees,
    fahrenheit_from_celsius,
    rfc3339_from_ms,
)

UNKNOWN: Final = "–"
NARROW: Final = "\u00a0"
"""A space at which no line is broken, between a number and its unit."""
STEADY_POINTS_PER_DAY: Final = 0.25
"""Below what a float can tell from standing still in a day."""

OWN_SUBJECT: Final = ("too little",)
"""How reasons begin that do not speak of the batch."""
VAGUE_MS: Final = 45 * MS_PER_DAY
"""A range of days wider than this helps nobody."""


@dataclass(frozen=True, slots=True)
class Show:
    """How this reader wants to see numbers and times."""

    units: UnitSystem
    zone: tzinfo
    now_ms: int

    @property
    def us(self) -> bool:
        """Whether US units are spoken."""
        return self.units is UnitSystem.US

    def gravity(self, gravity_sg: float | None, places: int = 3) -> str:
        """Specific gravity: `1.043`."""
        return UNKNOWN if gravity_sg is None else decimal(gravity_sg, places)

    def gravity_range(self, low_sg: float | None, high_sg: float | None) -> str:
        """A range of specific gravity, one number where both round to the same."""
        low, high = self.gravity(low_sg), self.gravity(high_sg)
        return low if low == high else f"{low} to {high}"

    def points(self, points: float | None) -> str:
        """A difference of gravity in points: `4.1`, `−0.2`."""
        if points is None:
            return UNKNOWN
        # through text, so that a fall of -0.04 is shown as 0.0
        text = f"{points:.1f}"
        return text.removeprefix("-") if float(text) == 0 else text.replace("-", "−")

    def fall(self, points_per_day: float | None) -> str:
        """How fast the gravity falls, in words."""
        if points_per_day is None:
            return "no trend yet"
        if points_per_day < -STEADY_POINTS_PER_DAY:
            return f"rising {-points_per_day:.1f} points a day"
        if points_per_day < STEADY_POINTS_PER_DAY:
            return "standing still"
        return f"falling {points_per_day:.1f} points a day"

    def temperature(self, temperature_c: float | None) -> str:
        """`18.4 °C` or `65.1 °F`."""
        if temperature_c is None:
            return UNKNOWN
        if self.us:
            return f"{decimal(fahrenheit_from_celsius(temperature_c), 1)}{NARROW}°F"
        return f"{decimal(temperature_c, 1)}{NARROW}°C"

    def temperature_range(self, low_c: float, high_c: float) -> str:
        """`16 to 21 °C`."""
        if self.us:
            low, high = (degrees(fahrenheit_from_celsius(one)) for one in (low_c, high_c))
            return f"{low} to {high}{NARROW}°F"
        return f"{degrees(low_c)} to {degrees(high_c)}{NARROW}°C"

    def temperature_place(self, temperature_c: float | None, range_c: tuple[float, float] | None) -> str:
        """Where a temperature lies against the yeast's range, in words."""
        if temperature_c is None or range_c is None:
            return ""
        span = self.temperature_range(*range_c)
        if temperature_c < range_c[0]:
            return f"below the yeast’s {span}"
        if temperature_c > range_c[1]:
            return f"above the yeast’s {span}"
        return f"within the yeast’s {span}"

    def volume(self, volume_l: float | None) -> str:
        """`18.9 L` or `5.0 gal`."""
        if volume_l is None:
            return UNKNOWN
        return f"{volume_l / US_GAL_L:.2f} US gal" if self.us else f"{volume_l:.1f} L"

    def mass(self, mass_kg: float | None) -> str:
        """`2.49 kg` or `5.50 lb`."""
        if mass_kg is None:
            return UNKNOWN
        return f"{mass_kg / LB_KG:.2f} lb" if self.us else f"{mass_kg:.2f} kg"

    def percent(self, fraction: float | None) -> str:
        """A fraction in whole per cent; above 100 % is usual for a dry mead."""
        return UNKNOWN if fraction is None else f"{fraction * 100:.0f}{NARROW}%"

    def alcohol(self, abv_percent: float | None) -> str:
        """Alcohol by volume."""
        return UNKNOWN if abv_percent is None else f"{abv_percent:.1f}{NARROW}%"

    def local(self, time_ms: int) -> datetime:
        """The local time of a moment."""
        return datetime_from_ms(time_ms).astimezone(self.zone)

    def when(self, time_ms: int | None) -> str:
        """Local time: `Tue 3 Jun, 14:05`, with the year when it is another one."""
        return UNKNOWN if time_ms is None else f"{self.day(time_ms)}, {self.local(time_ms):%H:%M}"

    def day(self, time_ms: int | None) -> str:
        """Local date of a moment: `Tue 3 Jun`, with the year when it is another one."""
        return UNKNOWN if time_ms is None else self.date(self.local(time_ms).date())

    def date(self, day: date) -> str:
        """A date, which is the same in every zone: `Tue 3 Jun`, with the year when it is another one."""
        year = f" {day.year}" if day.year != self.local(self.now_ms).year else ""
        return f"{day:%a} {day.day} {day:%b}{year}"

    def utc(self, time_ms: int) -> str:
        """The same moment for machines: RFC 3339 in UTC."""
        return rfc3339_from_ms(time_ms)

    def form_time(self, time_ms: int) -> str:
        """Local time as a `datetime-local` field wants it."""
        return f"{self.local(time_ms):%Y-%m-%dT%H:%M}"

    def ago(self, time_ms: int | None) -> str:
        """How long ago, or how long until, in words."""
        if time_ms is None:
            return "never"
        span_ms = self.now_ms - time_ms
        if abs(span_ms) < MS_PER_MINUTE:
            return "just now"
        return f"{self.span(span_ms)} ago" if span_ms > 0 else f"in {self.span(-span_ms)}"

    def span(self, span_ms: float) -> str:
        """A length of time in its largest fitting unit."""
        if span_ms < 2 * MS_PER_HOUR:
            return _counted(span_ms / MS_PER_MINUTE, "minute")
        if span_ms < 2 * MS_PER_DAY:
            return _counted(span_ms / MS_PER_HOUR, "hour")
        return _counted(span_ms / MS_PER_DAY, "day")

    def sentence(self, reason: str) -> str:
        """A reason as a sentence: those that begin with a verb speak of the batch."""
        if reason.startswith(OWN_SUBJECT):
            reason = upper_first(reason)
        text = f"It {reason}" if reason[:1].islower() else reason
        return in_units(text, self.units).replace(" degC", f"{NARROW}°C").replace(" degF", f"{NARROW}°F")

    def days(self, early_ms: float | None, late_ms: float | None) -> str:
        """A range of days ahead: `Fri 5 to Sun 7 Jun`."""
        if early_ms is None or late_ms is None:
            return "cannot be told yet"
        if late_ms < self.now_ms:
            return "cannot be told now"
        first, last = self.local(int(early_ms)), self.local(int(late_ms))
        if late_ms - max(early_ms, self.now_ms) > VAGUE_MS:
            return f"not before {first:%a} {first.day} {first:%b}"
        if first.date() == last.date():
            return f"{first:%a} {first.day} {first:%b}"
        month = "" if (first.year, first.month) == (last.year, last.month) else f" {first:%b}"
        return f"{first:%a} {first.day}{month} to {last:%a} {last.day} {last:%b}"

    def finish(self, phase: Phase, finish_at_ms: Interval) -> str:
        """When a batch is done, in words: since when, or the days ahead, and on what condition."""
        if phase is Phase.FINISHED:
            since_ms = finish_at_ms.p50
            return "done" if since_ms is None else f"done since about {self.day(int(since_ms))}"
        if phase is Phase.REFERMENTING:
            return "cannot be told now"
        days = self.days(finish_at_ms.p05, finish_at_ms.p95)
        dated = bool(self.days_ahead(finish_at_ms.p05, finish_at_ms.p95))
        return f"{days} if it goes on" if phase is Phase.STALLED and dated else days

    def days_ahead(self, early_ms: float | None, late_ms: float | None) -> str:
        """How far ahead a range of days lies: `in 3 to 5 days`."""
        if early_ms is None or late_ms is None or late_ms < self.now_ms:
            return ""
        if late_ms - max(early_ms, self.now_ms) > VAGUE_MS:
            return "when exactly cannot be told yet"
        today = self.local(self.now_ms).date()
        first = max(0, (self.local(int(early_ms)).date() - today) // timedelta(days=1))
        last = (self.local(int(late_ms)).date() - today) // timedelta(days=1)
        if last == 0:
            return "today"
        return f"in {_counted(last, 'day')}" if first == last else f"in {first} to {last} days"


def upper_first(text: str) -> str:
    """A capital letter first and the rest, names above all, as it is."""
    return text[:1].upper() + text[1:]


def _counted(number: float, noun: str) -> str:
    whole = round(number)
    return f"{whole} {noun}" if whole == 1 else f"{whole} {noun}s"
