"""Times as people write them, to Unix milliseconds: which way of writing a column keeps to, and reading it.

Times without an offset are of a zone. Where the clocks go back an hour comes twice: the first is meant,
unless that would step back behind the row before. Where they go forward an hour does not exist: a fault.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

from monitor.errors import InputError
from monitor.replay.grid import Cell
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, ms_from_datetime

ISO: Final = "iso"
UNIX: Final[dict[str, float]] = {"unix": 1_000.0, "unix-ms": 1.0, "unix-us": 1e-3, "unix-ns": 1e-6}
ELAPSED: Final[dict[str, int]] = {"minutes": MS_PER_MINUTE, "hours": MS_PER_HOUR, "days": MS_PER_DAY}
"""Time gone since the pitch."""
SERIAL: Final = "serial"
"""Days since the end of 1899, as spreadsheets count."""
SERIAL_EPOCH: Final = datetime(1899, 12, 30)  # noqa: DTZ001  the zone is the column's

_DAYS: Final = (
    *("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d"),
    *("%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d %b %Y", "%d %B %Y", "%b %d %Y", "%B %d %Y"),
)
_CLOCKS: Final = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p", "")
FORMATS: Final = tuple(f"{day} {clock}".strip() for day in _DAYS for clock in _CLOCKS)
"""What is tried beside ISO 8601; a comma counts as a space."""

EARLIEST_MS: Final = ms_from_datetime(datetime(1980, 1, 1, tzinfo=UTC))
LATEST_MS: Final = ms_from_datetime(datetime(2200, 1, 1, tzinfo=UTC))
_SPACES: Final = re.compile(r"[\s,]+")
_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True)
class Style:
    """One way of writing times: `iso`, a key of `UNIX` or `ELAPSED`, `serial`, or a pattern of strptime."""

    name: str

    @property
    def elapsed(self) -> bool:
        """Whether it counts from the pitch."""
        return self.name in ELAPSED

    @property
    def zoned(self) -> bool:
        """Whether a zone matters."""
        return not self.elapsed and self.name not in UNIX

    @property
    def shown(self) -> str:
        """For people."""
        if self.elapsed:
            return f"{self.name} since the pitch"
        if self.name == ISO:
            return "year-month-day"
        if self.name in UNIX:
            return {"unix": "seconds", "unix-ms": "milliseconds", "unix-us": "microseconds"}.get(
                self.name, "nanoseconds"
            ) + " since 1970"
        return "spreadsheet days" if self.name == SERIAL else self.name


class Clock:
    """Reads the times of one column, in the order of its rows."""

    def __init__(self, style: Style, zone: ZoneInfo, pitched_ms: int | None = None) -> None:
        """InputError for a style that is none, or that counts from a pitch that is not known."""
        if style.elapsed and pitched_ms is None:
            raise InputError(f"times are {style.shown}", hint="Say when that was: --pitched TIME.")
        self._zone = zone
        self._parse = _parser(style, pitched_ms or 0)
        self._last_ms: int | None = None
        self._last: tuple[Cell, Cell | None] | None = None

    def read(self, cell: Cell, clock: Cell | None = None) -> int:
        """Unix milliseconds; `clock` is the time of day where that has a column of its own.

        ValueError, in words, for what is no time, does not exist in the zone, or is of no sensible year.
        """
        if self._last_ms is None or self._last != (cell, clock):  # several rows often share a time
            self._last_ms = self._fresh(cell, clock)
            self._last = (cell, clock)
        return self._last_ms

    def _fresh(self, cell: Cell, clock: Cell | None) -> int:
        try:
            moment = self._parse(cell if clock is None else _joined(cell, clock))
        except (ValueError, OverflowError, TypeError):
            shown = str(cell) if clock is None else f"{cell} {clock}"
            raise ValueError(f"{shown[:40]!r} is no time of this kind") from None
        at_ms = self._placed(moment) if isinstance(moment, datetime) else moment
        if not EARLIEST_MS <= at_ms <= LATEST_MS:
            raise ValueError(f"{str(cell)[:40]!r} would be outside the years 1980 to 2200")
        return at_ms

    def _placed(self, moment: datetime) -> int:
        if moment.tzinfo is not None:
            return ms_from_datetime(moment)
        early = moment.replace(tzinfo=self._zone)
        early_ms = ms_from_datetime(early)
        if early.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None, fold=0) != moment:
            raise ValueError(f"{moment.isoformat(' ')} does not exist: the clocks went forward")
        late_ms = ms_from_datetime(early.replace(fold=1))
        back = late_ms > early_ms and self._last_ms is not None
        return late_ms if back and early_ms < (self._last_ms or 0) <= late_ms + MS_PER_HOUR else early_ms


def zone_of(name: str) -> ZoneInfo:
    """The zone of an IANA name; InputError where there is none."""
    try:
        return ZoneInfo(name)
    except (OSError, ValueError):  # ZoneInfoNotFoundError is a KeyError
        pass
    except KeyError:
        pass
    raise InputError(f"there is no time zone {name!r}", hint="Use an IANA name such as Europe/Dublin or UTC.")


def guessed(cells: Sequence[Cell], clocks: Sequence[Cell] | None = None) -> Style | None:
    """How the times of a column are written, from its first cells; None where no way fits most of them.

    Where the day and the month could be either, the reading that makes the shorter stretch of time is taken.
    """
    whole: list[Cell] = (
        [*cells] if clocks is None else [_joined(a, b) for a, b in zip(cells, clocks, strict=True)]
    )
    filled = [cell for cell in whole if cell != ""]
    if not filled:
        return None
    fitting: list[tuple[float, int, Style]] = []
    for order, name in enumerate((ISO, *UNIX, SERIAL, *FORMATS)):
        parse = _parser(Style(name))
        found = [moment for cell in filled if (moment := _tried(parse, cell)) is not None]
        if len(found) >= 0.7 * len(filled):
            fitting.append((_wandering(found), order, Style(name)))
    return min(fitting, key=lambda each: each[:2])[2] if fitting else None


def is_time_of_day(cells: Iterable[Cell]) -> bool:
    """Whether a column holds nothing but times of day."""
    filled = [cell for cell in cells if cell != ""]
    return bool(filled) and all(
        isinstance(cell, time | timedelta)
        or (isinstance(cell, str) and re.fullmatch(r"\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?(\s*[AaPp][Mm])?", cell))
        for cell in filled
    )


def _tried(parse: Callable[[Cell], datetime | int], cell: Cell) -> int | None:
    try:
        moment = parse(cell)
        at_ms = (
            ms_from_datetime(moment.replace(tzinfo=moment.tzinfo or UTC))
            if isinstance(moment, datetime)
            else moment
        )
    except (ValueError, OverflowError, TypeError):
        return None
    return at_ms if EARLIEST_MS <= at_ms <= LATEST_MS else None


def _wandering(times_ms: Sequence[int]) -> float:
    """How far the column goes to and fro, in days, so that the wrong order of day and month stands out."""
    return float(sum(abs(b - a) for a, b in pairwise(times_ms))) / MS_PER_DAY


def _parser(style: Style, pitched_ms: int = 0) -> Callable[[Cell], datetime | int]:
    if style.name == ISO:
        return _iso
    if style.name in UNIX:
        scale = UNIX[style.name]
        return lambda cell: round(_number(cell) * scale)
    if style.elapsed:
        unit_ms = ELAPSED[style.name]
        return lambda cell: pitched_ms + round(_number(cell) * unit_ms)
    if style.name == SERIAL:
        return lambda cell: SERIAL_EPOCH + timedelta(days=_serial(cell))
    if "%" not in style.name:
        allowed = ", ".join((ISO, *UNIX, *ELAPSED, SERIAL))
        raise InputError(
            f"{style.name!r} is no way of writing times",
            hint=f"Use {allowed}, or a pattern such as '%d.%m.%Y %H:%M'.",
        )
    pattern = style.name

    def by_pattern(cell: Cell) -> datetime:
        if not isinstance(cell, str):
            raise ValueError("no text")
        text = _SPACES.sub(" ", cell)
        return datetime.strptime(text, pattern)  # noqa: DTZ007  the zone is the column's

    return by_pattern


def _iso(cell: Cell) -> datetime:
    if isinstance(cell, datetime):
        return cell
    if isinstance(cell, date):
        return datetime.combine(cell, time())
    if not isinstance(cell, str) or "-" not in cell:
        raise ValueError("no text with hyphens")
    return datetime.fromisoformat(cell)


def _number(cell: Cell) -> float:
    if isinstance(cell, bool) or not isinstance(cell, str | float | int):
        raise ValueError("no number")
    if isinstance(cell, str):
        if not _NUMBER.fullmatch(cell):
            raise ValueError("no number")
        return float(cell.replace(",", "."))
    return float(cell)


def _serial(cell: Cell) -> float:
    days = _number(cell)
    if not 29_000 <= days <= 110_000:
        raise ValueError("no day of this century")
    return days


def _joined(day: Cell, clock: Cell) -> Cell:
    """A day and a time of day as one."""
    if isinstance(day, datetime):
        day = day.date()
    if isinstance(day, date):
        if isinstance(clock, timedelta):
            return datetime.combine(day, time()) + clock
        if isinstance(clock, datetime):
            clock = clock.time()
        if isinstance(clock, time):
            return datetime.combine(day, clock)
        day = day.isoformat()
    return f"{day} {clock}".strip()
