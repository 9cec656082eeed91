"""The ferments themselves: `past(seed)` as it went, `ferment(seed)` as a float and a maker recorded it.

What comes out unusable is drawn anew: an end 4.4 to 5.6 points above what the must could reach, a stall less
than 6.5 points above it and four in five of those less than 11, a tail over 12 days, a finish outside 4 to 40
days. At the end of a recording at most about an eighth of a point is left, and a third of one where the must
is stabilised, up to two days before it is sweetened; `final_sg` is without that. What the maker did and wrote
in no journal is left out of `Past.deeds` too.
"""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from math import exp, log
from typing import Final, NamedTuple

import numpy as np
from numpy.random import Generator, default_rng

from apart.kinetics import FloatArray, Yeast
from apart.musts import FATES, GRAMS_PER_POINT, STOPS, Drawn, Fate, Kind, drawn, kind_for, picked
from apart.rooms import HORIZON_D
from apart.vessel import STEP_H, Doing, DoingKind, Outcome, follow
from monitor.ferment.premise import MustKind
from monitor.replay.floated import floated
from monitor.replay.kinetics import Course, Deed
from monitor.replay.marks import Marks, fallen_points, marks_of
from monitor.replay.past import Past
from monitor.replay.simulate import Simulated

NAME: Final = "f"
"""Recordings are drawn by name and seed: with another name they would be others."""
SALT: Final = 0x51F
ATTEMPTS: Final = 4
SETTLED_LEFT: Final = 0.12
"""Points still to fall when a recording may end."""
ROUNDS: Final = 3
"""So often the yeast is adjusted toward the tail that is wanted; it does not always get there."""
STABILISED_AMOUNT: Final = 1e-4
"""What a deed says for it; the vessel keeps no cell at work."""
STABLE_D: Final = 5.0
"""A sweetened batch is recorded for at least so long."""
MUST_KINDS: Final = {Kind.WORT: MustKind.MALT, Kind.CIDER: MustKind.FRUIT}


class Tail(StrEnum):
    """How slowly the last points go."""

    LONG = "long"
    MIDDLING = "middling"
    SHORT = "short"


TAILS: Final = {Tail.LONG: 0.24, Tail.MIDDLING: 0.10, Tail.SHORT: 0.66}
TAIL_FOLDS_D: Final = {Tail.LONG: (5.6, 8.6), Tail.MIDDLING: (2.6, 4.6), Tail.SHORT: (0.5, 1.8)}
"""Days in which what is left falls to 1/e, near the end."""


class Asked(NamedTuple):
    """What a seed asks for."""

    kind: Kind
    fate: Fate
    tail: Tail


class _Ending(NamedTuple):
    """A ferment to the end of its recording."""

    drawn: Drawn
    outcome: Outcome
    end_h: float
    finished_h: float | None
    sweetened_h: float | None


def asked_of(seed: int) -> Asked:
    """The must, fate and tail of a seed."""
    rng = default_rng([SALT, seed])
    fate = picked(rng, FATES)
    return Asked(kind_for(rng, fate), fate, picked(rng, TAILS))


def past(seed: int) -> Past | None:
    """The ferment of a seed; None where every attempt came out unusable."""
    asked = asked_of(seed)
    for attempt in range(ATTEMPTS):
        found = _attempt(default_rng([SALT, seed, attempt]), asked)
        if found is not None:
            return found
    return None


def ferment(seed: int) -> Simulated | None:
    """The recording of a seed; None where it gives no ferment."""
    found = past(seed)
    return None if found is None else floated(found, NAME, seed)


def _followed(made: Drawn) -> Outcome:
    return follow(made.vessel, made.yeast, made.room_c)


def _with_doings(made: Drawn, *doings: Doing) -> Drawn:
    return made._replace(vessel=replace(made.vessel, doings=(*made.vessel.doings, *doings)))


def _marks(outcome: Outcome) -> Marks:
    hours = np.arange(outcome.gravity_sg.size, dtype=np.float64) * STEP_H
    attainable = np.full(hours.size, outcome.attainable_sg)
    return marks_of(Course(hours, outcome.gravity_sg, outcome.temperature_c, attainable))


