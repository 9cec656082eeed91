"""One recording taken into a sweep: read, measured or found on the shelf, and looked at for faults.

A recording that cannot serve says so in words and does not stand in the way of the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from monitor.errors import RecordingError
from monitor.ferment.evidence import FitSettings
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.recording import read
from monitor.tune.rows import Counted, Rows
from monitor.tune.shelf import Kept, Shelf, key_of
from monitor.tune.witness import Witnessed, witness
from monitor.units import MS_PER_HOUR

NO_TRUTH: Final = Truth()
LEAST_HOURS: Final = 24
"""Moments at which the float's level must be known."""
MOST_IMPOSSIBLE: Final = 0.3
"""Share of values that may be beyond what a must can have: a float that was lifted out, not a wrong unit."""
MOST_BACKWARD: Final = 0.05
"""Share of rows that may be older than the row above them: a late delivery, not a file out of order."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One folder: what it is good for."""

    folder: Path
    name: str
    refusal: str = ""
    """Why it cannot serve; empty where it can."""
    hint: str = ""
    note: str = ""
    """What was left out of it."""
    key: str = ""
    """Where its evidence is on the shelf."""
    premise: Premise | None = None
    """None where it cannot serve."""
    truth: Truth = NO_TRUTH
    fresh: bool = False
    """Measured now, not found."""
    moments: int = 0


def take(folder: Path, shelf: Shelf, fit: FitSettings) -> Taken:
    """Take one folder in: measure its evidence unless the shelf has it."""
    name = folder.resolve().name
    try:
        recording = read(folder)
        if not judgeable(recording.truth):
            return Taken(
                folder, name, "has no truth to be scored against",
                "Put finished_at and final_gravity into [truth] of its batch.toml.",
            )  # fmt: skip
        key = key_of(folder, recording, fit)
        kept = shelf.load(key, recording.premise)
        fresh = kept is None
        if kept is None:
            counted = Counted(recording)
            seen = witness(recording.premise, counted.events(), fit)
            kept = Kept(seen, counted.rows)
            shelf.save(key, kept)
    except RecordingError as failure:
        return Taken(folder, name, str(failure), failure.hint)
    refusal, hint = _fault(kept)
    return Taken(
        folder, name, refusal, hint, _left_out(kept.rows), key, None if refusal else recording.premise,
        recording.truth, fresh, kept.seen.moments,
    )  # fmt: skip


def judgeable(truth: Truth) -> bool:
    """Whether anything could be scored against a truth."""
    marks = (
        truth.finished_ms, truth.sweetened_ms, truth.refermenting_ms, truth.silent_ms,
        truth.silences, truth.too_cold, truth.too_warm,
    )  # fmt: skip
    return bool(truth.stalls) or any(mark is not None for mark in marks)


def _left_out(rows: Rows) -> str:
    if not rows.left_out:
        return ""
    return f"{rows.left_out:,} of {rows.used + rows.left_out:,} rows left out, first {rows.complaint}"


def _fault(kept: Kept) -> tuple[str, str]:
    """Why a recording cannot serve, and what to do; both empty where it can."""
    rows, seen = kept.rows, kept.seen
    if not rows.used and rows.left_out:
        return (
            f"not one of its {rows.left_out:,} rows is understood, first {rows.complaint}",
            "Mend the rows.",
        )
    if not rows.used:
        return "holds no rows", "Leave it out, or record again."
    if rows.used == 1:
        return "holds one row only: nothing can be judged by it", "Leave it out."
    if rows.backward > MOST_BACKWARD * rows.used:
        return (
            f"its rows are out of order: {rows.backward:,} of {rows.used:,} are older than the row above",
            "Sort them by arrival; where that is not known, by time.",
        )
    if rows.impossible_gravities > MOST_IMPOSSIBLE * rows.gravities:
        return (
            f"{rows.impossible_gravities:,} of its {rows.gravities:,} gravities cannot be (the first is"
            f" {rows.strange[0]:.4g} sg): their unit is not what it says",
            "Write sg, plato or kg/m3 as the values are.",
        )
    if rows.impossible_celsius > MOST_IMPOSSIBLE * rows.celsius:
        return (
            f"{rows.impossible_celsius:,} of its {rows.celsius:,} temperatures cannot be (the first is"
            f" {rows.strange[1]:.4g} degC): their unit is not what it says",
            "Write degC, degF or K as the values are.",
        )
    return _fault_of_figures(rows, seen)


def _fault_of_figures(rows: Rows, seen: Witnessed) -> tuple[str, str]:
    e = seen.evidence()
    known = ~np.isnan(e.level_points)
    if np.count_nonzero(known) < LEAST_HOURS:
        believed = seen.premise.gravity_sensor
        if not rows.sensors:
            return f"none of its {rows.used:,} rows is of gravity", "Record the float too."
        if believed is not None and believed not in rows.sensors:
            heard = ", ".join(rows.sensors)
            return (
                f"its float {believed!r} is never heard; heard are {heard}",
                "Mend [sensors] in batch.toml.",
            )
        hours = (rows.last_ms - rows.first_ms) / MS_PER_HOUR
        return f"too short: {rows.used:,} rows over {hours:.0f} h", "A day of gravity is the least."
    return "", ""
