"""Keeping a calibration, what follows from it, and who goes beyond it: one answer for page and command."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.errors import CalibrationError
from monitor.sensors.calibration import Calibration, derived_gravity
from monitor.store.base import Store
from monitor.store.values import Heard, StoredCalibration
from monitor.units import MS_PER_DAY, Quantity, rfc3339_from_ms


@dataclass(frozen=True, slots=True)
class Rederived:
    """What became of the angles that a sensor had told already."""

    turned: int
    """Gravities computed anew."""
    impossible: int
    """Angles that stand for no liquid by this calibration: they give no gravity, as they would on arrival."""

    def words(self) -> str:
        """The same as the end of a sentence."""
        angles = "1 angle" if self.turned == 1 else f"{self.turned} angles"
        beyond = f"; {self.impossible} gave none, no liquid is like that" if self.impossible else ""
        return f"{angles} turned into gravities anew{beyond}"


def keep_calibration(store: Store, calibration: Calibration, at_ms: int) -> Rederived:
    """Keep a calibration; turn the angles it holds for, up to the next one, into gravities anew.

    Raises CalibrationError for one that begins in the future.
    """
    sensor, from_ms = calibration.sensor, calibration.valid_from_ms
    if from_ms > at_ms + MS_PER_DAY:
        raise CalibrationError(
            f"a calibration from {rfc3339_from_ms(from_ms)} on lies in the future",
            hint="say from when the float has hung as it does now, or leave the time out",
        )
    store.calibrations.record(StoredCalibration(sensor, from_ms, at_ms, calibration.to_dict()))
    later = (one.valid_from_ms for one in store.calibrations.listed(sensor))
    until_ms = min((start - 1 for start in later if start > from_ms), default=None)
    return rederive(store, calibration, until_ms, at_ms)


def sensors_beyond(store: Store, heard: Iterable[Heard]) -> set[str]:
    """Those whose newest angle lies beyond what was measured for the calibration that holds for it."""
    found = set()
    for one in heard:
        if one.quantity is not Quantity.ANGLE:
            continue
        kept = store.calibrations.at(one.sensor, one.last_time_ms)
        if kept is not None and Calibration.from_dict(kept.document).extrapolates(one.last_value):
            found.add(one.sensor)
    return found


def rederive(store: Store, calibration: Calibration, until_ms: int | None, at_ms: int) -> Rederived:
    """Compute the gravities of a sensor's kept angles anew from a calibration's validity date on.

    `until_ms` is the last moment it holds for; None for ever.
    """
    angles = store.readings.read(
        [calibration.sensor], quantities=[Quantity.ANGLE], from_ms=calibration.valid_from_ms, to_ms=until_ms
    )
    found = [derived_gravity(angle, [calibration]) for angle in angles.readings()]
    derived = [gravity for gravity in found if gravity is not None]
    if derived:
        store.readings.replace_derived(derived, at_ms=at_ms)
    return Rederived(len(derived), len(found) - len(derived))
