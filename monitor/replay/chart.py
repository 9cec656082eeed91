"""A recording as a picture: what was measured, where each phase lay, when each alert came, and what was true.

Each configuration has a band of phases above the curve; alerts are numbered there and written out below.
Nothing is told by colour alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from monitor.errors import RecordingError
from monitor.ferment.emission import AlertChange, AlertState, Emission, Phase, PhaseChange
from monitor.ferment.score import Truth
from monitor.replay.player import Recorded
from monitor.replay.track import Times, Track, Values
from monitor.units import MS_PER_DAY

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, QUIET, FAINT, SAID = "#1b1b1f", "#5c5c66", "#e2e2e8", "#a7a7b3"
LEVEL, HEAT, HAND, STALL = "#20486e", "#8a4b12", "#7a1f3d", "#b5734f"
FILL: Final[dict[Phase, tuple[str, str]]] = {
    Phase.UNKNOWN: ("#ffffff", "...."),
    Phase.LAG: ("#eeeef2", ""),
    Phase.ACTIVE: ("#b9d3ea", ""),
    Phase.SLOWING: ("#dbe8f4", ""),
    Phase.FINISHED: ("#cfe3cf", ""),
    Phase.STALLED: ("#e9c7b5", "////"),
    Phase.REFERMENTING: ("#e3d3ec", "\\\\\\\\"),
}
"""Colour and hatch of a phase in its band."""
WIDTH_IN: Final = 11.0
DPI: Final = 110
LEAST_WORD: Final = 0.045
"""Share of the width below which a phase's word does not fit into its band."""
LISTED: Final = 14
"""Alerts written out for each configuration; the rest are counted."""
LINE_CHARS: Final = 165
NAME_CHARS: Final = 12
"""Of a configuration beside its band; below the picture it stands in full."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one configuration said of a recording."""

    name: str
    """Of the configuration; empty where there is only one."""
    emissions: tuple[Emission, ...]


def kind_of(path: Path) -> Literal["png", "svg"]:
    """The kind of picture that a file's name asks for; RecordingError for another."""
    match path.suffix.lower():
        case ".png":
            return "png"
        case ".svg":
            return "svg"
    raise RecordingError(f"{path} is neither .png nor .svg", hint="Name the picture something.png or .svg.")


def picture(
    recording: Recorded,
    track: Track,
    told: Sequence[Told] = (),
    *,
    truth: Truth | None = None,
    level: tuple[Times, Values] | None = None,
    kind: Literal["png", "svg"] = "png",
) -> bytes:
    """The picture as PNG or SVG.

    `truth` and `level` are drawn where they are given: marks that were proposed, and what they were read off.
    The same recording gives the same bytes.
    """
    from matplotlib import rc_context  # a second of import, and seldom needed
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    notes = [line for each in told for line in _notes(each, track.pitched_ms, len(told) > 1)]
    bands = max(len(told), 1) if told else 0
    heights = [0.38] * bands + [4.2, 1.2]
    text_in = 0.17 * len(notes) + 0.1
    out = BytesIO()
    with rc_context({"svg.hashsalt": "recording", "svg.fonttype": "none", "hatch.linewidth": 0.5}):
        figure = Figure(figsize=(WIDTH_IN, sum(heights) + 1.3 + text_in), dpi=DPI)
        FigureCanvasAgg(figure)
        share = text_in / figure.get_figheight()
        grid = figure.add_gridspec(
            len(heights), 1, height_ratios=heights, left=0.075, right=0.985, hspace=0.09,
            bottom=share + 0.45 / figure.get_figheight(), top=1.0 - 0.5 / figure.get_figheight(),
        )  # fmt: skip
        axes = [figure.add_subplot(grid[row]) for row in range(len(heights))]
        figure.suptitle(recording.title, x=0.075, ha="left", color=INK, fontsize=12)
        days = _last_day(track)
        for each, band in zip(told, axes, strict=False):
            _phases(band, each, track, days)
        _gravity(axes[-2], track, told, truth, level)
        _temperature(axes[-1], track, recording.premise.yeast.temperature_c)
        for one in axes:
            one.set_xlim(min(0.0, _first_day(track)), days)
            one.spines[:].set_visible(False)
            one.tick_params(colors=QUIET, length=0, labelsize=9)
        for one in axes[:-1]:
            one.tick_params(labelbottom=False)
        axes[-1].set_xlabel("days since pitching", color=QUIET, fontsize=9)
        figure.text(0.075, share, "\n".join(notes), va="top", color=INK, fontsize=8.5, linespacing=1.25)
        plain = {"Date": None} if kind == "svg" else {"Software": "carboyd"}
        figure.savefig(out, format=kind, metadata=plain)
    return out.getvalue()


def _last_day(track: Track) -> float:
    return max((track.ended_ms - track.pitched_ms) / MS_PER_DAY, 0.5)


def _first_day(track: Track) -> float:
    starts = [series.time_ms[0] for series in (track.gravity, track.temperature) if len(series)]
    return float(min(starts) - track.pitched_ms) / MS_PER_DAY if starts else 0.0


def _day(at_ms: int, pitched_ms: int) -> float:
    return (at_ms - pitched_ms) / MS_PER_DAY


