"""What a message is worth once it has arrived: its readings, and what each angle in it stands for.

The daemon takes messages so, and a replay of captured ones: there is no other way in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from monitor.batch.sheet import HAND_PREFIX
from monitor.errors import PayloadError
from monitor.ferment.event import Reading
from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Calibration, derived_gravity
from monitor.sensors.decoded import Decoded
from monitor.sensors.payload import Decoder

Calibrations = Mapping[str, Sequence[Calibration]]
"""By sensor, in order of validity."""


def by_sensor(calibrations: Iterable[Calibration]) -> dict[str, list[Calibration]]:
    """Calibrations as they are asked for."""
    found: dict[str, list[Calibration]] = {}
    for calibration in sorted(calibrations, key=lambda one: one.valid_from_ms):
        found.setdefault(calibration.sensor, []).append(calibration)
    return found


def take(decoder: Decoder, arrival: Arrival, calibrations: Calibrations) -> Decoded:
    """The readings of a message, derived gravities among them, and what is at fault; never an exception.

    Neither is found in a cleared retained value: that is no message. Nobody passes for the maker's hand.
    """
    try:
        decoded = decoder.decode(
            arrival.topic,
            arrival.payload,
            arrival.received_ms,
            arrival.content_type,
            retained=arrival.retain,
        )
    except PayloadError as error:
        return Decoded((), () if error.kind == "empty" else (error,))
    readings: list[Reading] = []
    faults = [*decoded.faults]
    for reading in decoded.readings:
        if reading.sensor.startswith(HAND_PREFIX):
            faults.append(_not_by_hand(reading.sensor))
            continue
        readings.append(reading)
        derived = derived_gravity(reading, calibrations.get(reading.sensor, ()))
        if derived is not None:
            readings.append(derived)
    return Decoded(tuple(readings), tuple(faults), decoded.left_out)


def _not_by_hand(sensor: str) -> PayloadError:
    return PayloadError(
        f"a sensor called {sensor!r} would pass for hand samples",
        kind="sensor",
        field="sensor",
        hint=f"no sensor's name may begin with {HAND_PREFIX!r}",
    )
