"""A ferment as it truly went, by whichever mechanism: all that a precedent is cut from."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.ferment.premise import MustKind
from monitor.ferment.series import Floats
from monitor.replay.kinetics import Deed
from monitor.replay.simulate import Simulated
from monitor.units import MS_PER_HOUR


@dataclass(frozen=True, slots=True)
class Past:
    """A ferment without a float, hour by hour."""

    gravity_sg: Floats
    """(n,) free of noise, at whole hours from pitching."""
    temperature_c: Floats
    """(n,) of the liquid, at the same hours."""
    attainable_sg: float
    """What the must, with all that was added before any sweetening, could reach."""
    final_sg: float | None = None
    """Where it ended; None where it stopped short of its end."""
    finished_h: float | None = None
    """The first hour with at most a point left to fall; None where it stopped short."""
    sweetened_h: float | None = None
    kind: MustKind | None = None
    tolerance_abv: float | None = None
    """What the yeast is sold for; None where the mechanism does not say."""
    deeds: tuple[Deed, ...] = ()


def past_of(ferment: Simulated) -> Past:
    """What a simulated recording was made from."""
    truth, pitched_ms = ferment.truth, ferment.recording.premise.pitched_ms

    def hour(at_ms: int | None) -> float | None:
        return None if at_ms is None else (at_ms - pitched_ms) / MS_PER_HOUR

    return Past(
        ferment.gravity_sg,
        ferment.temperature_c,
        ferment.attainable_sg,
        final_sg=truth.final_gravity_sg if truth.finished_ms is not None else None,
        finished_h=hour(truth.finished_ms),
        sweetened_h=hour(truth.sweetened_ms),
        kind=ferment.kind,
        tolerance_abv=ferment.tolerance_abv,
        deeds=ferment.deeds,
    )
