"""The trade-off to look at: how late the end is told against how often something is told wrongly."""

from __future__ import annotations

from io import BytesIO
from typing import Final, Literal

import numpy as np

from monitor.tune.board import Board, front
from monitor.tune.choice import Choice

MOST_DOTS: Final = 4_000


def trade_off(board: Board, choice: Choice, kind: Literal["png", "svg"] = "png") -> bytes:
    """Every setting tried, the best of them, the present and the recommended one, as PNG or SVG."""
    # a second of import that only a picture needs; the figure is made without any window system
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    false, delay = board.false_per_hundred(), board.median_delay_h()
    dots = np.flatnonzero(~np.isnan(delay))
    dots = dots[:: max(1, -(-dots.size // MOST_DOTS))]
    edge = front(board)
    out = BytesIO()
    # a fixed salt and no date: the same sweep gives the same file
    with rc_context({"svg.hashsalt": "trade-off"}):
        figure = Figure(figsize=(7.5, 5.0), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.subplots()
        axes.plot(
            false[dots], delay[dots], ".", color="0.75", markersize=3.0, label="settings tried", zorder=1
        )
        axes.step(false[edge], delay[edge], where="post", color="0.35", label="best of them", zorder=2)
        axes.plot(
            false[0], delay[0], "s", color="k", fillstyle="none", markersize=9.0, label="present", zorder=3
        )
        if choice.recommended:
            axes.plot(
                false[choice.best], delay[choice.best], "D", color="k", markersize=7.0, label="recommended",
                zorder=4,
            )  # fmt: skip
        shown = delay[edge] if edge.size else delay[dots]
        if shown.size and not np.isnan(delay[0]):
            low, high = min(float(shown.min()), float(delay[0])), max(float(shown.max()), float(delay[0]))
            room = max(0.35 * (high - low), 6.0)
            axes.set_ylim(low - room, high + 2.0 * room)
            most = max(float(false[edge].max(initial=0.0)), float(false[0]), float(false[choice.best]))
            axes.set_xlim(-0.03 * max(most, 5.0), 1.6 * max(most, 5.0))
        axes.set_xlabel("told wrongly, alerts for a hundred ferments")
        axes.set_ylabel("the end is told late by, median, h")
        verdict = "a better one is recommended" if choice.recommended else "keep what you have"
        axes.set_title(f"{board.settings:,} settings on {board.recordings:,} recordings: {verdict}")
        axes.legend(frameon=False)
        figure.savefig(out, format=kind, dpi=120, metadata={"Date": None} if kind == "svg" else None)
    return out.getvalue()
