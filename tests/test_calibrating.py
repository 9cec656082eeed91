"""A calibration that is kept, and the angles that were told before it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.calibrating import keep_calibration, rederive, sensors_beyond
from monitor.errors import CalibrationError
from monitor.ferment.event import Reading
from monitor.sensors.calibration import Pair, fit_calibration
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, Quantity

NOW_MS = 1_767_463_200_000
SENSOR = "float-b"
PAIRS = [Pair(25.0, 1.010), Pair(35.0, 1.030), Pair(45.0, 1.050), Pair(55.0, 1.070)]
"""A made-up line: 1.010 at 25 degrees, two points more a degree."""


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with the angles 40, 179 and 45 of one float, a second apart."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        angles = ((0, 40.0), (1_000, 179.0), (2_000, 45.0))
        opened.readings.commit(
            [Reading(SENSOR, Quantity.ANGLE, NOW_MS + at_ms, deg, NOW_MS) for at_ms, deg in angles]
        )
        yield opened


def _gravities(store: SqlStore) -> list[float]:
    return [float(one) for one in store.readings.read([SENSOR], quantities=[Quantity.GRAVITY]).value]


def test_kept_angles_are_turned_and_what_no_liquid_is_is_refused(store: SqlStore) -> None:
    """40 and 45 degrees are 1.040 and 1.050; 179 would be 1.318, beyond what a live reading may be."""
    found = rederive(store, fit_calibration(SENSOR, PAIRS, 0), None, NOW_MS)
    assert _gravities(store) == pytest.approx([1.040, 1.050], abs=1e-9)
    assert (found.turned, found.impossible) == (2, 1)
    assert found.words() == "2 angles turned into gravities anew; 1 gave none, no liquid is like that"


def test_who_goes_beyond_a_calibration_is_known(store: SqlStore) -> None:
    """The newest angle counts, against the calibration that holds for it; without one nobody goes beyond."""
    heard = store.readings.heard()
    assert sensors_beyond(store, heard) == set()
    keep_calibration(store, fit_calibration(SENSOR, PAIRS[:3], 0), NOW_MS)
    assert sensors_beyond(store, heard) == set()
    store.readings.commit([Reading(SENSOR, Quantity.ANGLE, NOW_MS + 3_000, 45.5, NOW_MS)])
    assert sensors_beyond(store, store.readings.heard()) == {SENSOR}
    keep_calibration(store, fit_calibration(SENSOR, PAIRS, NOW_MS + 2_500), NOW_MS)
    assert sensors_beyond(store, store.readings.heard()) == set()


def test_a_new_calibration_overwrites_what_the_old_one_made(store: SqlStore) -> None:
    """The same angles stand ten points higher by a line that lies ten points higher."""
    keep_calibration(store, fit_calibration(SENSOR, PAIRS, 0), NOW_MS)
    higher = [Pair(pair.angle_deg, pair.gravity_sg + 0.010) for pair in PAIRS]
    keep_calibration(store, fit_calibration(SENSOR, higher, 0), NOW_MS)
    assert _gravities(store) == pytest.approx([1.050, 1.060], abs=1e-9)


def test_a_calibration_ends_where_the_next_begins(store: SqlStore) -> None:
    """One that holds from earlier leaves alone what a later one has turned."""
    later = [Pair(pair.angle_deg, pair.gravity_sg + 0.010) for pair in PAIRS]
    keep_calibration(store, fit_calibration(SENSOR, later, NOW_MS + 1_500), NOW_MS)
    found = keep_calibration(store, fit_calibration(SENSOR, PAIRS, 0), NOW_MS)
    assert found.turned == 1
    assert sorted(_gravities(store)) == pytest.approx([1.040, 1.060], abs=1e-9)


def test_a_calibration_does_not_begin_in_the_future(store: SqlStore) -> None:
    """A slipped year would leave the float without gravity until then."""
    with pytest.raises(CalibrationError, match="lies in the future"):
        keep_calibration(store, fit_calibration(SENSOR, PAIRS, NOW_MS + 365 * MS_PER_DAY), NOW_MS)
    assert store.calibrations.listed() == []
