"""Which thresholds are swept, over which values, and the designs of a sweep.

The values are rungs of a ladder: round numbers a maker would write, so that ten thousand sets have few
different comparisons between them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.ferment.pipeline import Analysis
from monitor.tune.sets import PART_OF, Sets, value_of

MOST_SETS: Final = 100_000
MOST_CHANGED: Final = 6
"""A random set differs from the present one in one to so many thresholds."""


@dataclass(frozen=True, slots=True)
class Ladder:
    """One threshold and the values it is tried at, rising."""

    name: str
    rungs: tuple[float, ...]
    unit: str = ""


LADDERS: Final = (
    Ladder("finished_doubt", (0.02, 0.03, 0.05, 0.07, 0.1, 0.12, 0.14, 0.17, 0.2, 0.25, 0.3, 0.4, 0.5)),
    Ladder("least_hours", (18.0, 24.0, 30.0, 36.0, 48.0, 72.0), "h"),
    Ladder("stalled_doubt", (0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85)),
    Ladder("stalled_per_day", (0.2, 0.3, 0.4, 0.5, 0.6, 0.8), "points a day"),
    Ladder("stalled_surely_sd", (1.5, 2.0, 2.5, 3.0, 4.0), "standard deviations"),
    Ladder("stuck_gap_points", (1.0, 2.0, 3.0, 4.0, 5.0), "points"),
    Ladder("restart_points", (1.0, 1.5, 2.0, 2.5, 3.0, 4.0), "points"),
    Ladder("refermenting_points", (0.5, 0.6, 0.8, 1.0, 1.2, 1.5, 2.0), "points"),
    Ladder("refermenting_z", (2.5, 2.9, 3.5, 4.0, 5.0, 6.0), "standard errors"),
    Ladder("finished_dwell", (2.0, 4.0, 6.0, 9.0, 12.0, 18.0, 24.0), "h"),
    Ladder("stalled_dwell", (2.0, 4.0, 6.0, 9.0, 12.0, 18.0, 24.0), "h"),
    Ladder("refermenting_dwell", (1.0, 2.0, 3.0, 6.0, 9.0, 12.0), "h"),
    Ladder("clear_dwell", (3.0, 6.0, 12.0, 24.0), "h"),
    Ladder("silent_hours", (6.0, 9.0, 12.0, 18.0, 24.0), "h"),
    Ladder("silent_intervals", (6.0, 9.0, 12.0, 18.0, 24.0), "of its own intervals"),
    Ladder("temperature_margin_c", (0.0, 0.1, 0.2, 0.3, 0.5, 1.0), "degC"),
    Ladder("temperature_dwell", (1.0, 2.0, 3.0, 6.0, 9.0, 12.0), "h"),
)
"""What is swept unless other thresholds are named; ranges from common practice about the defaults."""


def ladders(present: Analysis, names: Iterable[str] = ()) -> tuple[Ladder, ...]:
    """The ladders to sweep, each with the present value among its rungs.

    `names` picks some; a name without a ladder of its own gets one about its present value. Raises
    InputError for a threshold that does not exist.
    """
    known = {one.name: one for one in LADDERS if one.name in PART_OF}
    wanted = tuple(dict.fromkeys(names)) or tuple(known)
    unknown = [name for name in wanted if name not in PART_OF]
    if unknown:
        raise InputError(
            f"no threshold is called {', '.join(unknown)}", hint=f"They are {', '.join(PART_OF)}."
        )
    found = []
    for name in wanted:
        value = value_of(present, name)
        one = known.get(name) or Ladder(name, _about(value))
        found.append(Ladder(name, tuple(sorted({*one.rungs, value})), one.unit))
    return tuple(found)


def _about(value: float) -> tuple[float, ...]:
    if value == 0.0:
        return (0.0, 0.5, 1.0)
    return tuple(float(f"{value * factor:.3g}") for factor in (0.5, 0.75, 1.0, 1.5, 2.0))


@dataclass(frozen=True, slots=True)
class Design:
    """Sets drawn from ladders; the first one is always the present setting."""

    present: Analysis
    ladders: tuple[Ladder, ...]
    rungs: NDArray[np.int64]
    """(sets x ladders): which rung of each."""

    @property
    def home(self) -> NDArray[np.int64]:
        """The rungs of the present setting."""
        return home(self.present, self.ladders)

    @property
    def sets(self) -> Sets:
        """The settings themselves."""
        columns = [np.array(one.rungs)[rungs] for one, rungs in zip(self.ladders, self.rungs.T, strict=True)]
        return Sets(self.present, tuple(one.name for one in self.ladders), np.stack(columns, axis=1))

    @property
    def steps(self) -> NDArray[np.int64]:
        """How far each set is from the present one: thresholds changed, a hundred each, and rungs moved."""
        moved = np.abs(self.rungs - self.home)
        return np.asarray(100 * np.count_nonzero(moved, axis=1) + moved.sum(axis=1))


def home(present: Analysis, swept: tuple[Ladder, ...]) -> NDArray[np.int64]:
    """The rungs of the present setting."""
    return np.array([one.rungs.index(value_of(present, one.name)) for one in swept], dtype=np.int64)


def design_of(present: Analysis, swept: tuple[Ladder, ...], rungs: NDArray[np.int64]) -> Design:
    """A design of the sets given, each once, the present setting before them all."""
    every = np.concatenate([home(present, swept)[None, :], rungs])
    _, first = np.unique(every, axis=0, return_index=True)
    return Design(present, swept, every[np.sort(first)])


def grid(present: Analysis, swept: tuple[Ladder, ...]) -> Design:
    """Every combination of the rungs; InputError where they are too many."""
    count = int(np.prod([len(one.rungs) for one in swept], dtype=float))
    if count > MOST_SETS:
        raise InputError(
            f"a grid of {', '.join(one.name for one in swept)} has {count:,} sets; at most {MOST_SETS:,}",
            hint="Name fewer thresholds with --only, or search at random.",
        )
    axes = np.meshgrid(*(np.arange(len(one.rungs)) for one in swept), indexing="ij")
    return design_of(present, swept, np.stack([axis.ravel() for axis in axes], axis=1))


def random(present: Analysis, swept: tuple[Ladder, ...], count: int, seed: int) -> Design:
    """So many sets (fewer where there are no more), each the present one with a few thresholds changed."""
    rng = np.random.default_rng(seed)
    at_home = home(present, swept)
    sizes = np.array([len(one.rungs) for one in swept])
    rungs = np.empty((0, len(swept)), dtype=np.int64)
    for _ in range(8):  # sets drawn twice are dropped, and drawn anew a few times
        drawn = (rng.random((count, len(swept))) * sizes).astype(np.int64)
        changing = rng.integers(1, min(MOST_CHANGED, len(swept)) + 1, size=count)
        order = rng.random((count, len(swept))).argsort(axis=1).argsort(axis=1)
        rungs = np.concatenate([rungs, np.where(order < changing[:, None], drawn, at_home)])
        found = design_of(present, swept, rungs)
        if len(found.rungs) >= count:
            break
    return Design(present, swept, found.rungs[:count])
