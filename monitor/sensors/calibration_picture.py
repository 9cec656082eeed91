"""A calibration to look at: a picture, and a plot in plain text for a terminal."""

from __future__ import annotations

from io import BytesIO
from typing import Final, Literal

from monitor.sensors.calibration import Calibration
from monitor.units import POINTS_PER_SG

_CURVE_POINTS: Final = 200


def calibration_picture(calibration: Calibration, kind: Literal["png", "svg"] = "png") -> bytes:
    """The pairs, the curve and the residuals in gravity points, as a PNG or SVG file."""
    # a second of import that only this command needs; the figure is made without any window system
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    low, high = calibration.angle_range_deg
    grid = [low + (high - low) * k / (_CURVE_POINTS - 1) for k in range(_CURVE_POINTS)]
    angles = [pair.angle_deg for pair in calibration.pairs]
    points = [residual * POINTS_PER_SG for residual in calibration.residuals_sg]
    out = BytesIO()
    # a fixed salt and no date: the same calibration gives the same file
    with rc_context({"svg.hashsalt": "calibration"}):
        figure = Figure(figsize=(7.0, 5.5), layout="constrained")
        FigureCanvasAgg(figure)
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        top.plot(grid, [calibration.gravity_sg(angle) for angle in grid], color="0.35", label="calibration")
        top.plot(angles, [pair.gravity_sg for pair in calibration.pairs], "o", color="k", label="measured")
        top.set_ylabel("gravity, SG 20/20")
        top.set_title(
            f"{calibration.sensor}: degree {calibration.degree}, "
            f"{calibration.residual_sd_sg * POINTS_PER_SG:.2f} points about the curve"
        )
        top.legend(frameon=False)
        bottom.axhline(0.0, color="0.35", linewidth=1.0)
        bottom.vlines(angles, 0.0, points, color="k", linewidth=1.0)
        bottom.plot(angles, points, "o", color="k", markersize=4.0)
        bottom.set_ylabel("residual, points")
        bottom.set_xlabel("angle to the vertical, degrees")
        figure.savefig(out, format=kind, dpi=120, metadata={"Date": None} if kind == "svg" else None)
    return out.getvalue()


def calibration_text(calibration: Calibration, width: int = 64, height: int = 16) -> str:
    """The curve (`.`) and the pairs (`o`) in `width` by `height` characters, with axes."""
    low, high = calibration.angle_range_deg
    columns = [low + (high - low) * k / (width - 1) for k in range(width)]
    curve = [calibration.gravity_sg(angle) for angle in columns]
    measured = [pair.gravity_sg for pair in calibration.pairs]
    bottom, top = min(*curve, *measured), max(*curve, *measured)

    def row(gravity_sg: float) -> int:
        return round((top - gravity_sg) / (top - bottom) * (height - 1))

    field = [[" "] * width for _ in range(height)]
    for column, gravity_sg in enumerate(curve):
        field[row(gravity_sg)][column] = "."
    for pair in calibration.pairs:
        column = round((pair.angle_deg - low) / (high - low) * (width - 1))
        field[row(pair.gravity_sg)][column] = "o"
    labels = {0: f"{top:.4f}", height - 1: f"{bottom:.4f}"}
    lines = [f"{labels.get(at, ''):>7} |{''.join(cells).rstrip()}" for at, cells in enumerate(field)]
    left, right = f"{low:.1f}", f"{high:.1f} deg"
    lines.append(" " * 8 + "+" + "-" * width)
    lines.append(" " * 9 + left + right.rjust(width - len(left)))
    return "\n".join(lines)
