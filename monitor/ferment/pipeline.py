"""The one way in: events to emissions, for the daemon, the replay and the sweep alike.

The batch is looked at every whole hour (UTC), at once when a hand sample or a journal entry comes, and a
minute after a sensor is heard again that was long silent. `step` first settles all such moments before the
event, with what was known by then, and then admits it: a stream cut anywhere says exactly what the whole says
up to there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

from monitor.ferment import wording
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.by_hand import ByHand
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Emission, Forecast, Phase
from monitor.ferment.event import Event, JournalEntry, Reading
from monitor.ferment.evidence import Evidence, FitSettings
from monitor.ferment.gauge import Gauge
from monitor.ferment.judge import Judge
from monitor.ferment.premise import Premise
from monitor.ferment.series import LONGEST_DAYS
from monitor.ferment.verdict import STALL_POINTS, Thresholds
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

MOMENT_MS: Final = MS_PER_HOUR
PAUSE_MS: Final = MS_PER_MINUTE
"""So long nothing more of a backlog must come before it is looked at."""
LONGEST_MS: Final = LONGEST_DAYS * MS_PER_DAY
"""A batch is looked at for so long after pitching: a look takes the whole course in, a restart all looks."""


@dataclass(frozen=True, slots=True)
class Analysis:
    """All settings of the analysis."""

    fit: FitSettings = field(default_factory=FitSettings)
    thresholds: Thresholds = field(default_factory=Thresholds)
    alerts: AlertPolicy = field(default_factory=AlertPolicy)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Where a batch stands, for a page or a status topic."""

    at_ms: int
    phase: Phase
    reason: str
    evidence: Evidence
    open_alerts: tuple[AlertChange, ...]
    """Oldest first, each in the words of the last look."""
    forecast: Forecast | None
    """The latest one, None before any."""

    @property
    def is_unmoved(self) -> bool:
        """Whether by its float it has not begun: what that reads below the maker's sample is no alcohol."""
        e = self.evidence
        high = not e.level_points - e.expected_points < STALL_POINTS
        return self.phase is Phase.LAG and e.by_hand_ms is None and high

    def words_of(self, kind: AlertKind, subject: str, fired_ms: int) -> str | None:
        """What an open alert says by now; None where it is not open here."""
        for one in self.open_alerts:
            if (one.kind, one.subject, one.fired_ms) == (kind, subject, fired_ms):
                return one.message
        return None


@dataclass(slots=True)
class Outstanding:
    """What was said and still stands: open alerts, and the latest forecast."""

    alerts: dict[tuple[str, str], AlertChange] = field(default_factory=dict)
    forecast: Forecast | None = None

    def take(self, said: Iterable[Emission]) -> None:
        """Take in what was said at one look."""
        for emission in said:
            if isinstance(emission, Forecast):
                self.forecast = emission
            elif isinstance(emission, AlertChange):
                key = (emission.kind.value, emission.subject)
                if emission.state is AlertState.FIRING:
                    self.alerts[key] = emission
                else:
                    self.alerts.pop(key, None)

    def snapshot(self, evidence: Evidence, judge: Judge) -> Snapshot:
        """Where the batch stands since the last look."""
        return Snapshot(
            at_ms=evidence.at_ms,
            phase=judge.phase,
            reason=judge.reason,
            evidence=evidence,
            open_alerts=tuple(
                replace(one, message=judge.words(one.kind, one.subject) or one.message)
                for one in sorted(self.alerts.values(), key=lambda one: (one.fired_ms, one.kind, one.subject))
            ),
            forecast=self.forecast,
        )


class Pipeline:
    """One batch: everything it knows, and everything it says."""

    def __init__(
        self, premise: Premise, settings: Analysis | None = None, *, judge: Judge | None = None
    ) -> None:
        """`judge` is who is shown the evidence; None: the judge that the settings make."""
        settings = Analysis() if settings is None else settings
        self.premise = premise
        self._gauge = Gauge(premise, settings.fit)
        self._by_hand = ByHand(premise)
        self._judge = Judge(premise, settings.thresholds, settings.alerts) if judge is None else judge
        self._clock_ms: int | None = None
        self._next_ms = -(-premise.pitched_ms // MOMENT_MS) * MOMENT_MS
        self._backlog_ms: int | None = None
        """When to look at what came of a sensor that is heard again; None where no such look is due."""
        self._last_ms = premise.pitched_ms + LONGEST_MS
        self._evidence = Evidence(premise.pitched_ms)
        self._outstanding = Outstanding()

    def step(self, event: Event) -> list[Emission]:
        """Take an event in and say what follows; emissions come in order of time."""
        at_ms = event.at_ms if self._clock_ms is None else max(event.at_ms, self._clock_ms)
        self._clock_ms = at_ms
        said = self._looks_before(at_ms)
        if isinstance(event, Reading):
            again = self._gauge.is_heard_again(event)
            fresh = self._gauge.admit(event)
            old = event.received_ms - event.time_ms > PAUSE_MS
            if again or (old and self._backlog_ms is not None):
                self._backlog_ms = at_ms + PAUSE_MS
            if fresh and event.quantity is Quantity.SAMPLE_GRAVITY:
                self._by_hand.admit(event)
                said += self._look(at_ms)
        elif isinstance(event, JournalEntry):
            self._gauge.note(event)
            self._by_hand.note(event)
            self._judge.note(event)
            said += self._look(at_ms)
        return said

    def _looks_before(self, at_ms: int) -> list[Emission]:
        """All looks that are due before a moment, in order of time."""
        said: list[Emission] = []
        while True:
            backlog_ms = self._next_ms if self._backlog_ms is None else self._backlog_ms
            look_ms = min(self._next_ms, backlog_ms)
            if look_ms >= at_ms or look_ms > self._last_ms:
                return said
            said += self._look(look_ms)
            if look_ms == self._next_ms:
                self._next_ms += MOMENT_MS
            if look_ms == self._backlog_ms:
                self._backlog_ms = None

    @property
    def snapshot(self) -> Snapshot:
        """Where the batch stands since the last look; the reason says where no look is to come."""
        stands = self._outstanding.snapshot(self._evidence, self._judge)
        if self._next_ms <= self._last_ms:
            return stands
        return replace(stands, reason=wording.looked_at_no_more(LONGEST_DAYS))

    def _look(self, at_ms: int) -> list[Emission]:
        if at_ms < self.premise.pitched_ms:
            return []
        self._evidence = self._by_hand.beside(self._gauge.measure(at_ms), self._gauge.gravity_track())
        said = self._judge.look(self._evidence, self._gauge.hearing(at_ms))
        self._outstanding.take(said)
        return said
