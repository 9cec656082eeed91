"""Cautions travel inside results, so that no way of showing a result can drop them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Hazard(StrEnum):
    """What a caution is about."""

    SULFITE = "sulfite"
    SORBATE = "sorbate"
    ACID = "acid"
    PRESSURE = "pressure"
    CARBON_DIOXIDE = "carbon dioxide"
    ALCOHOL = "alcohol"
    HEAT = "heat"
    QUALITY = "quality"  # nobody is hurt, but the batch may be
    LAW = "law"


@dataclass(frozen=True, slots=True)
class Caution:
    """One warning, a full sentence that says what to do."""

    hazard: Hazard
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advised:
    """Base of every result whose use can go wrong: it cannot be made without saying its cautions."""

    cautions: tuple[Caution, ...]
