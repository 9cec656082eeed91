"""What happens to a batch: readings, the passing of time, and what the maker does.

`Event = Reading | Tick | JournalEntry` is all that the pipeline ever sees, and each event carries the
time at which it became known (`at_ms`): the core knows no other clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.units import Quantity


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value, in the unit `monitor.units.KEPT_UNIT` gives for its quantity.

    The key of a reading is (sensor, quantity, time_ms): the same key again is the same reading.
    """

    sensor: str
    quantity: Quantity
    time_ms: int
    """When the sensor measured."""
    value: float
    received_ms: int
    """When it arrived here."""

    @property
    def at_ms(self) -> int:
        """When it became known."""
        return self.received_ms


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed; silence is news too."""

    at_ms: int


class JournalKind(StrEnum):
    """What a maker does to a batch."""

    NUTRIENT = "nutrient"
    SUGAR_ADDITION = "sugar_addition"
    RACKED = "racked"
    STABILISED = "stabilised"
    SWEETENED = "sweetened"
    INFUSION_IN = "infusion_in"
    INFUSION_OUT = "infusion_out"
    PACKAGED = "packaged"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """Something the maker did.

    `done_ms` is when it was done; `at_ms` is when it was entered, which may be later.
    """

    kind: JournalKind
    done_ms: int
    at_ms: int
    note: str = ""


Event = Reading | Tick | JournalEntry
