"""Scores of many ferments as one table, each row with the aim it is held to."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from monitor.ferment.score import ForecastScore, Score


@dataclass(frozen=True, slots=True)
class Line:
    """One figure over many ferments: `value` is None where no ferment could be judged by it."""

    name: str
    value: float | None
    unit: str
    count: int
    """Ferments (or forecasts) that the figure is of."""
    aim: str = ""
    met: bool | None = None


@dataclass(frozen=True, slots=True)
class _Aim:
    low: float = -math.inf
    high: float = math.inf

    def __str__(self) -> str:
        if self.low == -math.inf:
            return f"<= {self.high:g}"
        return f">= {self.low:g}" if self.high == math.inf else f"{self.low:g} to {self.high:g}"


def _line(name: str, value: float | None, unit: str, count: int, aim: _Aim | None) -> Line:
    if aim is None or value is None:
        return Line(name, value, unit, count, "" if aim is None else str(aim))
    return Line(name, value, unit, count, str(aim), aim.low <= value <= aim.high)


def _share(name: str, flags: Iterable[bool | None], aim: _Aim | None) -> Line:
    known = [flag for flag in flags if flag is not None]
    value = 100.0 * sum(known) / len(known) if known else None
    return _line(name, value, "%", len(known), aim)


def _quantile(name: str, unit: str, values: Iterable[float | None], level: float, aim: _Aim | None) -> Line:
    known = sorted(value for value in values if value is not None)
    if not known:
        return _line(name, None, unit, 0, aim)
    place = level * (len(known) - 1)
    below = int(place)
    above = min(below + 1, len(known) - 1)
    value = known[below] + (known[above] - known[below]) * (place - below)
    return _line(name, value, unit, len(known), aim)


def table(scores: Sequence[Score]) -> tuple[Line, ...]:
    """The table of a set of ferments; its aims are those the project holds itself to."""

    def share(name: str, flag: Callable[[Score], bool | None], aim: _Aim) -> Line:
        return _share(name, map(flag, scores), aim)

    def middle(
        name: str, unit: str, value: Callable[[Score], float | None], aim: _Aim, level: float = 0.5
    ) -> Line:
        return _quantile(name, unit, map(value, scores), level, aim)

    lines = [
        share("finished: right, within 48 h", lambda s: s.finished.right, _Aim(low=75.0)),
        share("finished: premature", lambda s: s.finished.premature, _Aim(high=3.0)),
        share("finished: told in a stall", lambda s: s.finished.in_stall, _Aim(high=2.0)),
        share("finished: not told in 6 days", lambda s: s.finished.never, _Aim(high=1.0)),
        middle("finished: delay, median", "h", lambda s: s.finished.delay_h, _Aim(high=36.0)),
        middle("finished: delay, 90th percentile", "h", lambda s: s.finished.delay_h, _Aim(high=72.0), 0.9),
        share("stalled: found", lambda s: s.stall.found, _Aim(low=95.0)),
        middle("stalled: delay, median", "h", lambda s: s.stall.cost, _Aim(high=24.0)),
        share("stalled: told where none is", lambda s: s.stall.wrong, _Aim(high=2.0)),
        share("refermenting: found", lambda s: s.restart.found, _Aim(low=95.0)),
        middle("refermenting: lost, median", "points", lambda s: s.restart.cost, _Aim(high=1.5)),
        share("refermenting: told on a stable one", lambda s: s.restart.wrong, _Aim(high=3.0)),
        share("sensor silent: found", lambda s: s.silent.found, _Aim(low=100.0)),
        share("sensor silent: told wrongly", lambda s: s.silent.wrong, _Aim(high=0.0)),
        share("temperature out of range: found", lambda s: s.temperature.found, _Aim(low=95.0)),
        share("temperature out of range: told wrongly", lambda s: s.temperature.wrong, _Aim(high=1.0)),
    ]
    half = [s.at_half for s in scores if s.at_half is not None]
    later = [s.at_three_quarters for s in scores if s.at_three_quarters is not None]
    return (*lines, *_forecasts(half, "50 %", 1.2, 6.0, 36.0), *_forecasts(later, "75 %", 0.8, 5.0, 24.0))


def _forecasts(
    scores: Sequence[ForecastScore], mark: str, error: float, width: float, hours: float
) -> tuple[Line, ...]:
    cover = _Aim(85.0, 95.0)
    name = f"at {mark} of the drop:"
    given = [score.gravity_error_points is not None for score in scores]
    return (
        _share(f"{name} forecast given", given, None),
        _quantile(
            f"{name} final gravity, median error", "points", (s.gravity_error_points for s in scores), 0.5,
            _Aim(high=error),
        ),
        _share(f"{name} final gravity, 90 % interval covers", (s.gravity_covers for s in scores), cover),
        _quantile(
            f"{name} final gravity, interval's median width", "points",
            (s.gravity_width_points for s in scores), 0.5, _Aim(high=width),
        ),
        _quantile(f"{name} finishing time, median error", "h", (s.time_error_h for s in scores), 0.5,
                  _Aim(high=hours)),
        _share(f"{name} finishing time, 90 % interval covers", (s.time_covers for s in scores), cover),
    )  # fmt: skip


def shown(lines: Sequence[Line]) -> list[tuple[str, str, str, str, str]]:
    """Cells for a table: what, value with unit, aim, whether met, how many ferments."""
    rows = []
    for line in lines:
        value = "not judged" if line.value is None else f"{line.value:.3g} {line.unit}"
        met = "" if line.met is None else ("yes" if line.met else "no")
        rows.append((line.name, value, line.aim, met, str(line.count)))
    return rows
