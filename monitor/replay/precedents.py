"""Makes the collection of precedents that `monitor.ferment.precedent` reads, from simulated ferments.

    python -m monitor.replay.precedents monitor/ferment/precedents.npz

They follow several mechanisms: how a ferment slows down differs more between these than within one. Each is
cut at hours of its fall, most of them near its end; amplitude and pace of each cut are varied a little, so
that the collection fills the room between its ferments.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.random import Generator, default_rng

from monitor.ferment import warmth
from monitor.ferment.precedent import BINS
from monitor.ferment.series import Floats
from monitor.replay import inhibited_musts, starved_musts
from monitor.replay.past import Past, past_of
from monitor.replay.simulate import ALL, simulate
from monitor.units import POINTS_PER_SG

NEAR_POINTS: Final = 10.0
CUTS_NEAR: Final = 7.0 / 120.0
"""Cuts an hour where less than NEAR_POINTS is left."""
CUTS: Final = 3.0 / 240.0
AMPLITUDE_SPREAD: Final = 0.25
PACE_SPREAD: Final = 0.3
AFTER_HOURS: Final = 170
"""So long after its end a ferment still gives precedents."""
SUGAR_JUMP: Final = 0.8
MIXING_HOURS: Final = 7
SHAPES: Final = 8


@dataclass(frozen=True, slots=True)
class Family:
    """Ferments of one mechanism in the collection."""

    past: Callable[[int], Past | None]
    first_seed: int
    ferments: int
    share: float
    """Of the prior weight, however many ferments there are."""


def simulated(seed: int) -> Past:
    """The ferment that the simulator's recording of a seed is made from."""
    return past_of(simulate(ALL, seed))


FAMILIES: Final = (
    Family(simulated, 200_000, 1800, 0.5),
    Family(starved_musts.past, 200_000, 900, 0.25),
    Family(inhibited_musts.past, 200_000, 900, 0.25),
)
"""Seeds begin where no measurement goes."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One ferment up to some hour."""

    course: Floats
    left: float
    log_prior: float
    log_fallen: float
    log_age: float
    chill_c: float


def stretches(past: Past) -> Iterator[tuple[int, int]]:
    """Hours from pitching or added sugar to the next sugar, sweetening, or a week after the end."""
    points = (past.gravity_sg - 1.0) * POINTS_PER_SG
    last = points.size
    for mark, more in ((past.sweetened_h, 0), (past.finished_h, AFTER_HOURS)):
        if mark is not None:
            last = min(last, int(mark) + more)
    jumps = [int(j) for j in np.flatnonzero(np.diff(points) > SUGAR_JUMP) if j < last]
    for begin, end in zip([0, *(j + MIXING_HOURS for j in jumps)], [*jumps, last], strict=True):
        if end - begin >= 12:
            yield begin, end


def cuts(past: Past, rng: Generator) -> list[Cut]:
    """The precedents that one ferment gives."""
    points = (past.gravity_sg - 1.0) * POINTS_PER_SG
    # what stopped short of its end has all that the must could still give before it
    final = ((past.attainable_sg if past.final_sg is None else past.final_sg) - 1.0) * POINTS_PER_SG
    found = []
    for begin, end in stretches(past):
        part = points[begin:end]
        begun = np.flatnonzero(part[0] - part >= 2.0)
        hours = np.arange(int(begun[0]) if begun.size else end, end - begin - 1)
        if not hours.size:
            continue
        density = np.where(part[hours] - final < NEAR_POINTS, CUTS_NEAR, CUTS)
        share = np.cumsum(density) / density.sum()
        for at in np.searchsorted(share, rng.random(rng.poisson(density.sum()))):
            amplitude = math.exp(rng.normal(0.0, AMPLITUDE_SPREAD))
            pace = math.exp(rng.normal(0.0, PACE_SPREAD))
            hour = float(hours[at]) + 0.999 * rng.random()
            grid = np.arange(part.size)
            now = float(np.interp(hour, grid, part))
            found.append(
                Cut(
                    course=amplitude * (np.interp(hour + BINS * pace, grid, part) - now),
                    left=amplitude * (now - final),
                    log_prior=-math.log(float(density[at]) * pace),
                    log_fallen=math.log(max(amplitude * (float(part[0]) - now), 1.0)),
                    log_age=math.log(max(hour / pace, 6.0)),
                    chill_c=_chill(past.temperature_c, begin + int(hour)),
                )
            )
    return found


def _chill(temperature_c: Floats, hour: int) -> float:
    """How much colder the last 12 hours were than the warmest two days of the last ten."""
    long = temperature_c[np.clip(np.arange(hour - 240, hour), 0, None)]
    return warmth.read(long, None).drop_c


def _cuts_of(family: Family, seed: int) -> list[Cut]:
    past = family.past(seed)
    if past is None:
        return []
    weight = math.log(family.share / family.ferments)
    return [replace(cut, log_prior=cut.log_prior + weight) for cut in cuts(past, default_rng(seed))]


def collect(families: Sequence[Family] = FAMILIES) -> dict[str, Floats]:
    """The arrays of a collection, in order of what is left, in half precision."""
    found: list[Cut] = []
    with ProcessPoolExecutor() as pool:
        for family in families:
            seeds = range(family.first_seed, family.first_seed + family.ferments)
            for many in pool.map(partial(_cuts_of, family), seeds, chunksize=16):
                found += many
    found.sort(key=lambda cut: cut.left)
    courses = np.stack([cut.course for cut in found])
    shapes = np.linalg.svd(courses, full_matrices=False)[2][:SHAPES]
    left = np.array([cut.left for cut in found])
    table = np.column_stack([courses @ shapes.T, -left])
    scale = np.abs(table).max(axis=0)
    return {
        "shapes": shapes.astype(np.float32),
        "table": (table / scale).astype(np.float16),
        "scale": scale,
        "log_prior": np.array([cut.log_prior for cut in found], dtype=np.float16),
        "log_fallen": np.array([cut.log_fallen for cut in found], dtype=np.float16),
        "log_age": np.array([cut.log_age for cut in found], dtype=np.float16),
        "chill_c": np.array([cut.chill_c for cut in found], dtype=np.float16),
    }


if __name__ == "__main__":
    arrays = collect()
    np.savez_compressed(Path(sys.argv[1]), allow_pickle=False, **arrays)
    print(f"{len(arrays['table'])} precedents")
