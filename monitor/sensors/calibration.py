"""From the angle of a float to gravity: a polynomial through measured pairs.

The degree is the one that best foretells the pairs left out of its fit, among those that rise or fall over
the whole range; a higher one must be clearly better. Beyond the range the curve goes on as a straight line,
and `extrapolates` says for which angles.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from monitor.errors import CalibrationError, PayloadError, QuantityError
from monitor.ferment.event import Reading
from monitor.sensors.intake import POSSIBLE, intake
from monitor.units import Quantity

DEGREES: Final = (1, 2, 3)
FEWEST_ANGLES: Final = 3
BETTER_BY: Final = 0.95
"""A higher degree is taken if its left-out error is below this fraction of the lower one's."""
EXACT_SG: Final = 1e-6
"""Errors below this are all the same: a thousandth of a gravity point."""
CLEAR_SLOPE: Final = 3.0
"""Standard errors that the straight line's slope must stand off from none."""
MOST_PAIRS: Final = 10_000

_CELLS: Final = re.compile(r"\s*[,;\t]\s*|\s+")
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pair:
    """One measurement for a calibration: the float's angle in a liquid of known gravity (SG 20/20)."""

    angle_deg: float
    gravity_sg: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """A degree that was tried."""

    degree: int
    left_out_sg: float
    """Root mean square error in foretelling each pair from all the others."""
    monotonic: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """How one sensor's angle is read from a date on."""

    sensor: str
    valid_from_ms: int
    coefficients: tuple[float, ...]
    """Gravity is the sum of c[k] * u^k, with u from -1 at the lowest to 1 at the highest angle measured."""
    angle_range_deg: tuple[float, float]
    residual_sd_sg: float
    """Standard deviation of the pairs about the curve."""
    pairs: tuple[Pair, ...]
    candidates: tuple[Candidate, ...] = ()

    @property
    def degree(self) -> int:
        """Degree of the polynomial."""
        return len(self.coefficients) - 1

    @property
    def residuals_sg(self) -> tuple[float, ...]:
        """Measured less calibrated gravity, for each pair."""
        return tuple(pair.gravity_sg - self.gravity_sg(pair.angle_deg) for pair in self.pairs)

    def extrapolates(self, angle_deg: float) -> bool:
        """Whether this angle lies beyond those that were measured."""
        low, high = self.angle_range_deg
        return not low <= angle_deg <= high

    def gravity_sg(self, angle_deg: float) -> float:
        """SG 20/20 of an angle in degrees to the vertical; beyond the range along the end's tangent."""
        low, high = self.angle_range_deg
        inside = min(max(angle_deg, low), high)
        u = (2.0 * inside - low - high) / (high - low)
        value = slope = 0.0
        for coefficient in reversed(self.coefficients):
            slope = slope * u + value
            value = value * u + coefficient
        return value + slope * 2.0 / (high - low) * (angle_deg - inside)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; `from_dict` gives the calibration back."""
        return {
            "sensor": self.sensor,
            "valid_from_ms": self.valid_from_ms,
            "coefficients": list(self.coefficients),
            "angle_range_deg": list(self.angle_range_deg),
            "residual_sd_sg": self.residual_sd_sg,
            "pairs": [[pair.angle_deg, pair.gravity_sg] for pair in self.pairs],
            "candidates": [[c.degree, c.left_out_sg, c.monotonic] for c in self.candidates],
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Calibration:
        """The calibration that `to_dict` wrote; raises CalibrationError for anything else."""
        try:
            low, high = map(float, values["angle_range_deg"])
            found = cls(
                sensor=str(values["sensor"]),
                valid_from_ms=int(values["valid_from_ms"]),
                coefficients=tuple(map(float, values["coefficients"])),
                angle_range_deg=(low, high),
                residual_sd_sg=float(values["residual_sd_sg"]),
                pairs=tuple(Pair(float(angle), float(sg)) for angle, sg in values["pairs"]),
                candidates=tuple(
                    Candidate(int(degree), float(error), bool(monotonic))
                    for degree, error, monotonic in values.get("candidates", ())
                ),
            )
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            raise CalibrationError(f"not a stored calibration: {error!r}") from error
        numbers = (*found.coefficients, low, high, found.residual_sd_sg)
        if not found.coefficients or not low < high or not all(map(math.isfinite, numbers)):
            raise CalibrationError("not a stored calibration: its numbers make no curve")
        return found


def derived_gravity(reading: Reading, calibrations: Iterable[Calibration]) -> Reading | None:
    """The gravity that an angle stands for, as a reading of its own.

    `calibrations` are the sensor's, in order of validity. None for what is no angle, where none is valid yet,
    and far outside of what was calibrated, where a polynomial says anything.
    """
    if reading.quantity is not Quantity.ANGLE:
        return None
    valid: Calibration | None = None
    for calibration in calibrations:
        if calibration.valid_from_ms <= reading.time_ms:
            valid = calibration
    if valid is None:
        return None
    low_sg, high_sg = POSSIBLE[Quantity.GRAVITY]
    gravity_sg = valid.gravity_sg(reading.value)
    if not low_sg <= gravity_sg <= high_sg:
        return None
    return replace(reading, quantity=Quantity.GRAVITY, value=gravity_sg)


def fit_calibration(
    sensor: str, pairs: Iterable[Pair], valid_from_ms: int, degrees: Sequence[int] = DEGREES
) -> Calibration:
    """The calibration that follows from these pairs.

    Raises CalibrationError for fewer than three different angles, values that are not possible, and pairs in
    which the angle does not tell the gravity.
    """
    kept = tuple(sorted((_checked(pair) for pair in pairs), key=lambda pair: pair.angle_deg))
    angles = np.array([pair.angle_deg for pair in kept])
    gravities = np.array([pair.gravity_sg for pair in kept])
    distinct = len(set(angles.tolist()))
    if distinct < FEWEST_ANGLES or len(kept) > MOST_PAIRS:
        raise CalibrationError(
            f"{distinct} different angles in {len(kept)} pairs: at least {FEWEST_ANGLES} angles,"
            f" at most {MOST_PAIRS} pairs",
            hint="measure in three liquids of known gravity at least, better six, over the range you use",
        )
    low, high = float(angles[0]), float(angles[-1])
    u = (2.0 * angles - low - high) / (high - low)
    _require_slope(u, gravities)
    fits = {degree: _fit(u, gravities, degree) for degree in sorted(degrees) if degree + 2 <= distinct}
    fits = fits or {1: _fit(u, gravities, 1)}
    candidates = tuple(
        Candidate(degree, left_out, _is_monotonic(coefficients))
        for degree, (coefficients, _, left_out) in fits.items()
    )
    chosen = _choose(candidates)
    coefficients, residual_sd_sg, _ = fits[chosen.degree]
    return Calibration(
        sensor, valid_from_ms, tuple(coefficients.tolist()), (low, high), residual_sd_sg, kept, candidates
    )


def parse_pairs(text: str) -> list[Pair]:
    """Pairs from CSV or typed lines: an angle in degrees and a gravity, with its unit behind it if not SG.

    `25.3, 1.000` or `41.7 10 plato`; a first line of words is taken for a heading; empty lines and those that
    begin with `#` are passed over. Raises CalibrationError naming the line.
    """
    pairs: list[Pair] = []
    for number, raw in enumerate(text.removeprefix("\ufeff").splitlines(), start=1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        cells = _CELLS.split(line)
        if not pairs and number == 1 and not re.match(r"[-+.0-9]", cells[0]):
            continue
        try:
            angle, gravity = float(cells[0]), float(cells[1])
            unit = cells[2] if len(cells) > 2 and cells[2] else "sg"
            if len(cells) > 3:
                raise ValueError("more than an angle, a gravity and a unit")
            pairs.append(_checked(Pair(angle, intake(Quantity.GRAVITY, unit).take(gravity, "gravity"))))
        except (IndexError, ValueError, QuantityError, PayloadError, CalibrationError) as error:
            raise CalibrationError(
                f"line {number}, {line[:60]!r}: {error}",
                hint="an angle in degrees and a gravity with a decimal point: 25.3, 1.000",
            ) from error
    return pairs


def _checked(pair: Pair) -> Pair:
    try:
        intake(Quantity.ANGLE, "deg").take(pair.angle_deg, "angle")
        intake(Quantity.GRAVITY, "sg").take(pair.gravity_sg, "gravity")
    except PayloadError as error:
        raise CalibrationError(str(error), hint="leave this pair out or measure it again") from error
    return pair


def _fit(u: Array, gravities: Array, degree: int) -> tuple[Array, float, float]:
    """Least-squares coefficients, residual standard deviation and root mean square left-out error.

    The error in foretelling a pair from all the others is its residual over 1 less its leverage, which needs
    no second fit (the PRESS residual; Allen 1974).
    """
    design = np.vander(u, degree + 1, increasing=True)
    q, r = np.linalg.qr(design)
    coefficients = np.linalg.solve(r, q.T @ gravities)
    residuals = gravities - design @ coefficients
    leverage = np.minimum(np.einsum("ij,ij->i", q, q), 1.0 - 1e-12)
    left_out = residuals / (1.0 - leverage)
    spare = len(u) - degree - 1
    residual_sd = math.sqrt(float(residuals @ residuals) / spare)
    return coefficients, residual_sd, math.sqrt(float(np.mean(left_out**2)))


def _require_slope(u: Array, gravities: Array) -> None:
    coefficients, residual_sd, _ = _fit(u, gravities, 1)
    centred = u - u.mean()
    standard_error = residual_sd / math.sqrt(float(centred @ centred))
    if abs(float(coefficients[1])) <= max(CLEAR_SLOPE * standard_error, EXACT_SG):
        raise CalibrationError(
            "the angles do not tell the gravity: no clear rise or fall over these pairs",
            hint="check that each angle stands beside its own gravity, and that the float swims freely",
        )


def _is_monotonic(coefficients: Array) -> bool:
    """Whether the polynomial only rises or only falls from u = -1 to 1."""
    slope = np.polynomial.Polynomial(coefficients).deriv()
    turns = slope.deriv().roots() if slope.degree() > 1 else np.array([])
    inside = [float(turn.real) for turn in turns if abs(turn.imag) < 1e-12 and -1.0 < turn.real < 1.0]
    values = [float(slope(u)) for u in (-1.0, *inside, 1.0)]
    return min(values) > 0.0 or max(values) < 0.0


def _choose(candidates: Sequence[Candidate]) -> Candidate:
    usable = [candidate for candidate in candidates if candidate.monotonic]
    if not usable:
        raise CalibrationError(
            "no curve through these pairs rises or falls over the whole range",
            hint="measure more pairs, and those again that stand apart",
        )
    best = usable[0]
    for candidate in usable[1:]:
        if best.left_out_sg > EXACT_SG and candidate.left_out_sg < BETTER_BY * best.left_out_sg:
            best = candidate
    return best
