"""`carboyd sensors`: what was heard, and whose it is."""

from __future__ import annotations

import json

from monitor.ferment.event import Reading
from monitor.units import Quantity


def test_every_sensor_stands_with_its_batch(carboyd_command, store):
    """A float with the batch that believes it, hand samples with the batch they were drawn from."""
    carboyd_command("batch", "start", "Porch", "--gravity-sensor", "float-a")
    carboyd_command("batch", "sample", "porch", "1.040")
    store.readings.commit([Reading(name, Quantity.GRAVITY, 0, 1.040, 0) for name in ("float-a", "float-b")])
    lines = carboyd_command("sensors").output.splitlines()
    assert [line.split("  ")[-1] for line in lines] == ["porch", "no batch", "porch"]
    told = json.loads(carboyd_command("sensors", "--json").output)
    assert [(one["sensor"], one["batches"]) for one in told] == [
        ("float-a", ["porch"]),
        ("float-b", []),
        ("hand.porch", ["porch"]),
    ]


def test_an_angle_beyond_the_calibration_is_told(carboyd_command, store, tmp_path):
    """The line of the angle says so, and only that one."""
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("25, 1.000\n40, 1.030\n60, 1.070\n")
    store.readings.commit([Reading(f"float-{deg}", Quantity.ANGLE, 0, deg, 0) for deg in (60, 61)])
    for deg in (60, 61):
        carboyd_command("calibrate", f"float-{deg}", str(pairs), "--from", "1970-01-01T00:00:00Z")
    lines = carboyd_command("sensors").output.splitlines()
    assert [line.split()[0] for line in lines if line.endswith("no batch; beyond its calibration")] == [
        "float-61"
    ]
    told = json.loads(carboyd_command("sensors", "--json").output)
    beyond = [(one["sensor"], one["quantity"]) for one in told if one["beyond_calibration"]]
    assert beyond == [("float-61", "angle")]
