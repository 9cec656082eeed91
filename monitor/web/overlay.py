"""Batches of one recipe laid over each other from pitching: an inline drawing, and what differed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from monitor.units import MS_PER_DAY
from monitor.web import words
from monitor.web.gather import Standing
from monitor.web.show import UNKNOWN, Show
from monitor.web.view import BatchView

Curve = tuple[tuple[int, float], ...]
"""Times in ms and gravities, the oldest first."""
MOST: Final = 6
DASHES: Final = ("", "9 5", "2 4", "14 4 2 4", "5 3", "1 7")
"""Lines differ by stroke and by the number at their end, never by colour alone."""


@dataclass(frozen=True, slots=True)
class Box:
    """The size of a drawing, and of its margins."""

    name: str
    width: float
    height: float
    left: float
    right: float
    top: float = 10.0
    bottom: float = 34.0
    most_days: int = 9
    """Ticks along the days."""

    @property
    def inner_right(self) -> float:
        """Where the grid ends."""
        return self.width - self.right

    @property
    def inner_bottom(self) -> float:
        """Where the grid ends below."""
        return self.height - self.bottom


WIDE: Final = Box("wide-only", 1000.0, 380.0, 64.0, 44.0)
NARROW: Final = Box("narrow-only", 340.0, 300.0, 48.0, 26.0, most_days=5)
"""For a phone: letters of the same size on a drawing of its width."""


@dataclass(frozen=True, slots=True)
class Line:
    """One batch's line."""

    number: int
    name: str
    dash: str
    points: str
    end: tuple[float, float]
    dots: tuple[tuple[float, float], ...] = ()
    """Hand samples, of a batch that no float has told of; drawn instead of the line."""


@dataclass(frozen=True, slots=True)
class Overlay:
    """The drawing: lines, and ticks with their places and labels."""

    box: Box
    lines: tuple[Line, ...]
    gravity_ticks: tuple[tuple[float, str], ...]
    day_ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; `differs` where the batches do not agree."""

    label: str
    values: tuple[str, ...]
    differs: bool


def overlay(
    batches: Sequence[BatchView], box: Box = WIDE, samples: Mapping[str, Curve] = MappingProxyType({})
) -> Overlay:
    """Curves from pitching; a batch that has neither one nor hand samples is left out but keeps its number.

    `samples` are hand samples by batch: they are drawn where there is no curve.
    """
    drawn = [
        (number, batch, curve)
        for number, batch in enumerate(batches, 1)
        if (curve := batch.curve if has_curve(batch) else samples.get(batch.slug, ()))
    ]
    if not drawn:
        return Overlay(box, (), (), ())
    days = max((curve[-1][0] - b.pitched_ms) / MS_PER_DAY for _, b, curve in drawn)
    values = [value for _, _, curve in drawn for _, value in curve]
    step = 0.01 if max(values) - min(values) < 0.07 else 0.02
    low, high = math.floor(min(values) / step) * step, math.ceil(max(values) / step) * step
    high = max(high, low + step)
    day_step = next((s for s in (1, 2, 5, 7, 14, 28, 56) if days / s <= box.most_days), 112)

    def x(day: float) -> float:
        return round(box.left + day / max(days, 0.5) * (box.inner_right - box.left), 1)

    def y(value: float) -> float:
        return round(box.top + (high - value) / (high - low) * (box.inner_bottom - box.top), 1)

    lines = []
    for number, batch, curve in drawn:
        places = [(x((t - batch.pitched_ms) / MS_PER_DAY), y(v)) for t, v in curve]
        points = " ".join(f"{px},{py}" for px, py in places)
        dots = () if has_curve(batch) else tuple(places)
        lines.append(Line(number, batch.name, DASHES[(number - 1) % len(DASHES)], points, places[-1], dots))
    count = round((high - low) / step)
    return Overlay(
        box,
        tuple(_apart(lines)),
        tuple((y(low + i * step), f"{low + i * step:.3f}") for i in range(count + 1)),
        tuple((x(day), str(day)) for day in range(0, int(days) + 1, day_step)),
    )


def has_curve(batch: BatchView) -> bool:
    """Whether a float has told enough of it for a line."""
    return len(batch.curve) > 1


def _apart(lines: list[Line]) -> list[Line]:
    """Numbers at the ends of lines moved so that they can be told from each other."""
    placed: list[Line] = []
    for line in sorted(lines, key=lambda one: one.end[1]):
        x, y = line.end
        for other in placed:
            if abs(other.end[0] - x) < 30 and y - other.end[1] < 17:
                y = other.end[1] + 17
        placed.append(replace(line, end=(x, y)))
    return sorted(placed, key=lambda one: one.number)


def table(stands: Sequence[Standing], batches: Sequence[BatchView], show: Show) -> tuple[Row, ...]:
    """What the batches had in common and in what they differed."""
    pairs = list(zip(stands, batches, strict=True))

    def row(label: str, tell: Callable[[Standing, BatchView], str]) -> Row:
        values = tuple(tell(stand, batch) or UNKNOWN for stand, batch in pairs)
        return Row(label, values, len(set(values)) > 1)

    return (
        row("Pitched", lambda s, b: show.day(b.pitched_ms)),
        row("Original gravity", lambda s, b: show.gravity(b.original_gravity_sg)),
        row("Gravity now, or at the end", lambda s, b: show.gravity(b.gravity_sg)),
        row("Alcohol", lambda s, b: show.alcohol(b.alcohol_percent)),
        row("Attenuation", lambda s, b: show.percent(b.attenuation)),
        row("Days to half of the fall", lambda s, b: _half(b)),
        row("Volume", lambda s, b: show.volume(b.volume_l)),
        row("Must", lambda s, b: str(s.sheet.must.kind or "")),
        row("Yeast’s range", lambda s, b: show.temperature_range(*b.yeast_c) if b.yeast_c else ""),
        row("pH", lambda s, b: "" if s.sheet.sample_ph is None else f"{s.sheet.sample_ph:.2f}"),
        row("Things done", lambda s, b: _deeds(s)),
    )


def _half(batch: BatchView) -> str:
    if len(batch.curve) < 3:
        return ""
    first, last = batch.curve[0][1], batch.curve[-1][1]
    if first - last < 0.005:
        return ""
    middle = (first + last) / 2
    at_ms = next(time_ms for time_ms, value in batch.curve if value <= middle)
    return f"{(at_ms - batch.pitched_ms) / MS_PER_DAY:.1f}"


def _deeds(stand: Standing) -> str:
    begun = stand.sheet.pitched_ms
    return "; ".join(
        f"{words.DEED[entry.kind].lower()} on day {(entry.done_ms - begun) / MS_PER_DAY:.0f}"
        for entry in stand.journal
        if entry.kind != "note"
    )
