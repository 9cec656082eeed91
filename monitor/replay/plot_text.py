"""A recording's gravity in plain characters, with what is labelled on it."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.ferment.score import Truth
from monitor.replay.track import Times, Track, Values
from monitor.units import MS_PER_DAY

WIDTH: Final = 72
HEIGHT: Final = 15
READING, LEVEL, FINISH, STALL = ".", "#", "|", "/"


def plot(track: Track, level: tuple[Times, Values] | None, truth: Truth, width: int = WIDTH) -> list[str]:
    """Lines: readings `.`, level in hindsight `#`, labelled finish `|`, labelled stall `/`; days below."""
    gravity = track.gravity.between(track.pitched_ms, track.ended_ms)
    if not len(gravity):
        return ["no gravity was recorded"]
    ordered = np.sort(gravity.median)
    out = len(ordered) // 200
    low, high = float(ordered[out]), float(ordered[-1 - out])
    span_sg, span_ms = max(high - low, 0.002), max(track.ended_ms - track.pitched_ms, 1)

    def column(at_ms: int) -> int:
        return min(max(round((at_ms - track.pitched_ms) / span_ms * (width - 1)), 0), width - 1)

    field = [[" "] * width for _ in range(HEIGHT)]
    for stall in truth.stalls:
        for at in range(column(stall.from_ms), column(stall.until_ms) + 1):
            for row in field:
                row[at] = STALL
    if truth.finished_ms is not None:
        for row in field:
            row[column(truth.finished_ms)] = FINISH
    marked = [(gravity.time_ms, gravity.median, READING)]
    if level is not None:
        marked.append((*level, LEVEL))
    for times, values, mark in marked:
        for at_ms, value in zip(times.tolist(), values.tolist(), strict=True):
            line = round((high - value) / span_sg * (HEIGHT - 1))
            if 0 <= line < HEIGHT:
                field[line][column(at_ms)] = mark
    labels = {0: f"{high:.3f}", HEIGHT - 1: f"{high - span_sg:.3f}"}
    lines = [f"{labels.get(at, ''):>7} {''.join(cells).rstrip()}" for at, cells in enumerate(field)]
    days = span_ms / MS_PER_DAY
    last = f"day {days:.1f}"
    return [*lines, " " * 8 + "day 0" + last.rjust(width - len("day 0"))]