def _attempt(rng: Generator, asked: Asked) -> Past | None:
    fold_d = rng.uniform(*TAIL_FOLDS_D[asked.tail])
    made = drawn(rng, asked.kind, asked.fate)
    outcome = _followed(made)
    if asked.fate not in (Fate.NUTRIENT, Fate.ALCOHOL):
        made, outcome = _tailed(made, outcome, fold_d)
    marks = _marks(outcome)
    if made.rescued_d is not None and marks.stalls:
        made = _rescued(rng, made, made.rescued_d, marks)
        outcome = _followed(made)
        marks = _marks(outcome)
    if not _is_plain(rng, asked.fate, marks):
        return None
    ending = _ended(rng, made, outcome, marks)
    return None if ending is None else _past(ending, marks)


def _fold_d(left_points: FloatArray) -> float | None:
    """Days in which what is left falls to 1/e, by its way from 3.5 points to 1.75."""
    first, then = int(np.argmax(left_points <= 3.5)), int(np.argmax(left_points <= 1.75))
    return (then - first) * STEP_H / 24.0 / log(2.0) if then > first else None


def _tailed(made: Drawn, outcome: Outcome, wanted_d: float) -> tuple[Drawn, Outcome]:
    """The same with yeast whose last points go at about the wanted pace."""
    for _ in range(ROUNDS):
        fallen = fallen_points(outcome.gravity_sg)
        fold_d = _fold_d(fallen[-1] - fallen)
        if fold_d is None or 0.8 < fold_d / wanted_d < 1.25:
            break
        ratio = float(np.clip(fold_d / wanted_d, 0.12, 5.0))
        yeast = _slower(made.yeast, ratio) if ratio < 1.0 else _faster(made.yeast, ratio, made.vessel.malt)
        made = made._replace(yeast=yeast)
        outcome = _followed(made)
    return made, outcome


def _slower(yeast: Yeast, ratio: float) -> Yeast:
    """Cells that drop sooner, and leave the fructose or the maltotriose longer."""
    return replace(
        yeast,
        settles_from=min(yeast.settles_from, 0.78),
        late_afloat=max(yeast.late_afloat * ratio**0.75, 0.03),
        fructose_half_g_l=yeast.fructose_half_g_l / ratio**0.3,
        slow_sugar=yeast.slow_sugar * ratio**0.3,
    )


def _faster(yeast: Yeast, ratio: float, malt: bool) -> Yeast:
    """Cells that stay afloat and are less choosy."""
    return replace(
        yeast,
        late_afloat=min(yeast.late_afloat * ratio, 1.0),
        fructose_half_g_l=yeast.fructose_half_g_l / ratio**0.6,
        slow_sugar=yeast.slow_sugar * ratio,
        uptake=yeast.uptake * (ratio**0.35 if malt else 1.0),
    )


def _rescued(rng: Generator, made: Drawn, after_d: float, marks: Marks) -> Drawn:
    """Nutrient, some days after the first stall has lasted a day and a half."""
    hour = float(round(marks.stalls[0][0] + 36.0 + 24.0 * after_d))
    amount_g_l = rng.uniform(0.06, 0.2)
    return _with_doings(made, Doing(DoingKind.NUTRIENT, amount_g_l, hour=hour, told=rng.random() < 0.75))


def _is_plain(rng: Generator, fate: Fate, marks: Marks) -> bool:
    """Whether it has settled, and nobody could take its end for a stall or its stall for an end."""
    if 4.4 < float(marks.above_points[-1]) < 5.6 or float(marks.rate[-49]) > 0.15:
        return False
    depths = [float(marks.above_points[round(first / STEP_H)]) for first, _ in marks.stalls]
    # standing still so near its end is a stall to some and an end to others
    if depths and (min(depths) < 6.5 or (min(depths) < 11.0 and rng.random() < 0.8)):
        return False
    return (fate in STOPS) == bool(marks.stalls)


