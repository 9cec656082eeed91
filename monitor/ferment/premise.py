"""What is known of a batch before its first reading: the premise of every verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class MustKind(StrEnum):
    """What the sugar came from; it decides how much of it can ferment."""

    HONEY = "honey"
    MALT = "malt"
    FRUIT = "fruit"
    SUGAR = "sugar"


@dataclass(frozen=True, slots=True)
class Must:
    """The liquid at pitching; None where the maker did not say."""

    kind: MustKind | None = None
    original_gravity_sg: float | None = None
    """Hand sample at 20 degC, specific gravity 20/20."""
    volume_l: float | None = None
    expected_apparent_attenuation: tuple[float, float] | None = None
    """Low and high fraction of the gravity above 1 that is expected to go; above 1 for a dry mead."""


@dataclass(frozen=True, slots=True)
class Yeast:
    """What the yeast's maker says of it."""

    temperature_c: tuple[float, float] | None = None
    """Lowest and highest temperature it is meant for."""
    alcohol_tolerance_abv: float | None = None


@dataclass(frozen=True, slots=True)
class Premise:
    """All that the analysis may know of a batch besides its events.

    A sensor named here is believed for that quantity; where it is None, the first sensor that delivers
    the quantity is.
    """

    pitched_ms: int
    must: Must = field(default_factory=Must)
    yeast: Yeast = field(default_factory=Yeast)
    gravity_sensor: str | None = None
    temperature_sensor: str | None = None
