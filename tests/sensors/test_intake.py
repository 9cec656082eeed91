"""Units on the way in."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import PayloadError, QuantityError
from monitor.sensors.intake import POSSIBLE, intake, units_of
from monitor.units import KEPT_UNIT, Quantity


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "kept", "tolerance"),
    [
        (Quantity.GRAVITY, "sg", 1.043, 1.043, 0.0),
        (Quantity.GRAVITY, "plato", 10.0, 1.039984, 1e-6),  # ICUMSA SPS-4, in vacuo
        (Quantity.GRAVITY, "brix", 15.0, 1.061069, 1e-6),  # the same
        (Quantity.GRAVITY, "oechsle", 85.0, 1.085, 1e-12),  # by definition
        (Quantity.GRAVITY, "kg/m3", 1018.2, 1.020033, 1e-6),  # over water at 20 degC, 998.203 (ITS-90 Kell)
        (Quantity.GRAVITY, "g/cm3", 1.0182, 1.020033, 1e-6),
        (Quantity.ANGLE, "rad", math.pi / 4, 45.0, 1e-12),
        (Quantity.TEMPERATURE, "degF", 68.0, 20.0, 1e-12),  # by definition
        (Quantity.TEMPERATURE, "K", 273.15, 0.0, 1e-12),  # by definition
        (Quantity.AMBIENT_TEMPERATURE, "degC", 0.0, 0.0, 0.0),
        (Quantity.BATTERY, "ratio", 0.87, 87.0, 1e-12),
        (Quantity.BATTERY, "%", 0.0, 0.0, 0.0),
        (Quantity.SIGNAL, "dBW", -103.0, -73.0, 1e-12),  # dBW = dBm - 30, by definition
        (Quantity.PRESSURE, "hPa", 1013.25, 101.325, 1e-12),
        (Quantity.PRESSURE, "psi", 14.5037738, 100.0, 1e-6),  # NIST SP 811
        (Quantity.PRESSURE, "bar", 2.0, 200.0, 1e-12),
    ],
)
def test_values_come_into_their_kept_unit(quantity, unit, value, kept, tolerance):
    """Each unit is converted once; a zero stays a zero."""
    assert intake(quantity, unit).take(value, "field") == pytest.approx(kept, abs=tolerance or 1e-15)


def test_a_battery_in_volts_is_a_voltage():
    """What a battery is told in decides what is kept."""
    way = intake(Quantity.BATTERY, "mV")
    assert (way.quantity, way.take(3_700, "field")) == (Quantity.BATTERY_VOLTAGE, 3.7)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_quantity_comes_in_its_kept_unit(quantity):
    """The unit that is kept is always one that may come in, and it is kept as it is."""
    low, high = POSSIBLE[quantity]
    for value in (low, high):
        assert intake(quantity, KEPT_UNIT[quantity]).take(value, "field") == value


@pytest.mark.parametrize(
    ("quantity", "unit", "value"),
    [
        (Quantity.TEMPERATURE, "degC", -127.0),
        (Quantity.TEMPERATURE, "K", 0.0),
        (Quantity.GRAVITY, "sg", 0.0),
        (Quantity.GRAVITY, "sg", 1043.0),
        (Quantity.GRAVITY, "plato", 1e300),
        (Quantity.GRAVITY, "plato", -90.0),
        (Quantity.ANGLE, "deg", -1.0),
        (Quantity.BATTERY, "%", 101.0),
        (Quantity.SIGNAL, "dBm", 300.0),
        (Quantity.PRESSURE, "kPa", -1.0),
    ],
)
def test_the_impossible_is_refused(quantity, unit, value):
    """A value no working sensor could measure is a fault that names the field."""
    with pytest.raises(PayloadError) as caught:
        intake(quantity, unit).take(value, "/v")
    assert (caught.value.kind, caught.value.field) == ("range", "/v")


@given(
    way=st.sampled_from([(quantity, unit) for quantity in Quantity for unit in units_of(quantity)]),
    value=st.floats(),
)
def test_every_number_is_possible_or_refused(way, value):
    """Whatever the float, NaN and infinity included, what comes out is within what is possible."""
    taken = intake(*way)
    try:
        kept = taken.take(value, "field")
    except PayloadError:
        return
    low, high = POSSIBLE[taken.quantity]
    assert low <= kept <= high


def test_an_unknown_unit_is_refused_with_those_allowed():
    """The hint lists the units of the quantity."""
    with pytest.raises(QuantityError) as caught:
        intake(Quantity.TEMPERATURE, "C")
    assert caught.value.hint == "allowed units: degC, degF, K"
