"""Calibration by command: fitted, shown, kept with its date, and old angles turned into gravities."""

from __future__ import annotations

import json

import pytest

from monitor.errors import CalibrationError
from monitor.ferment.event import Reading
from monitor.units import Quantity

# made up: gravity = 1 + (angle - 25) / 500, so that what must come out can be worked out by head
PAIRS = "angle,gravity\n25,1.000\n30,1.010\n35,1.020\n45,1.040\n55,1.060\n"


def test_pairs_become_a_kept_calibration_and_a_picture(carboyd_command, store, tmp_path):
    """A straight line is found, the picture is a PNG, and angles from its date on get gravities."""
    store.readings.commit(
        [Reading("float-b", Quantity.ANGLE, time_ms, 40.0, time_ms) for time_ms in (1_000, 9_000)]
    )
    pairs, picture = tmp_path / "pairs.csv", tmp_path / "curve.png"
    pairs.write_text(PAIRS)
    done = carboyd_command(
        "calibrate", "float-b", str(pairs), "--from", "1970-01-01T00:00:05Z", "--picture", str(picture)
    )
    assert done.exit_code == 0, done.exception
    assert "degree 1" in done.output
    assert picture.read_bytes().startswith(b"\x89PNG")
    derived = list(store.readings.read(["float-b"], quantities=[Quantity.GRAVITY]).readings())
    assert [one.time_ms for one in derived] == [9_000]
    assert derived[0].value == pytest.approx(1.030, abs=1e-9)


def test_pairs_may_be_typed(carboyd_command, store):
    """Standard input ends at an empty line; --dry-run keeps nothing."""
    done = carboyd_command(
        "calibrate", "float-b", "--dry-run", "--json", stdin="25 1.000\n35 1.020\n45 1.040\n\n"
    )
    assert done.exit_code == 0, done.exception
    assert json.loads(done.stdout)["sensor"] == "float-b"
    assert store.calibrations.listed() == []


def test_too_few_pairs_are_refused(carboyd_command):
    """Two liquids make no calibration."""
    done = carboyd_command("calibrate", "float-b", stdin="25 1.000\n35 1.020\n\n")
    assert isinstance(done.exception, CalibrationError)


def test_a_kept_calibration_is_shown(carboyd_command, tmp_path):
    """--show lists what is kept, or that nothing is."""
    assert "has no calibration" in carboyd_command("calibrate", "float-b", "--show").output
    pairs = tmp_path / "pairs.csv"
    pairs.write_text(PAIRS)
    carboyd_command("calibrate", "float-b", str(pairs))
    assert "degree 1" in carboyd_command("calibrate", "float-b", "--show").output


def test_a_slip_in_the_sensors_name_shows(carboyd_command, store):
    """No name is refused; one that was never heard is kept, and said."""
    pairs = "25 1.000\n35 1.020\n45 1.040\n\n"
    assert isinstance(carboyd_command("calibrate", " ", stdin=pairs).exception, CalibrationError)
    assert store.calibrations.listed() == []
    assert "flaot-b has not been heard yet" in carboyd_command("calibrate", "flaot-b", stdin=pairs).output
    store.readings.commit([Reading("float-b", Quantity.ANGLE, 0, 40.0, 0)])
    assert "not been heard" not in carboyd_command("calibrate", "float-b", stdin=pairs).output
