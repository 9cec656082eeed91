"""Calibrating a float, step by step: stand it in a liquid of known gravity, write that down, go on."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.errors import CalibrationError, InputError
from monitor.sensors.calibration import FEWEST_ANGLES, Calibration, Pair, parse_pairs
from monitor.sensors.calibration_picture import calibration_picture
from monitor.units import MS_PER_HOUR, Quantity
from monitor.web.forms import Form
from monitor.web.frame import Frame

LATEST: Final = 6
"""So many of the newest angles stand for the float in this liquid."""
SETTLED_DEG: Final = 0.3
RECENT_MS: Final = 3 * MS_PER_HOUR


@dataclass(frozen=True, slots=True)
class Steady:
    """The newest angles of a float: median, distance apart, how many, and when the last came."""

    angle_deg: float
    spread_deg: float
    count: int
    last_ms: int

    @property
    def settled(self) -> bool:
        """Whether it hangs still."""
        return self.count >= 2 and self.spread_deg <= SETTLED_DEG


@dataclass(frozen=True, slots=True)
class CalibratePages:
    """Endpoints; the pairs so far travel in the form, so nothing is kept until the end."""

    frame: Frame

    def routes(self) -> list[Route]:
        """Addresses of these pages."""
        return [
            Route("/setup/calibrate", self.begin),
            Route("/setup/calibrate", self.frame.form(self.go_on), methods=["POST"]),
        ]

    def begin(self, request: Request) -> Response:
        """The first step."""
        return self._page(request, request.query_params.get("sensor", ""), ())

    def go_on(self, request: Request, form: Form) -> Response:
        """Add a pair, look at the curve, or keep it."""
        sensor, pairs = form.text("sensor"), tuple(parse_pairs(form.text("pairs")))
        if form.text("step") == "keep":
            fitted = self.frame.actions.fitted(sensor, pairs, form.moment_ms("valid_from", "valid from"))
            self.frame.actions.calibrate(fitted)
            return self.frame.done(form, f"The calibration of {sensor} is kept.", "/setup")
        if form.text("step") == "add":
            gravity = form.number("gravity", "gravity of the liquid")
            angle = form.number_or_none("angle", "angle")
            if angle is None:
                steady = self._steady(sensor)
                if steady is None:
                    raise InputError("the float has told no angle in the last hours", hint="type the angle")
                angle = steady.angle_deg
            pairs = (*pairs, *parse_pairs(f"{angle:.4f}, {gravity:.5f}"))
        return self._page(request, sensor, pairs)

    def _page(self, request: Request, sensor: str, pairs: Sequence[Pair]) -> Response:
        ports = self.frame.ports
        self.frame.actions.check_heard(sensor)
        return self.frame.page(
            request,
            "calibrate.html",
            sensor=sensor,
            pairs=pairs,
            pair_lines="\n".join(f"{pair.angle_deg:.4f}, {pair.gravity_sg:.5f}" for pair in pairs),
            steady=self._steady(sensor),
            before=ports.store.calibrations.listed(sensor),
            **self._fit(sensor, pairs),
        )

    def _fit(self, sensor: str, pairs: Sequence[Pair]) -> dict[str, Any]:
        found: Calibration | None = None
        complaint = ""
        if len({pair.angle_deg for pair in pairs}) >= FEWEST_ANGLES:
            try:
                found = self.frame.actions.fitted(sensor, pairs, self.frame.ports.now_ms())
            except CalibrationError as error:
                complaint = f"{error}; {error.hint}" if error.hint else str(error)
        picture = "" if found is None else base64.b64encode(calibration_picture(found)).decode()
        return {"fitted": found, "complaint": complaint, "picture": picture}

    def _steady(self, sensor: str) -> Steady | None:
        now_ms = self.frame.ports.now_ms()
        recent = self.frame.ports.store.readings.read(
            [sensor], quantities=[Quantity.ANGLE], from_ms=now_ms - RECENT_MS
        )
        angles, times = recent.value[-LATEST:], recent.time_ms[-LATEST:]
        if not len(angles):
            return None
        return Steady(float(np.median(angles)), float(np.ptp(angles)), len(angles), int(times.max()))