def tail_days(marks: Marks) -> float:
    """Days under a point a day with two points or more to go, past the fastest day and any stall."""
    since = max(round(marks.stalls[-1][1] / STEP_H) if marks.stalls else 0, int(np.argmax(marks.rate)))
    late = np.arange(marks.rate.size) > since
    return float(np.count_nonzero(late & (marks.rate < 1.0) & (marks.left_points >= 2.0))) * STEP_H / 24.0


def _ended(rng: Generator, made: Drawn, outcome: Outcome, marks: Marks) -> _Ending | None:
    """How long it is recorded, and sweetened at the end if that is its fate."""
    if marks.finished_h is None:
        if not marks.stalls:
            return None
        return _Ending(made, outcome, marks.stalls[-1][0] + 24.0 * rng.uniform(6.5, 13.0), None, None)
    finished_h = float(np.ceil(marks.finished_h))
    settled_h = float(np.argmax(marks.left_points <= SETTLED_LEFT)) * STEP_H
    if not 4.0 <= finished_h / 24.0 <= 40.0 or tail_days(marks) > 12.0:
        return None
    if not made.sweeten_points:
        end_h = max(finished_h + 24.0 * rng.uniform(6.5, 14.0), settled_h)
        return _Ending(made, outcome, end_h, finished_h, None)
    sweetened_h = float(round(max(finished_h + 24.0 * rng.uniform(3.0, 9.0), settled_h)))
    made = _sweetened(rng, made, sweetened_h)
    end_h = sweetened_h + 24.0 * rng.uniform(8.0, 15.0)
    return _Ending(made, _followed(made), end_h, finished_h, sweetened_h)


def _sweetened(rng: Generator, made: Drawn, hour: float) -> Drawn:
    """Stabilised and sweetened at an hour; in some the survivors go on."""
    stabilised_h = float(round(hour - rng.uniform(1.0, 50.0)))
    grams = made.sweeten_points * GRAMS_PER_POINT
    made = _with_doings(
        made,
        Doing(DoingKind.STABILISE, hour=stabilised_h),
        Doing(DoingKind.SWEETEN, grams, hour=hour, told=rng.random() < 0.85),
    )
    if made.fate is not Fate.SWEET_RESTART:
        return made
    over_h = rng.uniform(6.0, 72.0)
    per_day = exp(rng.uniform(log(0.3), log(2.0)))
    return _with_doings(made, Doing(DoingKind.RESTART, per_day, hour=hour + 1.0, over_h=over_h))


def _past(ending: _Ending, marks: Marks) -> Past | None:
    """The hours of the recording; None where too few are left after a sweetening."""
    end = int(min(ending.end_h, (HORIZON_D - 1.0) * 24.0))
    if ending.sweetened_h is not None and end < ending.sweetened_h + 24.0 * STABLE_D:
        return None
    made, outcome = ending.drawn, ending.outcome
    return Past(
        outcome.gravity_sg[::2][: end + 1],
        outcome.temperature_c[::2][: end + 1],
        outcome.attainable_sg,
        final_sg=None if ending.finished_h is None else marks.final_sg,
        finished_h=ending.finished_h,
        sweetened_h=ending.sweetened_h,
        kind=MUST_KINDS.get(made.kind, MustKind.HONEY),
        tolerance_abv=made.tolerance_abv,
        deeds=_deeds(ending, end),
    )


def _deeds(ending: _Ending, end_h: int) -> tuple[Deed, ...]:
    """What was done before the end and is in the journal."""
    doings = ending.drawn.vessel.doings
    found = []
    for doing, done_h in zip(doings, ending.outcome.done_h, strict=True):
        if doing.told and done_h is not None and done_h < end_h:
            kind = DoingKind.SUGAR if doing.kind is DoingKind.SWEETEN else doing.kind
            amount = STABILISED_AMOUNT if kind is DoingKind.STABILISE else doing.amount
            found.append(Deed(done_h, kind.value, amount, doing.over_h))
    return tuple(found)
