"""Many small tables that are added up: each asks a few yes-or-no questions and gives what stands there.

Every question is whether one trait is above an edge; d questions lead to one of 2**d places. The sum over
some hundred tables is fine enough for a forecast, costs some microseconds, and never leaves the range it has
seen: beyond the outermost edges it stays as it is. `monitor.replay.boosting` makes them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.series import Floats

Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tables:
    """t tables of d questions each."""

    base: float
    trait: Places
    """(t, d) which trait is asked for."""
    edge: Floats
    """(t, d) above which the answer is yes; a trait that is not known is not above it."""
    value: Floats
    """(t, 2**d) what is added; the first question decides the half."""

    def answer(self, traits: Floats) -> float:
        """The sum for one moment's traits."""
        return float(self.answers(traits[None])[0])

    def answers(self, traits: Floats) -> Floats:
        """The sums for rows of traits."""
        place = places(traits, self.trait, self.edge)
        return np.asarray(self.base + self.value[np.arange(len(self.value)), place].sum(axis=1))


def places(traits: Floats, trait: Places, edge: Floats) -> Places:
    """(n, t) the place to which the questions of each of t tables lead each of n rows of traits."""
    place = np.zeros((len(traits), len(trait)), dtype=np.int64)
    for asked, at in zip(trait.T, edge.T, strict=True):
        place = 2 * place + (traits[:, asked] > at)
    return place