def _phases(axes: Axes, told: Told, track: Track, days: float) -> None:
    changes = [emission for emission in told.emissions if isinstance(emission, PhaseChange)]
    ends = [*(_day(change.at_ms, track.pitched_ms) for change in changes[1:]), days]
    for change, end in zip(changes, ends, strict=False):
        start = _day(change.at_ms, track.pitched_ms)
        colour, hatch = FILL[change.phase]
        axes.axvspan(start, end, facecolor=colour, edgecolor=QUIET, hatch=hatch, linewidth=0.4)
        if end - start > LEAST_WORD * days:
            box = {"boxstyle": "square,pad=0.15", "facecolor": colour, "edgecolor": "none"}
            middle = (start + end) / 2.0
            axes.text(
                middle, 0.5, change.phase.value, ha="center", va="center", fontsize=8.5, color=INK, bbox=box
            )
    for number, alert in enumerate(_alerts(told.emissions), start=1):
        at = _day(alert.at_ms, track.pitched_ms)
        axes.annotate(
            str(number), (at, 1.0), xytext=(0, 5), textcoords="offset points", ha="center", fontsize=8,
            color=INK, annotation_clip=False,
        )  # fmt: skip
        axes.plot([at], [1.0], "v", color=INK, markersize=4, clip_on=False)
    axes.set_yticks([])
    axes.set_ylim(0.0, 1.0)
    if told.name:
        name = told.name if len(told.name) <= NAME_CHARS else told.name[: NAME_CHARS - 1] + "…"
        axes.set_ylabel(name, rotation=0, ha="right", va="center", fontsize=8, color=QUIET)


def _alerts(emissions: Iterable[Emission]) -> list[AlertChange]:
    return [each for each in emissions if isinstance(each, AlertChange) and each.state is AlertState.FIRING]


def _notes(told: Told, pitched_ms: int, several: bool) -> list[str]:
    """The alerts of a configuration, numbered as in its band."""
    alerts = _alerts(told.emissions)
    lines = [f"{told.name}:"] if several else []
    for number, alert in enumerate(alerts[:LISTED], start=1):
        kind = alert.kind.value.replace("_", " ")
        words = f"{number}  day {_day(alert.at_ms, pitched_ms):.1f}  {kind}: {alert.message}"
        lines.append(textwrap.shorten(words, LINE_CHARS, placeholder=" …"))
    if len(alerts) > LISTED:
        lines.append(f"and {len(alerts) - LISTED} more")
    if not alerts:
        lines.append("no alert")
    return lines


def _gravity(
    axes: Axes, track: Track, told: Sequence[Told], truth: Truth | None, level: tuple[Times, Values] | None
) -> None:
    gravity = track.gravity
    days = (gravity.time_ms - track.pitched_ms) / MS_PER_DAY
    axes.vlines(days, gravity.low, gravity.high, color=SAID, linewidth=1.0, label="readings, hour by hour")
    axes.plot(days, gravity.median, ".", color=LEVEL, markersize=1.5)
    if level is not None:
        at = (level[0] - track.pitched_ms) / MS_PER_DAY
        axes.plot(at, level[1], color=INK, linewidth=1.6, label="level in hindsight")
    if len(track.sample_ms):
        at = (track.sample_ms - track.pitched_ms) / MS_PER_DAY
        axes.plot(
            at, track.sample_sg, "D", color="white", markeredgecolor=HAND, markersize=6, label="hand sample"
        )
    for style, each in zip(("-", (0, (4, 3)), (0, (1, 2))), told, strict=False):
        for alert in _alerts(each.emissions):
            axes.axvline(_day(alert.at_ms, track.pitched_ms), color=QUIET, linewidth=0.7, linestyle=style)
    if truth is not None:
        _truth(axes, truth, track.pitched_ms)
    if len(gravity):
        ordered, out = np.sort(gravity.median), len(gravity) // 200
        low, high = float(ordered[out]), float(ordered[-1 - out])
        room = max(0.004, 0.12 * (high - low))
        axes.set_ylim(low - room, high + room)  # one reading far out must not flatten the curve
    else:
        axes.text(0.5, 0.5, "no gravity was recorded", transform=axes.transAxes, ha="center", color=QUIET)
    axes.grid(color=FAINT, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.yaxis.set_major_formatter("{x:.3f}")
    axes.set_ylabel("specific gravity", color=QUIET, fontsize=9)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, fontsize=8.5, labelcolor=QUIET, loc="upper right")


def _truth(axes: Axes, truth: Truth, pitched_ms: int) -> None:
    for number, stall in enumerate(truth.stalls):
        axes.axvspan(
            _day(stall.from_ms, pitched_ms), _day(stall.until_ms, pitched_ms), facecolor="none",
            edgecolor=STALL, hatch="////", linewidth=0.0, alpha=0.55,
            label=None if number else "stall, as labelled",
        )  # fmt: skip
    if truth.finished_ms is not None:
        axes.axvline(
            _day(truth.finished_ms, pitched_ms),
            color=HAND,
            linewidth=1.6,
            linestyle="-.",
            label="finish, as labelled",
        )
    if truth.final_gravity_sg is not None:
        axes.axhline(truth.final_gravity_sg, color=HAND, linewidth=0.9, linestyle=":", label="final gravity")


def _temperature(axes: Axes, track: Track, limits: tuple[float, float] | None) -> None:
    warmth = track.temperature
    days = (warmth.time_ms - track.pitched_ms) / MS_PER_DAY
    axes.plot(days, warmth.median, color=HEAT, linewidth=1.2)
    if limits is not None:
        axes.axhspan(*limits, color=FAINT, alpha=0.6, linewidth=0)
    axes.grid(color=FAINT, linewidth=0.8, axis="x")
    axes.set_ylabel("°C", color=QUIET, fontsize=9)
