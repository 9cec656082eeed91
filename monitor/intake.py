"""From the wire to the store: decode, flag, derive, commit, and only then acknowledge."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from monitor.batch.sheet import HAND_PREFIX
from monitor.errors import PayloadError
from monitor.ferment.event import Reading
from monitor.ferment.skew import time_plausible
from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Calibration, derived_gravity
from monitor.sensors.payload import Decoder
from monitor.store.base import Store
from monitor.store.values import Refused
from monitor.units import Quantity

logger = logging.getLogger(__name__)


class Wire(Protocol):
    """What messages come from."""

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Let the broker forget these."""
        ...


@dataclass(slots=True)
class IntakeCounts:
    """What came in since the start."""

    messages: int = 0
    readings: int = 0
    duplicates: int = 0
    quarantined: int = 0


class Intake:
    """Takes messages over for good: what it returns is durable and acknowledged."""

    def __init__(self, store: Store, decoder: Decoder, wire: Wire) -> None:
        self._store = store
        self._decoder = decoder
        self._wire = wire
        self._said: set[str] = set()
        self._calibrations: dict[str, list[Calibration]] = {}
        self.counts = IntakeCounts()
        self.reload_calibrations()

    def reload_calibrations(self) -> None:
        """Read the calibrations of all sensors again."""
        found: dict[str, list[Calibration]] = {}
        for stored in self._store.calibrations.listed():
            found.setdefault(stored.sensor, []).append(Calibration.from_dict(stored.document))
        for of_sensor in found.values():
            of_sensor.sort(key=lambda calibration: calibration.valid_from_ms)
        self._calibrations = found

    def take(self, arrivals: Sequence[Arrival]) -> list[Reading]:
        """Commit and acknowledge; the readings in order of arrival, repeated ones among them.

        The pipeline knows repeats and times that cannot be believed by itself, as it must in a replay.

        StoreUnavailableError where the store cannot be written: nothing was kept or acknowledged, and the
        same call may work later.
        """
        readings: list[Reading] = []
        refused: list[Refused] = []
        for arrival in arrivals:
            self._decode(arrival, readings, refused)
        flags = [time_plausible(reading.time_ms, reading.received_ms) for reading in readings]
        committed = self._store.readings.commit(readings, flags=flags, refused=refused)
        self._wire.acknowledge(arrivals)
        self.counts.messages += len(arrivals)
        self.counts.readings += committed.stored
        self.counts.duplicates += committed.duplicates
        self.counts.quarantined += committed.quarantined
        return readings

    def _decode(self, arrival: Arrival, readings: list[Reading], refused: list[Refused]) -> None:
        try:
            decoded = self._decoder.decode(
                arrival.topic,
                arrival.payload,
                arrival.received_ms,
                arrival.content_type,
                retained=arrival.retain,
            )
        except PayloadError as error:
            if error.kind != "empty":  # a cleared retained value is no message
                self._refuse(arrival, error, refused)
            return
        for fault in decoded.faults:
            self._refuse(arrival, fault, refused)
        for reading in decoded.readings:
            if reading.sensor.startswith(HAND_PREFIX):
                self._refuse(arrival, _not_by_hand(reading.sensor), refused)
                continue
            readings.append(reading)
            derived = self.gravity_of(reading)
            if derived is not None:
                readings.append(derived)

    def gravity_of(self, angle: Reading) -> Reading | None:
        """The gravity that an angle stands for; None without a calibration valid for its time."""
        return derived_gravity(angle, self._calibrations.get(angle.sensor, ()))

    def _refuse(self, arrival: Arrival, error: PayloadError, refused: list[Refused]) -> None:
        refused.append(
            Refused(arrival.received_ms, arrival.topic, arrival.payload, error.kind, str(error), error.field)
        )
        if error.kind not in self._said:  # logged once a kind; all of them are counted and kept
            self._said.add(error.kind)
            logger.warning("quarantined a message on %s (%s): %s", arrival.topic, error.kind, error)


def _not_by_hand(sensor: str) -> PayloadError:
    return PayloadError(
        f"a sensor called {sensor!r} would pass for hand samples",
        kind="sensor",
        field="sensor",
        hint=f"no sensor's name may begin with {HAND_PREFIX!r}",
    )


def rederive(store: Store, calibration: Calibration, until_ms: int | None, at_ms: int) -> int:
    """Compute the gravities of a sensor's kept angles anew from a calibration's validity date on.

    `until_ms` is where the next calibration begins. Returns how many there were.
    """
    angles = store.readings.read(
        [calibration.sensor], quantities=[Quantity.ANGLE], from_ms=calibration.valid_from_ms, to_ms=until_ms
    )
    derived = [
        replace(angle, quantity=Quantity.GRAVITY, value=calibration.gravity_sg(angle.value))
        for angle in angles.readings()
    ]
    if derived:
        store.readings.replace_derived(derived, at_ms=at_ms)
    return len(derived)
