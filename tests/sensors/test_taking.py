"""What a message is worth: readings, derived gravities and faults, and never an exception."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Calibration
from monitor.sensors.payload import Decoder
from monitor.sensors.taking import by_sensor, take
from monitor.units import Quantity

AT_MS = 1_767_463_200_000
TOPIC = "carboyd/readings/float-a"


def calibration(valid_from_ms: int, sg: float) -> Calibration:
    """One that says the same gravity for every angle."""
    return Calibration.from_dict(
        {
            "sensor": "float-a",
            "valid_from_ms": valid_from_ms,
            "coefficients": [sg],
            "angle_range_deg": [20.0, 70.0],
            "residual_sd_sg": 0.0,
            "pairs": [],
        }
    )


def pack(**records: float) -> bytes:
    """SenML (RFC 8428): angles of sensors by name."""
    return json.dumps(
        [{"n": f"{name}:angle", "u": "deg", "v": value} for name, value in records.items()]
    ).encode()


def test_an_angle_brings_the_gravity_that_was_valid_then() -> None:
    """The latest calibration that began before the reading counts, in whatever order they were kept."""
    kept = by_sensor([calibration(AT_MS + 1, 1.09), calibration(AT_MS - 1, 1.05), calibration(0, 1.01)])
    taken = take(Decoder(), Arrival(TOPIC, pack(**{"float-a": 40.0}), AT_MS), kept)
    assert [one.quantity for one in taken.readings] == [Quantity.ANGLE, Quantity.GRAVITY]
    assert taken.readings[1].value == 1.05
    assert not taken.faults


def test_nobody_passes_for_the_makers_hand() -> None:
    """A sensor named like the maker's samples is a fault; what else is in the message is good."""
    taken = take(Decoder(), Arrival(TOPIC, pack(**{"hand.porch": 40.0, "float-a": 41.0}), AT_MS), {})
    assert [one.sensor for one in taken.readings] == ["float-a"]
    assert [one.kind for one in taken.faults] == ["sensor"]


def test_a_cleared_value_is_no_message() -> None:
    """An empty payload holds neither a reading nor a fault."""
    taken = take(Decoder(), Arrival(TOPIC, b"", AT_MS), {})
    assert taken.readings == ()
    assert taken.faults == ()


@given(st.binary(max_size=200), st.sampled_from([TOPIC, "other/topic", ""]))
def test_any_bytes_give_readings_or_faults(payload: bytes, topic: str) -> None:
    """Whatever comes, it is one or the other, or nothing where the payload is empty."""
    taken = take(Decoder(), Arrival(topic, payload, AT_MS), {})
    assert bool(payload) == bool(taken.readings or taken.faults)
