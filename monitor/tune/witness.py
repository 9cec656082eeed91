"""What a judge is shown of one batch: every moment's evidence, kept as arrays.

The evidence of a batch does not depend on any threshold. So it is measured once, by the pipeline itself,
and whatever thresholds there are can then be judged by it: one setting by the judge itself (`retold`), many
at once by `monitor.tune.fold`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from monitor.ferment.alert import AlertPolicy
from monitor.ferment.emission import Emission
from monitor.ferment.event import Event, JournalEntry
from monitor.ferment.evidence import Evidence, FitSettings
from monitor.ferment.hearing import Hearing
from monitor.ferment.judge import Judge
from monitor.ferment.pipeline import Analysis, Outstanding, Pipeline, Snapshot
from monitor.ferment.premise import Premise
from monitor.ferment.verdict import Thresholds

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MEASURED: Final = tuple(one.name for one in fields(Evidence) if one.name != "at_ms")
"""The figures of the evidence, in the order of the columns that hold them."""


@dataclass(frozen=True, slots=True)
class Heard:
    """Every hearing of every moment, one row each, in the order in which the judge was given them."""

    moment: Integers
    sensor: Integers
    """Place in `sensors`."""
    silent_hours: Floats
    interval_hours: Floats
    sensors: tuple[str, ...]

    def of(self, moments: int) -> list[list[Hearing]]:
        """The hearings of each moment."""
        found: list[list[Hearing]] = [[] for _ in range(moments)]
        for moment, sensor, silent, interval in zip(
            self.moment.tolist(),
            self.sensor.tolist(),
            self.silent_hours.tolist(),
            self.interval_hours.tolist(),
            strict=True,
        ):
            found[moment].append(Hearing(self.sensors[sensor], silent, interval))
        return found


@dataclass(frozen=True, slots=True)
class Witnessed:
    """All that the judge of one batch is ever shown."""

    premise: Premise
    at_ms: Integers
    """When the batch was looked at; rising, and now and then the same twice."""
    columns: Floats
    """One row for each name in `MEASURED`, one column for each moment."""
    heard: Heard
    journal: tuple[tuple[int, JournalEntry], ...]
    """(moment before whose look it was noted, entry)."""

    @property
    def moments(self) -> int:
        """How often the batch was looked at."""
        return int(self.at_ms.size)

    def evidence(self) -> Evidence:
        """The evidence with arrays over moments in place of numbers."""
        whole: dict[str, Any] = dict(zip(MEASURED, self.columns, strict=True))
        return Evidence(at_ms=self.at_ms, **whole)  # type: ignore[arg-type]  # arrays stand for numbers

    def looks(self) -> Iterator[tuple[Evidence, list[Hearing]]]:
        """What the judge was shown, moment by moment."""
        rows = self.columns.T.tolist()
        heard = self.heard.of(self.moments)
        for at_ms, row, hearings in zip(self.at_ms.tolist(), rows, heard, strict=True):
            yield Evidence(at_ms, **dict(zip(MEASURED, row, strict=True))), hearings


class _Scribe(Judge):
    """Writes down what a judge would be shown, and says nothing."""

    def __init__(self, premise: Premise) -> None:
        super().__init__(premise, Thresholds(), AlertPolicy())
        self.evidence: list[Evidence] = []
        self.heard: list[tuple[int, Hearing]] = []
        self.noted: list[tuple[int, JournalEntry]] = []

    def note(self, entry: JournalEntry) -> None:
        """Take a journal entry in."""
        self.noted.append((len(self.evidence), entry))

    def look(self, e: Evidence, heard: list[Hearing]) -> list[Emission]:
        """Keep what is shown at this moment."""
        self.heard += [(len(self.evidence), one) for one in heard]
        self.evidence.append(e)
        return []


class Witness(Pipeline):
    """The pipeline with a scribe in the judge's chair: it measures all and says nothing."""

    def __init__(self, premise: Premise, fit: FitSettings | None = None) -> None:
        self._scribe = _Scribe(premise)
        super().__init__(premise, Analysis(fit=FitSettings() if fit is None else fit), judge=self._scribe)

    @property
    def witnessed(self) -> Witnessed:
        """What was shown so far."""
        shown = self._scribe.evidence
        columns = np.array([[getattr(e, name) for e in shown] for name in MEASURED], dtype=np.float64)
        sensors = tuple(dict.fromkeys(one.sensor for _, one in self._scribe.heard))
        place = {sensor: number for number, sensor in enumerate(sensors)}
        heard = Heard(
            np.array([moment for moment, _ in self._scribe.heard], dtype=np.int64),
            np.array([place[one.sensor] for _, one in self._scribe.heard], dtype=np.int64),
            np.array([one.silent_hours for _, one in self._scribe.heard], dtype=np.float64),
            np.array([one.interval_hours for _, one in self._scribe.heard], dtype=np.float64),
            sensors,
        )
        return Witnessed(
            self.premise,
            np.array([e.at_ms for e in shown], dtype=np.int64),
            columns.reshape(len(MEASURED), len(shown)),
            heard,
            tuple(self._scribe.noted),
        )


def witness(premise: Premise, events: Iterable[Event], fit: FitSettings | None = None) -> Witnessed:
    """Everything the judge of a batch is shown, from all of its events."""
    watching = Witness(premise, fit)
    for event in events:
        watching.step(event)
    return watching.witnessed


@dataclass(frozen=True, slots=True)
class Retold:
    """What one setting says of a batch whose evidence is known: what was said, and where it stands."""

    emissions: tuple[Emission, ...]
    snapshot: Snapshot


def retold(seen: Witnessed, thresholds: Thresholds, policy: AlertPolicy) -> Retold:
    """What the judge says, with any thresholds, of what a batch has shown; word for word the pipeline's."""
    judge = Judge(seen.premise, thresholds, policy)
    entries = iter(seen.journal)
    entry = next(entries, None)
    said: list[Emission] = []
    outstanding = Outstanding()
    evidence = Evidence(seen.premise.pitched_ms)
    for moment, (shown, heard) in enumerate(seen.looks()):
        while entry is not None and entry[0] <= moment:
            judge.note(entry[1])
            entry = next(entries, None)
        evidence = shown
        now = judge.look(evidence, heard)
        outstanding.take(now)
        said += now
    return Retold(tuple(said), outstanding.snapshot(evidence, judge))
