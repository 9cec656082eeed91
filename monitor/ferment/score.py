"""How good were the verdicts: what was told, against what was true.

Scoring never sees the detector: it takes the moments at which something was told and the marks of the
truth, both as plain values. A recording by hand needs only `finished_ms`, `final_gravity_sg` and `stalls`;
a simulated ferment gives every mark.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of time; `by_c` is how far a temperature went beyond the limit, where that is meant."""

    from_ms: int
    until_ms: int
    by_c: float | None = None

    def holds(self, at_ms: int, *, before_ms: int = 0, after_ms: int = 0) -> bool:
        """Whether a moment lies within the spell, widened on either side."""
        return self.from_ms - before_ms <= at_ms <= self.until_ms + after_ms


@dataclass(frozen=True, slots=True)
class Truth:
    """What truly happened; None or empty where it did not happen or is not known."""

    finished_ms: int | None = None
    """The earliest time when the noise-free gravity has at most 0.001 left to fall."""
    near_finish_ms: int | None = None
    """The earliest time with at most 0.002 left: a finish told before it is premature."""
    final_gravity_sg: float | None = None
    half_ms: int | None = None
    """When half of the whole drop was done."""
    three_quarters_ms: int | None = None
    stalls: tuple[Spell, ...] = ()
    """Under 0.3 points a day, over 5 points above the gravity that must could reach."""
    sweetened_ms: int | None = None
    refermenting_ms: int | None = None
    lost_marks: tuple[tuple[int, float], ...] = ()
    """After refermenting began: (time, points lost by then), rising."""
    silent_ms: int | None = None
    """When the float fell silent for good."""
    silences: tuple[Spell, ...] = ()
    """Passing silences of any sensor, long enough that telling them is no fault."""
    too_cold: tuple[Spell, ...] = ()
    too_warm: tuple[Spell, ...] = ()
    """Spells near or beyond the yeast's range; `by_c` says how far beyond (negative: only near)."""
