"""From the wire to the store: committed before acknowledged, derived and refused in the same breath."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pytest

from monitor.errors import StoreUnavailableError
from monitor.intake import Intake
from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Pair, fit_calibration
from monitor.sensors.decoded import Decoded
from monitor.sensors.payload import Decoder
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import StoredCalibration
from monitor.units import Quantity

NOW_MS = 1_767_463_200_000


class Wire:
    """Remembers what was acknowledged, and what the store held at that moment."""

    def __init__(self, store: SqlStore) -> None:
        self.acknowledged: list[Arrival] = []
        self.stored_then: list[int] = []
        self._store = store

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Let the broker forget these."""
        self.acknowledged += arrivals
        self.stored_then.append(len(self._store.readings.after(0, 100)))


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        yield opened


def _arrival(payload: str, topic: str = "carboyd/readings/float-b", token: int = 1) -> Arrival:
    return Arrival(topic, payload.encode(), NOW_MS, ack_token=token)


def _calibrate(store: SqlStore, valid_from_ms: int) -> None:
    pairs = [Pair(25.0, 1.000), Pair(35.0, 1.020), Pair(45.0, 1.040), Pair(55.0, 1.060)]
    calibration = fit_calibration("float-b", pairs, valid_from_ms)
    store.calibrations.record(StoredCalibration("float-b", valid_from_ms, NOW_MS, calibration.to_dict()))


def test_what_is_acknowledged_was_stored_before(store: SqlStore) -> None:
    """At the moment of the acknowledgement the reading is in the store."""
    wire = Wire(store)
    taken = Intake(store, Decoder(), wire).take([_arrival('[{"n":"density","u":"kg/m3","v":1030}]')])
    assert [one.quantity for one in taken] == [Quantity.GRAVITY]
    assert wire.stored_then == [1]


def test_a_failing_store_acknowledges_nothing(tmp_path) -> None:
    """A store with no room: the error comes out, and the message is still the broker's."""
    options = StoreOptions(f"sqlite:///{tmp_path}/small.sqlite", largest_bytes=300_000)
    with SqlStore(options) as small:
        wire = Wire(small)
        intake = Intake(small, Decoder(), wire)

        def until_full() -> None:
            for number in range(20_000):
                pack = f'[{{"n":"density","u":"kg/m3","v":1030,"t":{NOW_MS // 1000 - number}}}]'
                intake.take([_arrival(pack)])

        with pytest.raises(StoreUnavailableError):
            until_full()
        assert len(wire.acknowledged) == len(small.readings.after(0, 100_000))


def test_a_refused_message_is_acknowledged_with_the_rest(store: SqlStore) -> None:
    """A poison message must not come again for ever: it is in quarantine, and acknowledged."""
    wire = Wire(store)
    intake = Intake(store, Decoder(), wire)
    intake.take([_arrival("nonsense"), _arrival('[{"n":"density","u":"kg/m3","v":1030}]')])
    assert len(wire.acknowledged) == 2
    assert intake.counts.quarantined == 1
    assert [one.refused.payload for one in store.quarantine.listed()] == [b"nonsense"]


class Stumbling(Decoder):
    """A decoder that has a fault of its own."""

    def decode(self, topic: str, *arguments: Any, **named: Any) -> Decoded:
        """As usual, but for one topic."""
        if topic == "odd":
            raise ZeroDivisionError("division by zero")
        return super().decode(topic, *arguments, **named)


def test_a_message_that_the_decoder_stumbles_over_is_set_aside(
    store: SqlStore, caplog: pytest.LogCaptureFixture
) -> None:
    """It neither keeps the others from being stored nor comes again, and the log has where it happened."""
    wire = Wire(store)
    pack = '[{"n":"density","u":"kg/m3","v":1030}]'
    taken = Intake(store, Stumbling(), wire).take([_arrival(pack, "odd"), _arrival(pack, token=2)])
    assert [one.sensor for one in taken] == ["float-b"]
    assert [one.topic for one in wire.acknowledged] == ["odd", "carboyd/readings/float-b"]
    (kept,) = store.quarantine.listed()
    assert (kept.refused.topic, kept.refused.kind) == ("odd", "undecoded")
    assert "ZeroDivisionError" in kept.refused.reason
    assert any(one.exc_info for one in caplog.records)


def test_a_cleared_retained_value_is_no_message(store: SqlStore) -> None:
    """An empty payload is acknowledged and leaves no trace."""
    wire = Wire(store)
    Intake(store, Decoder(), wire).take([_arrival("")])
    assert len(wire.acknowledged) == 1
    assert store.quarantine.counts() == []


def test_an_angle_becomes_a_gravity_by_the_calibration_of_its_day(store: SqlStore) -> None:
    """40 degrees on the made-up line 1 + (angle - 25)/500 is 1.030; before its validity there is none."""
    _calibrate(store, NOW_MS)
    intake = Intake(store, Decoder(), Wire(store))
    taken = intake.take(
        [
            _arrival(f'[{{"n":"angle","u":"deg","v":40,"t":{NOW_MS // 1000 + 60}}}]'),
            _arrival(f'[{{"n":"angle","u":"deg","v":40,"t":{NOW_MS // 1000 - 60}}}]'),
        ]
    )
    assert [one.quantity for one in taken] == [Quantity.ANGLE, Quantity.GRAVITY, Quantity.ANGLE]
    assert taken[1].value == pytest.approx(1.030, abs=1e-9)


def test_an_angle_far_outside_the_calibration_gives_no_gravity(store: SqlStore) -> None:
    """What no liquid can be is not derived; the angle is kept."""
    _calibrate(store, 0)
    taken = Intake(store, Decoder(), Wire(store)).take([_arrival('[{"n":"angle","u":"deg","v":179}]')])
    assert [one.quantity for one in taken] == [Quantity.ANGLE]


def test_a_sensor_cannot_pass_for_a_hand(store: SqlStore) -> None:
    """A wire message under the name of hand samples is refused: they are the reference."""
    wire = Wire(store)
    taken = Intake(store, Decoder(), wire).take(
        [_arrival('[{"n":"hand.porch:density","u":"kg/m3","v":1030}]')]
    )
    assert taken == []
    assert store.quarantine.listed()[0].refused.kind == "sensor"


def test_what_is_set_aside_says_what_to_do(store: SqlStore) -> None:
    """The reason that is kept names the units that would have been understood."""
    Intake(store, Decoder(), Wire(store)).take([_arrival('[{"n":"density","u":"lb/gal","v":8.6}]')])
    told = store.quarantine.listed()[0].refused.reason
    assert told == (
        "density comes in a unit that is not known here, or in none; SenML units for it: kg/m3, /"
    )


def test_a_fault_is_logged_once_a_kind(store: SqlStore, caplog: pytest.LogCaptureFixture) -> None:
    """A broken float must not fill the log; the count goes on."""
    intake = Intake(store, Decoder(), Wire(store))
    for _ in range(5):
        intake.take([_arrival("nonsense")])
    assert len([one for one in caplog.records if "quarantined" in one.message]) == 1
    assert store.quarantine.counts()[0].count == 5
