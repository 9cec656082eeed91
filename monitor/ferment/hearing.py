"""How long a believed sensor has been silent."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hearing:
    """One sensor: hours since it was last heard (since pitching if never), and its usual interval (nan:
    unknown)."""

    sensor: str
    silent_hours: float
    interval_hours: float
