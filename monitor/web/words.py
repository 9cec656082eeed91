"""The words a page uses for phases, alerts and deeds."""

from __future__ import annotations

from http import HTTPStatus
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

FAULT: Final[dict[HTTPStatus, str]] = {
    HTTPStatus.NOT_FOUND: "Not found",
    HTTPStatus.CONFLICT: "That cannot be done now",
    HTTPStatus.UNPROCESSABLE_ENTITY: "That could not be taken",
    HTTPStatus.BAD_GATEWAY: "It was not accepted",
    HTTPStatus.SERVICE_UNAVAILABLE: "Not possible at the moment",
    HTTPStatus.INTERNAL_SERVER_ERROR: "Something went wrong here",
}
"""What stands above a fault that can meet a maker; the rarer ones have the words of HTTP."""

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

THRESHOLD: Final[dict[str, str]] = {
    "least_readings": "Judged with readings in so many of the last 48 hours",
    "stale_hours": "Not judged once a reading is older than, hours",
    "begun_points": "Begun after a fall of, points",
    "least_hours": "Not judged before, hours after pitching or sugar",
    "finished_doubt": "Finished: chance that it is not, at most (0 to 1)",
    "finished_gap_sd": "Finished: beyond 5 points above its likely end, standard deviations",
    "calm_rise_z": "Neither finished nor stalled while the float rises by, standard errors",
    "stalled_doubt": "Stalled: chance that it is not, at most (0 to 1)",
    "stalled_per_day": "Stalled: falls by at most, points a day",
    "stalled_surely_sd": "Stalled, if flat: beyond 5 points above its likely end, standard deviations",
    "moving_z": "Falling: as surely as, standard errors",
    "moving_per_day": "Falling: by at least, points a day",
    "restart_points": "Finish or stall taken back after a fall of, points",
    "refermenting_points": "Fermenting again: has fallen by, points",
    "refermenting_z": "Fermenting again: as surely as, standard errors",
    "drift_per_day": "A float's own drift, points a day",
    "lag_hours": "Failed start after, hours",
    "week_per_day": "At rest for a week: falls by at most, points a day",
    "week_doubt": "Finished, at rest for a week: chance that it is not, at most (0 to 1)",
    "stuck_gap_points": "Stalled: above its likely end by at least, points",
    "finished_dwell": "Finished: told once it has held, hours",
    "stalled_dwell": "Stalled: told once it has held, hours",
    "refermenting_dwell": "Fermenting again: told once it has held, hours",
    "clear_dwell": "Over: told once it has held, hours",
    "phase_dwell": "Phase: changes once it has held, hours",
    "temperature_dwell": "Too cold or warm: told once it has held, hours",
    "temperature_margin_c": "Too cold or warm: beyond the yeast's range by, °C",
    "silent_hours": "Sensor silent after, hours",
    "silent_intervals": "Sensor silent after so many of its own intervals",
    "nutrient_hours": "Nutrient due after, hours",
    "nutrient_latest_share": "Nutrient too late after this share of the fall (0 to 1)",
    "infusion_days": "Infusion due after, days",
}
"""What each threshold is, as the page that tries other ones asks for it."""
