"""The two small drawings of the list: a ruler of gravity, and the curve so far. Pure geometry."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from monitor.units import POINTS_PER_SG
from monitor.web.view import BatchView

DRY_SG: Final = 0.990
CURVE_WIDTH: Final = 200.0
CURVE_HEIGHT: Final = 48.0
_MARGIN: Final = 3.0


@dataclass(frozen=True, slots=True)
class Scale:
    """One scale for all rulers of a page, so that batches can be compared: from sweet to dry."""

    sweet_sg: float
    dry_sg: float

    def percent(self, gravity_sg: float) -> float:
        """How far along the ruler a gravity lies, in per cent of its length."""
        share = (self.sweet_sg - gravity_sg) / (self.sweet_sg - self.dry_sg)
        return round(100.0 * min(1.0, max(0.0, share)), 2)

    @property
    def ticks(self) -> tuple[tuple[float, str], ...]:
        """Place and label of each tick, eight at the most: on a phone more would run into one another."""
        span_points = (self.sweet_sg - self.dry_sg) * POINTS_PER_SG
        step = next(step for step in (10, 20, 50) if span_points <= 7 * step or step == 50)
        first = math.ceil(round(self.dry_sg * POINTS_PER_SG, 6) / step) * step
        last = round(self.sweet_sg * POINTS_PER_SG)
        return tuple(
            (self.percent(points / POINTS_PER_SG), f"{points / POINTS_PER_SG:.3f}")
            for points in range(last - last % step, first - 1, -step)
        )


def common_scale(batches: Iterable[BatchView]) -> Scale:
    """A scale that holds every batch: its original gravity, where it is and where it is going."""
    seen = [1.050, DRY_SG]
    for batch in batches:
        values = (
            batch.original_gravity_sg,
            batch.gravity_sg,
            batch.final_gravity_sg.p05,
            batch.final_gravity_sg.p95,
        )
        seen += [value for value in values if value is not None]
    sweet = math.ceil(round(max(seen) * 100, 4)) / 100
    dry = math.floor(round(min(seen) * 100, 4)) / 100
    return Scale(sweet, dry)


@dataclass(frozen=True, slots=True)
class Ruler:
    """Where on the scale, in per cent, a batch began, is, and is expected to end; None where unknown."""

    begun: float | None
    now: float | None
    end: tuple[float, float] | None

    @classmethod
    def of(cls, batch: BatchView, scale: Scale) -> Ruler:
        """The ruler of one batch."""
        low, high = batch.final_gravity_sg.p05, batch.final_gravity_sg.p95
        return cls(
            begun=None if batch.original_gravity_sg is None else scale.percent(batch.original_gravity_sg),
            now=None if batch.gravity_sg is None else scale.percent(batch.gravity_sg),
            end=None if low is None or high is None else (scale.percent(high), scale.percent(low)),
        )


def curve_points(curve: tuple[tuple[int, float], ...]) -> str:
    """The points of an SVG polyline in a box of 200 by 48; empty for fewer than two points."""
    if len(curve) < 2:
        return ""
    times = [time_ms for time_ms, _ in curve]
    values = [value for _, value in curve]
    first_ms, span_ms = times[0], max(1, times[-1] - times[0])
    top = max(values)
    # at least 5 points high, so that the noise of a still mead does not look like a ferment
    height = max(0.005, top - min(values))
    usable = CURVE_HEIGHT - 2 * _MARGIN
    return " ".join(
        f"{(time_ms - first_ms) / span_ms * CURVE_WIDTH:.1f},{_MARGIN + (top - value) / height * usable:.1f}"
        for time_ms, value in curve
    )
