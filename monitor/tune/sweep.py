"""A sweep: every recording taken in once, then every setting held against every recording."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from monitor.errors import CarboydError
from monitor.ferment.evidence import FitSettings
from monitor.ferment.pipeline import Analysis
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.tune.board import Board
from monitor.tune.cores import Hands, chunks
from monitor.tune.fold import Asked, agrees, fold
from monitor.tune.reckoning import Column, Prices, reckon
from monitor.tune.sets import Sets
from monitor.tune.shelf import Shelf
from monitor.tune.taking import Taken, take
from monitor.tune.witness import Witnessed

CHUNK_SECONDS: Final = 0.2
"""What is sent to another process takes at least so long there."""
MOST_CHECKED: Final = 60

Watch = Callable[[int], None]
"""Told how many more recordings are done."""


@dataclass(frozen=True, slots=True)
class Record:
    """A recording that serves: what a sweep needs of it, and nothing that cannot travel."""

    name: str
    key: str
    premise: Premise
    truth: Truth


def record_of(taken: Taken) -> Record | None:
    """What a sweep needs of a folder; None where it cannot serve."""
    if taken.premise is None:
        return None
    return Record(taken.name, taken.key, taken.premise, taken.truth)


def taken_in(folders: Sequence[Path], shelf: Shelf, fit: FitSettings, hands: Hands) -> Iterator[Taken]:
    """Every folder taken in, in order; evidence that the shelf has is not measured again."""
    return hands.map(partial(take, shelf=shelf, fit=fit), folders)


def seen_of(record: Record, shelf: Shelf) -> Witnessed:
    """A recording's evidence. Raises CarboydError where the shelf does not have it any more."""
    kept = shelf.load(record.key, record.premise)
    if kept is None:
        raise CarboydError(
            f"{record.name}: its evidence is gone from {shelf.directory}", hint="Run the same command again."
        )
    return kept.seen


def columns_of(records: Sequence[Record], shelf: Shelf, sets: Sets, prices: Prices) -> list[Column]:
    """Every setting held against some recordings."""
    asked = Asked.of(sets)
    return [reckon(fold(seen_of(record, shelf), asked), record.truth, prices) for record in records]


def swept(
    records: Sequence[Record],
    shelf: Shelf,
    sets: Sets,
    prices: Prices,
    hands: Hands,
    watch: Watch | None = None,
) -> Board:
    """Every setting held against every recording; nothing is fitted.

    Raises CarboydError where evidence is gone, or where no recording is given.
    """
    if not records:
        raise CarboydError("there is no recording to sweep over", hint="Give some that have a truth.")
    columns: list[Column] = []
    began = time.perf_counter()
    columns += columns_of(records[:1], shelf, sets, prices)
    each = time.perf_counter() - began
    if watch is not None:
        watch(1)
    rest = chunks(records[1:], each, hands.count, CHUNK_SECONDS)
    work = partial(columns_of, shelf=shelf, sets=sets, prices=prices)
    for found in hands.map(work, rest):
        columns += found
        if watch is not None:
            watch(len(found))
    return Board.of([record.name for record in records], columns)


def disagreeing(records: Sequence[Record], shelf: Shelf, analysis: Analysis, hands: Hands) -> list[str]:
    """Recordings (of at most `MOST_CHECKED`) on which the fold and the judge itself tell another story."""
    checked = records[:: -(-len(records) // MOST_CHECKED)] if records else []
    said = hands.map(partial(_agrees, shelf=shelf, analysis=analysis), checked)
    return [record.name for record, same in zip(checked, said, strict=True) if not same]


def _agrees(record: Record, shelf: Shelf, analysis: Analysis) -> bool:
    return agrees(seen_of(record, shelf), analysis)
