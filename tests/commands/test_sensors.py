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
