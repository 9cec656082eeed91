"""Hours to the end by the tables that come with the package, from the traits of the course so far.

A formula that is drawn on to the end takes a ferment to slow as formulas do. What half-done ferments of such
traits still took is known better than that: `monitor.replay.foretellings` fitted the tables to simulated
ones, of seeds that nothing is measured on, one set of tables each for the 5th, 50th and 95th percentile.
"""

from __future__ import annotations

import math
from functools import cache
from importlib import resources
from typing import Final

import numpy as np

from monitor.ferment.series import Floats
from monitor.ferment.tables import Tables

QUANTILES: Final = (0.05, 0.5, 0.95)
LEAST_HOURS: Final = 1.0


@cache
def kept() -> tuple[Tables, ...]:
    """The tables of each quantile, for the logarithm of the hours."""
    with resources.files("monitor.ferment").joinpath("foretelling.npz").open("rb") as file:
        data = np.load(file)
        return tuple(
            Tables(
                float(data[f"base_{quantile}"]),
                data[f"trait_{quantile}"].astype(np.int64),
                data[f"edge_{quantile}"].astype(np.float64),
                data[f"value_{quantile}"].astype(np.float64),
            )
            for quantile in QUANTILES
        )


def hours_left(traits: Floats, tables: tuple[Tables, ...] | None = None) -> tuple[float, float, float]:
    """5th, 50th and 95th percentile of the hours from now until a point is left, in that order."""
    low, middle, high = (math.exp(one.answer(traits)) for one in (kept() if tables is None else tables))
    middle = max(middle, LEAST_HOURS)
    # each quantile was fitted by itself: where they cross, the middle one is believed
    return min(low, 0.9 * middle), middle, max(high, 1.1 * middle)
