"""The batch that tests of the watch and its checkpoints begin with."""

from __future__ import annotations

from monitor.batch.sheet import Sheet
from monitor.ferment.premise import Must, MustKind, Yeast

PITCHED_MS = 1_767_463_200_000
"""2026-01-03T18:00:00Z."""
PORCH = Sheet(
    slug="porch",
    name="Porch",
    pitched_ms=PITCHED_MS,
    must=Must(MustKind.HONEY, 1.040),
    yeast=Yeast((14.0, 24.0)),
    gravity_sensor="float-a",
    temperature_sensor="float-a",
)
"""One float, and a yeast that wants 14 to 24 degC."""
