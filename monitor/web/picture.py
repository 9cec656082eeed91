"""The chart of a batch as a picture, for readers without script, for paper and for notices."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Sequence
from io import BytesIO
from itertools import zip_longest
from typing import TYPE_CHECKING, Final

from monitor.units import MS_PER_DAY, fahrenheit_from_celsius
from monitor.web.course import ChartView, Mark
from monitor.web.show import Show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DPI: Final = 110
LABEL_SHARE: Final = 0.018
"""A line of text, standing upright, takes this share of the picture's width."""
INK, QUIET, LINE, FAINT = "#18221d", "#53615a", "#cdd6d0", "#e4eae5"
ACCENT, PLUM, HAND, RAW, WARM = "#17594a", "#6a3562", "#a32410", "#8c9a92", "#9a5b12"
_DRAWING: Final = threading.Lock()
"""matplotlib's font cache is not made for several threads."""


def picture_png(view: ChartView, show: Show, width_px: int, height_px: int) -> bytes:
    """The chart as PNG, on white."""
    out = BytesIO()
    with _DRAWING:
        figure = drawn(view, show, width_px, height_px)
        figure.savefig(out, format="png", metadata={"Software": "carboyd"})
    return out.getvalue()


def drawn(view: ChartView, show: Show, width_px: int, height_px: int) -> Figure:
    """The chart with its panels, their lines and keys, before it becomes a file; for one thread at a time."""
    from matplotlib.figure import Figure  # slow to import, and seldom needed

    figure = Figure(figsize=(width_px / DPI, height_px / DPI), dpi=DPI, layout="constrained")
    warm = bool(view.temperature.time_ms)  # without one its panel is left out
    rows = figure.subplots(1 + warm, 1, sharex=True, squeeze=False, height_ratios=(3, 1)[: 1 + warm])
    top, bottom = rows[0, 0], rows[-1, 0]
    _gravity(top, view)
    if warm:
        _temperature(bottom, view, show)
    for axes in rows[:, 0]:
        axes.grid(color=FAINT, linewidth=0.8)
        axes.set_axisbelow(True)
        axes.tick_params(colors=QUIET, length=0, labelsize=9)
        axes.spines[:].set_visible(False)
    bottom.set_xlim(_day(view.from_ms), _day(view.to_ms))
    _dates(bottom, show)
    return figure


def _gravity(axes: Axes, view: ChartView) -> None:
    raw, level, fit, samples = view.raw, view.level, view.fit, view.samples
    if raw.time_ms:
        axes.vlines(_days(raw.time_ms), raw.low_sg, raw.high_sg, color=RAW, linewidth=1.0, label="readings")
    if fit.time_ms:
        times = _days(fit.time_ms)
        axes.fill_between(
            times, _floats(fit.low_sg), _floats(fit.high_sg), color=PLUM, alpha=0.16, linewidth=0
        )
        axes.plot(
            times,
            _floats(fit.sg),
            color=PLUM,
            linewidth=1.6,
            linestyle=(0, (5, 3)),
            label="curve, 9 times in 10",
        )
    if level.time_ms:
        axes.plot(_days(level.time_ms), _floats(level.sg), color=ACCENT, linewidth=2.0, label="level")
    if samples.time_ms:
        axes.plot(
            _days(samples.time_ms), samples.sg, "D", color="white", markeredgecolor=HAND,
            markeredgewidth=1.8, markersize=7, label="hand sample",
        )  # fmt: skip
    _events(axes, view)
    axes.yaxis.set_major_formatter("{x:.3f}")
    axes.set_ylabel("Specific gravity", color=QUIET, fontsize=9)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            frameon=False, fontsize=9, labelcolor=QUIET, ncols=4, loc="lower left", bbox_to_anchor=(0.0, 1.0)
        )


def _events(axes: Axes, view: ChartView) -> None:
    for number, stretch in enumerate(view.phases):
        left, right = _day(stretch.from_ms), _day(stretch.to_ms)
        if number % 2:
            axes.axvspan(left, right, color=ACCENT, alpha=0.06, linewidth=0)
        if stretch.to_ms - stretch.from_ms > (view.to_ms - view.from_ms) / 12:
            axes.annotate(
                stretch.word, (left, 0.02), xycoords=("data", "axes fraction"), xytext=(4, 0),
                textcoords="offset points", color=QUIET, fontsize=9,
            )  # fmt: skip
    for mark in view.marks:
        axes.axvline(_day(mark.time_ms), color=QUIET, linewidth=0.9, linestyle=(0, (1, 2)))
    for time_ms, words in spread_marks(view.marks, (view.to_ms - view.from_ms) * LABEL_SHARE):
        axes.annotate(
            words, (_day(time_ms), 0.98), xycoords=("data", "axes fraction"), rotation=90,
            xytext=(3, 0), textcoords="offset points", va="top", color=QUIET, fontsize=8.5,
        )  # fmt: skip


def spread_marks(marks: Sequence[Mark], apart_ms: float) -> list[tuple[int, str]]:
    """Labels for marks: those closer than `apart_ms` to the next share the last one's, told by kind."""
    labels: list[tuple[int, str]] = []
    close: list[str] = []
    ordered = sorted(marks, key=lambda mark: mark.time_ms)
    for mark, after in zip_longest(ordered, ordered[1:]):
        close.append(mark.title)
        if after is None or after.time_ms - mark.time_ms >= apart_ms:
            labels.append((mark.time_ms, _named(close)))
            close = []
    return labels


def _named(titles: Sequence[str]) -> str:
    words = [title if count == 1 else f"{title} {count}×" for title, count in Counter(titles).items()]
    return ", ".join(words) if len(words) <= 3 else f"{', '.join(words[:2])} and {len(words) - 2} more"


def _temperature(axes: Axes, view: ChartView, show: Show) -> None:
    values = _floats(view.temperature.mean_c)
    limits = view.yeast_c
    if show.us:
        values = [fahrenheit_from_celsius(value) for value in values]
        limits = (
            None
            if limits is None
            else (fahrenheit_from_celsius(limits[0]), fahrenheit_from_celsius(limits[1]))
        )
    axes.plot(_days(view.temperature.time_ms), values, color=WARM, linewidth=1.6)
    if limits is not None:
        axes.axhspan(*limits, color=ACCENT, alpha=0.09, linewidth=0)
    axes.set_ylabel("°F" if show.us else "°C", color=QUIET, fontsize=9)


def _dates(axes: Axes, show: Show) -> None:
    from matplotlib.dates import AutoDateLocator, DateFormatter

    locator = AutoDateLocator(tz=show.zone, minticks=3, maxticks=9)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    formatter = DateFormatter("%-d %b", tz=show.zone)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(formatter)


def _day(time_ms: int) -> float:
    """matplotlib's own time: days of Unix time."""
    return time_ms / MS_PER_DAY


def _days(times_ms: Sequence[int]) -> list[float]:
    return [_day(time_ms) for time_ms in times_ms]


def _floats(values: Sequence[float | None]) -> list[float]:
    return [float("nan") if value is None else value for value in values]
