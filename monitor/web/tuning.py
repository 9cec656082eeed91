"""What other thresholds would have said about a batch so far.

What a batch has shown does not depend on thresholds: it is measured once and remembered, and the judge alone
tells it again with others, in a fraction of a second.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass, fields
from http import HTTPStatus
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.errors import InputError
from monitor.ferment.emission import AlertChange, AlertState, PhaseChange
from monitor.ferment.event import Tick
from monitor.ferment.pipeline import Analysis
from monitor.store.base import Store
from monitor.tune.sets import changed
from monitor.tune.witness import Witnessed, retold, witness
from monitor.units import MS_PER_HOUR
from monitor.web.history import Told
from monitor.web.ports import Ports
from monitor.web.problem import AccessError
from monitor.web.remembered import Remembered
from monitor.web.words import THRESHOLD

REMEMBERED: Final = 8
"""Batches whose evidence is held at once; one takes about 400 bytes for each hour of the batch."""

BUSY_S: Final = 5
"""When one who was refused may ask again; a batch of many months is measured for up to 20 s."""

MOST_TIMES = 20.0
"""A threshold can be tried up to so many times what is set."""


@dataclass(frozen=True, slots=True)
class Knob:
    """One threshold that can be tried."""

    name: str
    value: float
    part: str
    """`thresholds` or `alerts`."""
    most: float = math.inf
    """What it cannot be more than."""

    @property
    def label(self) -> str:
        """What it is."""
        return THRESHOLD[self.name]

    @property
    def highest(self) -> float:
        """The highest value that makes sense to try."""
        return min(max(1.0, MOST_TIMES * abs(self.value)), self.most)

    @property
    def slide(self) -> float:
        """Where a slider ends: beyond it a value can still be typed."""
        return min(3.0 * abs(self.value) or 1.0, self.most)

    @property
    def step(self) -> float:
        """The least move of a slider, a round number."""
        return float(10.0 ** math.floor(math.log10(self.slide / 30.0)))


def knobs(analysis: Analysis) -> tuple[Knob, ...]:
    """Every threshold of verdicts and alerts, as it is set."""
    found = []
    for part, holder in (("thresholds", analysis.thresholds), ("alerts", analysis.alerts)):
        for one in fields(holder):
            value = getattr(holder, one.name)
            if isinstance(value, int | float) and not isinstance(value, bool):
                found.append(Knob(one.name, float(value), part, one.metadata.get("most", math.inf)))
    return tuple(found)


def tuned(analysis: Analysis, wished: Mapping[str, float]) -> Analysis:
    """The analysis with other thresholds; InputError for an unknown one or one out of range."""
    known = {knob.name: knob for knob in knobs(analysis)}
    for name, value in wished.items():
        knob = known.get(name)
        if knob is None:
            raise InputError(f"{name!r} cannot be tried: one of {', '.join(known)}")
        if not math.isfinite(value) or not 0.0 <= value <= knob.highest:
            raise InputError(f"{name} = {value:g}: 0 to {knob.highest:g}")
    return changed(analysis, wished)


@dataclass(frozen=True, slots=True)
class _Shown:
    """What a batch has shown, and what the thresholds that are set say of it."""

    seen: Witnessed
    present: Told


class Trials:
    """Remembers what the batches that were tried last have shown.

    A batch is measured anew once an hour has gone by or something was changed by hand: until then no look at
    it has been added. One is worked out at a time: pages and judging have the processor too.
    """

    def __init__(self, store: Store, analysis: Analysis) -> None:
        self._store = store
        self._analysis = analysis
        self._shown: Remembered[tuple[str, int, int], _Shown] = Remembered(REMEMBERED)
        self._working = threading.Lock()

    def tried(self, slug: str, wished: Mapping[str, float], until_ms: int) -> tuple[Told, Told]:
        """What the present thresholds say of a batch, and what others would have said.

        Raises NotFoundError for an unknown batch, InputError for thresholds that cannot be tried, AccessError
        while others are being tried.
        """
        other = tuned(self._analysis, wished)
        # refused, not made to wait: those who wait would hold the threads that answer everything else
        if not self._working.acquire(blocking=False):
            raise AccessError(
                "other thresholds are being tried just now, and one trial is worked out at a time",
                status=HTTPStatus.SERVICE_UNAVAILABLE,
                hint="try again in a few seconds",
                wait_s=BUSY_S,
            )
        try:
            shown = self._of(slug, until_ms)
            if other == self._analysis:
                return shown.present, shown.present
            return shown.present, _told(shown.seen, other)
        finally:
            self._working.release()

    def _of(self, slug: str, until_ms: int) -> _Shown:
        sheet = self._store.batches.get(slug)
        last_ms = until_ms if sheet.ended_ms is None else min(sheet.ended_ms, until_ms)
        key = (slug, -(-last_ms // MS_PER_HOUR), self._store.changes.position())
        return self._shown.of(key, lambda: self._measured(sheet, last_ms))

    def _measured(self, sheet: Sheet, last_ms: int) -> _Shown:
        events = (*self._store.batches.events(sheet.slug), Tick(last_ms))
        known = (event for event in events if event.at_ms <= last_ms)
        seen = witness(sheet.premise(), known, self._analysis.fit)
        return _Shown(seen, _told(seen, self._analysis))


def _told(seen: Witnessed, analysis: Analysis) -> Told:
    again = retold(seen, analysis.thresholds, analysis.alerts)
    phases = tuple(one for one in again.emissions if isinstance(one, PhaseChange))
    alerts = tuple(
        one for one in again.emissions if isinstance(one, AlertChange) and one.state is AlertState.FIRING
    )
    return Told(again.snapshot, phases, alerts)


def tried(ports: Ports, trials: Trials, slug: str, wished: Mapping[str, float]) -> tuple[Told, Told]:
    """What the present thresholds say of a batch so far, and what others would have said."""
    return trials.tried(slug, wished, ports.now_ms())
