"""Many settings at once: for every threshold and every alert policy's figure, the value of each set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.pipeline import Analysis
from monitor.ferment.verdict import Thresholds
from monitor.tune.spread import Spread

PARTS: dict[str, type] = {"thresholds": Thresholds, "alerts": AlertPolicy}
"""Where thresholds stand in the configuration, and what holds them."""
PART_OF: dict[str, str] = {one.name: part for part, kind in PARTS.items() for one in fields(kind)}


def value_of(analysis: Analysis, name: str) -> float:
    """One threshold of an analysis."""
    return float(getattr(getattr(analysis, PART_OF[name]), name))


def changed(analysis: Analysis, values: Mapping[str, float]) -> Analysis:
    """An analysis with some thresholds changed; InputError for one that does not exist."""
    unknown = sorted(set(values) - set(PART_OF))
    if unknown:
        raise InputError(
            f"no threshold is called {', '.join(unknown)}", hint=f"They are {', '.join(PART_OF)}."
        )
    per_part: dict[str, dict[str, float]] = {part: {} for part in PARTS}
    for name, value in values.items():
        per_part[PART_OF[name]][name] = value
    return replace(
        analysis,
        thresholds=replace(analysis.thresholds, **per_part["thresholds"]),
        alerts=replace(analysis.alerts, **per_part["alerts"]),
    )


@dataclass(frozen=True, slots=True)
class Sets:
    """Settings that differ from `base` in the thresholds named; values are (sets x names)."""

    base: Analysis
    names: tuple[str, ...]
    values: NDArray[np.float64]

    @classmethod
    def one(cls, analysis: Analysis) -> Sets:
        """A single setting."""
        return cls(analysis, (), np.empty((1, 0)))

    @classmethod
    def listed(cls, analyses: Sequence[Analysis]) -> Sets:
        """Settings given one by one; every figure of theirs may differ."""
        names = tuple(PART_OF)
        values = np.array([[value_of(one, name) for name in names] for one in analyses])
        return cls(analyses[0], names, values)

    def __len__(self) -> int:
        """How many there are."""
        return len(self.values)

    def __getitem__(self, place: int) -> Analysis:
        """One of them."""
        return changed(self.base, dict(zip(self.names, self.values[place].tolist(), strict=True)))

    def spreads(self) -> tuple[Thresholds, AlertPolicy]:
        """Thresholds and alert policy with a Spread in place of every number that differs."""
        parts: dict[str, dict[str, Any]] = {part: {} for part in PARTS}
        for name, column in zip(self.names, self.values.T, strict=True):
            different, codes = np.unique(column, return_inverse=True)
            parts[PART_OF[name]][name] = Spread(codes, different[:, None])
        return (
            replace(self.base.thresholds, **parts["thresholds"]),
            replace(self.base.alerts, **parts["alerts"]),
        )
