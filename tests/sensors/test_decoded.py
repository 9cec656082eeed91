"""What a message turned out to hold."""

from __future__ import annotations

import pytest

from monitor.errors import PayloadError
from monitor.ferment.event import Reading
from monitor.sensors.decoded import Decoded, gathered, require_sensor, require_time
from monitor.units import Quantity

READING = Reading("a", Quantity.TEMPERATURE, 1, 20.0, 1)
FAULTS = [
    PayloadError("one", kind="range", field="/a", hint="look"),
    PayloadError("two", kind="unit", field="/b"),
]


def test_readings_carry_the_faults_beside_them():
    """Where there is a reading, faults and what is left out travel with it."""
    assert gathered([READING], FAULTS, ["damp"]) == Decoded((READING,), tuple(FAULTS), ("damp",))


def test_without_a_reading_the_first_fault_speaks_for_all():
    """Kind, field and hint of the first, the words of all."""
    with pytest.raises(PayloadError, match="one; two") as caught:
        gathered([], FAULTS)
    assert (caught.value.kind, caught.value.field, caught.value.hint) == ("range", "/a", "look")


def test_nothing_at_all_is_a_fault():
    """Parts that are nothing carboyd keeps are named."""
    with pytest.raises(PayloadError, match="damp") as caught:
        gathered([], [], ["damp"])
    assert caught.value.kind == "no_reading"


def test_a_sensor_must_have_a_name():
    """An empty name and one with a comma are faults of the field that gave it."""
    assert require_sensor("float-a", "topic") == "float-a"
    for name in ("", "a,b"):
        with pytest.raises(PayloadError) as caught:
            require_sensor(name, "topic")
        assert (caught.value.kind, caught.value.field) == ("sensor", "topic")


@pytest.mark.parametrize("time_ms", [-1, 7_258_118_400_001])
def test_a_time_lies_between_1970_and_2200(time_ms):
    """The bounds themselves are times, what lies beyond is not."""
    assert require_time(0, "t") == 0
    assert require_time(7_258_118_400_000, "t") == 7_258_118_400_000
    with pytest.raises(PayloadError) as caught:
        require_time(time_ms, "t")
    assert caught.value.kind == "time"
