"""Makes the tables that `monitor.ferment.foretelling` reads, from simulated ferments.

    python -m monitor.replay.foretellings monitor/ferment/foretelling.npz

They follow several mechanisms, half of them the simulator's own. Each ferment is read as its float gave it,
faults and all, and looked at some dozen times on its way down: at hours drawn evenly from its time and evenly
from its fall. Seeds start where no measurement goes.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.random import default_rng
from numpy.typing import NDArray

from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.evidence import Evidence, FitSettings
from monitor.ferment.foretelling import QUANTILES
from monitor.ferment.gauge import Gauge
from monitor.ferment.history import BEGUN_POINTS
from monitor.ferment.left import Left
from monitor.ferment.network import Answers
from monitor.ferment.outlook import Outlook
from monitor.ferment.series import Floats
from monitor.ferment.tables import Tables
from monitor.replay import inhibited_musts, starved_musts
from monitor.replay.boosting import Recipe, fit
from monitor.replay.floated import floated
from monitor.replay.past import Past, past_of
from monitor.replay.player import events_of
from monitor.replay.precedents import stretches
from monitor.replay.simulate import ALL, Simulated, simulate
from monitor.units import MS_PER_HOUR, POINTS_PER_SG

FIRST_SEED: Final = 210_000
LOOKS: Final = 20
LEAST_HOURS: Final = 3.0
"""A look closer to the end than this teaches nothing that is of use."""
RECIPE: Final = Recipe(tables=300, questions=6, step=0.06, shrink=100.0)
OUTER: Final = Recipe(tables=150, questions=4, step=0.08, shrink=150.0)
"""For the outer quantiles, which few examples lie beyond."""
FOLDS: Final = 6
MARKS: Final = (0.5, 0.25)
"""Shares of the fall left: the outer quantiles are made to hold at each ferment's looks nearest to them."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One look at one ferment, and what came of it."""

    traits: Floats
    hours: float
    """From then on to its end."""
    share_left: float
    """Of its whole fall since pitching or the last sugar."""


class _Collector(Gauge):
    """A gauge that keeps the traits instead of foretelling anything from them."""

    traits: Floats | None = None

    def _foresee(self, seen: Evidence, rest: Left, traits: Floats | None, said: Answers | None) -> Outlook:
        self.traits = traits
        return Outlook()


