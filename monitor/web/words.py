"""The words a page uses for phases, alerts and deeds."""

from __future__ import annotations

from typing import Final

from monitor.ferment.emission import AlertKind, Phase, Severity
from monitor.ferment.event import JournalKind
from monitor.units import Quantity

PHASE: Final[dict[Phase, str]] = {
    Phase.UNKNOWN: "Not told yet",
    Phase.LAG: "Starting",
    Phase.ACTIVE: "Fermenting",
    Phase.SLOWING: "Slowing",
    Phase.FINISHED: "Finished",
    Phase.STALLED: "Stalled",
    Phase.REFERMENTING: "Fermenting again",
}

ALERT: Final[dict[AlertKind, str]] = {
    AlertKind.FINISHED: "Finished",
    AlertKind.STALLED: "Stalled",
    AlertKind.REFERMENTING: "Fermenting again",
    AlertKind.TEMPERATURE_LOW: "Too cold",
    AlertKind.TEMPERATURE_HIGH: "Too warm",
    AlertKind.SENSOR_SILENT: "Sensor silent",
    AlertKind.NUTRIENT_DUE: "Nutrient due",
    AlertKind.INFUSION_DUE: "Infusion due",
}

SEVERITY: Final[dict[Severity, str]] = {
    Severity.DANGER: "Danger",
    Severity.ACT: "Act",
    Severity.NOTE: "Note",
}

DEED: Final[dict[JournalKind, str]] = {
    JournalKind.NUTRIENT: "Fed",
    JournalKind.SUGAR_ADDITION: "Sugar or honey added",
    JournalKind.RACKED: "Racked",
    JournalKind.STABILISED: "Stabilised",
    JournalKind.SWEETENED: "Sweetened",
    JournalKind.INFUSION_IN: "Infusion in",
    JournalKind.INFUSION_OUT: "Infusion out",
    JournalKind.PACKAGED: "Packaged",
    JournalKind.NOTE: "Note",
}
"""In the order in which a batch usually meets them."""

QUANTITY: Final[dict[Quantity, str]] = {
    Quantity.GRAVITY: "gravity",
    Quantity.ANGLE: "float angle",
    Quantity.TEMPERATURE: "liquid temperature",
    Quantity.AMBIENT_TEMPERATURE: "room temperature",
    Quantity.BATTERY: "battery",
    Quantity.BATTERY_VOLTAGE: "battery voltage",
    Quantity.SIGNAL: "signal",
    Quantity.SAMPLE_GRAVITY: "hand sample",
    Quantity.PRESSURE: "pressure",
}
