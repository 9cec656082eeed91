"""From the wire to the store: decode, flag, derive, commit, and only then acknowledge."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.errors import PayloadError
from monitor.ferment.event import Reading
from monitor.ferment.skew import TimeFlag, dated_all
from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Calibration
from monitor.sensors.payload import Decoder
from monitor.sensors.taking import by_sensor, take
from monitor.store.base import Store
from monitor.store.values import Refused
from monitor.units import rfc3339_from_ms

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
        self._doubted: set[str] = set()
        self._calibrations: dict[str, list[Calibration]] = {}
        self.counts = IntakeCounts()
        self.reload_calibrations()

    def reload_calibrations(self) -> None:
        """Read the calibrations of all sensors again."""
        self._calibrations = by_sensor(
            Calibration.from_dict(stored.document) for stored in self._store.calibrations.listed()
        )

    def take(self, arrivals: Sequence[Arrival]) -> list[Reading]:
        """Commit and acknowledge; the readings in order of arrival, repeated ones among them.

        One whose own time cannot be believed is dated by its arrival. The pipeline knows repeats by itself.

        StoreUnavailableError where the store cannot be written: nothing was kept or acknowledged, and the
        same call may work later.
        """
        readings: list[Reading] = []
        refused: list[Refused] = []
        for arrival in arrivals:
            try:
                taken = take(self._decoder, arrival, self._calibrations)
            except Exception as error:  # a fault of ours: it must not stop the rest, nor come again
                logger.exception("a message on %s could not be decoded", arrival.topic)
                self._refuse(arrival, _undecoded(error), refused)
                continue
            readings += taken.readings
            for fault in taken.faults:
                self._refuse(arrival, fault, refused)
        placed, flags = dated_all(readings)
        self._warn_of_clocks(readings, flags)
        committed = self._store.readings.commit(placed, flags=flags, refused=refused)
        self._wire.acknowledge(arrivals)
        self.counts.messages += len(arrivals)
        self.counts.readings += committed.stored
        self.counts.duplicates += committed.duplicates
        self.counts.quarantined += committed.quarantined
        return placed

    def _warn_of_clocks(self, readings: Sequence[Reading], flags: Sequence[TimeFlag]) -> None:
        for reading, flag in zip(readings, flags, strict=True):
            if flag is TimeFlag.OK or reading.sensor in self._doubted:
                continue
            self._doubted.add(reading.sensor)  # logged once a sensor
            logger.warning(
                "%s says that it measured at %s: its clock is wrong. Such readings are dated by their"
                " arrival; set its clock, or let it send without a time",
                reading.sensor,
                rfc3339_from_ms(reading.time_ms),
            )

    def _refuse(self, arrival: Arrival, error: PayloadError, refused: list[Refused]) -> None:
        told = f"{error}; {error.hint}" if error.hint else str(error)
        refused.append(
            Refused(arrival.received_ms, arrival.topic, arrival.payload, error.kind, told, error.field)
        )
        if error.kind not in self._said:  # logged once a kind; all of them are counted and kept
            self._said.add(error.kind)
            logger.warning("quarantined a message on %s (%s): %s", arrival.topic, error.kind, told)


def _undecoded(error: Exception) -> PayloadError:
    return PayloadError(
        f"decoding it failed: {type(error).__name__}: {error}",
        kind="undecoded",
        hint="the log has more of it; the message is kept as it came",
    )