def looks(ferment: Simulated) -> list[int]:
    """When a ferment is looked at, whole hours of UTC, in order; nothing of one that came to no end."""
    finished_ms, pitched_ms = ferment.truth.finished_ms, ferment.recording.premise.pitched_ms
    if finished_ms is None:
        return []
    points = (ferment.gravity_sg - 1.0) * POINTS_PER_SG
    end = (finished_ms - pitched_ms) / MS_PER_HOUR
    begin = max((begin for begin, _ in stretches(past_of(ferment)) if begin < end), default=0)
    part = points[begin : int(end) + 1]
    fallen = np.maximum.accumulate(part[0] - part)
    begun = np.flatnonzero(fallen >= BEGUN_POINTS)
    if not begun.size:
        return []
    rng = default_rng(ferment.seed)
    first = int(begun[0])
    evenly = (np.arange(LOOKS // 2) + rng.random((2, LOOKS // 2))) / (LOOKS // 2)
    hours = begin + np.concatenate(
        [
            first + evenly[0] * (end - begin - first),
            np.interp(fallen[first] + evenly[1] * (fallen[-1] - fallen[first]), fallen, np.arange(part.size)),
        ]
    )
    last_ms = finished_ms - int(LEAST_HOURS * MS_PER_HOUR)
    if ferment.truth.silent_ms is not None:
        last_ms = min(last_ms, ferment.truth.silent_ms)
    at = {(pitched_ms + int(hour * MS_PER_HOUR)) // MS_PER_HOUR * MS_PER_HOUR for hour in hours}
    return sorted(one for one in at if pitched_ms < one <= last_ms)


def moments(ferment: Simulated) -> Iterator[Moment]:
    """What the float's readings told at each look, and how long the ferment then still took."""
    gauge = _Collector(ferment.recording.premise, FitSettings(look_up_hours=1))
    waiting = looks(ferment)
    truth = ferment.truth
    for event in events_of(ferment.recording):
        while waiting and waiting[0] < event.at_ms:
            at_ms = waiting.pop(0)
            gauge.traits = None
            gauge.measure(at_ms)
            if gauge.traits is not None and truth.finished_ms is not None:
                yield Moment(
                    gauge.traits, (truth.finished_ms - at_ms) / MS_PER_HOUR, _share_left(ferment, at_ms)
                )
        if not waiting:
            return
        if isinstance(event, Reading):
            gauge.admit(event)
        elif isinstance(event, JournalEntry):
            gauge.note(event)


def _share_left(ferment: Simulated, at_ms: int) -> float:
    final_sg = ferment.truth.final_gravity_sg
    hour = (at_ms - ferment.recording.premise.pitched_ms) / MS_PER_HOUR
    begin = max(begin for begin, _ in stretches(past_of(ferment)) if begin <= hour)
    start = float(ferment.gravity_sg[begin])
    now = float(np.interp(hour, ferment.hours, ferment.gravity_sg))
    return 0.0 if final_sg is None else (now - final_sg) / (start - final_sg)


@dataclass(frozen=True, slots=True)
class Family:
    """Ferments of one mechanism, with floats."""

    made: Callable[[int], Simulated | None]
    ferments: int


def _own(seed: int) -> Simulated:
    return simulate(ALL, seed)


def _with_float(past_in: Callable[[int], Past | None], name: str, seed: int) -> Simulated | None:
    past = past_in(seed)
    return None if past is None else floated(past, name, seed)


FAMILIES: Final = (
    Family(_own, 2000),
    Family(partial(_with_float, starved_musts.past, "starved"), 1000),
    Family(partial(_with_float, inhibited_musts.past, "inhibited"), 1000),
)


def _of_seed(family: Family, seed: int) -> list[Moment]:
    ferment = family.made(seed)
    return [] if ferment is None else list(moments(ferment))


@dataclass(frozen=True, slots=True)
class Examples:
    """All moments as arrays."""

    traits: Floats
    log_hours: Floats
    share_left: Floats
    ferment: NDArray[np.int64]


def collect(families: Sequence[Family] = FAMILIES) -> Examples:
    """The moments of many ferments."""
    found: list[list[Moment]] = []
    with ProcessPoolExecutor() as pool:
        for family in families:
            seeds = range(FIRST_SEED, FIRST_SEED + family.ferments)
            found += pool.map(partial(_of_seed, family), seeds, chunksize=16)
    many = [(ferment, one) for ferment, of_one in enumerate(found) for one in of_one]
    return Examples(
        np.stack([one.traits for _, one in many]),
        np.log([one.hours for _, one in many]),
        np.array([one.share_left for _, one in many]),
        np.array([ferment for ferment, _ in many], dtype=np.int64),
    )


def fitted(examples: Examples, recipe: Recipe = RECIPE, outer: Recipe = OUTER) -> list[Tables]:
    """Tables of each quantile."""
    return [
        fit(examples.traits, examples.log_hours, examples.ferment, 0.5, recipe)
        if quantile == 0.5
        else _outer(examples, quantile, outer)
        for quantile in QUANTILES
    ]


def _outer(examples: Examples, quantile: float, recipe: Recipe) -> Tables:
    """An outer quantile, moved so that it holds on ferments that it was not fitted to.

    Tables know their own examples too well, so their outer quantiles lie too near the middle.
    """
    fold = np.unique(examples.ferment, return_inverse=True)[1] % FOLDS
    error = np.empty(fold.size)
    for one in range(FOLDS):
        there = fold == one
        found = fit(
            examples.traits[~there], examples.log_hours[~there], examples.ferment[~there], quantile, recipe
        )
        error[there] = examples.log_hours[there] - found.answers(examples.traits[there])
    marked = np.concatenate([_nearest(examples, mark) for mark in MARKS])
    whole = fit(examples.traits, examples.log_hours, examples.ferment, quantile, recipe)
    return replace(whole, base=whole.base + float(np.quantile(error[marked], quantile)))


def _nearest(examples: Examples, share_left: float) -> NDArray[np.int64]:
    """Of each ferment the look nearest to a share of its fall."""
    order = np.lexsort((np.abs(examples.share_left - share_left), examples.ferment))
    return order[np.unique(examples.ferment[order], return_index=True)[1]]


def packed(tables: list[Tables]) -> dict[str, NDArray[Any]]:
    """The arrays that are kept, a few for each quantile."""
    found: dict[str, NDArray[Any]] = {}
    for quantile, one in zip(QUANTILES, tables, strict=True):
        found |= {
            f"base_{quantile}": np.array(one.base),
            f"trait_{quantile}": one.trait.astype(np.uint8),
            f"edge_{quantile}": one.edge.astype(np.float32),
            f"value_{quantile}": one.value.astype(np.float16),
        }
    return found


if __name__ == "__main__":
    collected = collect()
    np.savez_compressed(Path(sys.argv[1]), allow_pickle=False, **packed(fitted(collected)))
    print(f"{len(collected.log_hours)} moments of {np.unique(collected.ferment).size} ferments")
