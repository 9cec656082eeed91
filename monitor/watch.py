"""The watch over all open batches: events into their pipelines, what they say into the store and out.

A rebuild after a start is the same fold over what the store holds. Whatever the pipelines say is recorded
under a name that the same events give again, so nothing is told twice; what turns out to be over by the
time it could be told is recorded and not told at all.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.batch.standing import alert_document, standing_document
from monitor.chronicle import Chronicle
from monitor.ferment.emission import AlertChange, AlertState, Emission, PhaseChange
from monitor.ferment.event import Event, JournalEntry, Reading, Tick
from monitor.ferment.pipeline import Analysis, Pipeline, Snapshot
from monitor.hub.discovery import HubPolicy, discovery_documents, discovery_topics
from monitor.store.base import Store
from monitor.store.values import Change, ChangeKind, StoredStanding
from monitor.units import MS_PER_MINUTE

logger = logging.getLogger(__name__)

LATE_MS: Final = 20 * MS_PER_MINUTE
"""What the pipeline says of a moment longer ago than this was found out late: after a stop, or an outage."""
HOLD_MS: Final = 90 * MS_PER_MINUTE
"""What was found out late is told only if it still holds after this: by then the backlog has been heard."""

Publish = Callable[[str, bytes], None]


@dataclass(slots=True)
class Watched:
    """One open batch."""

    sheet: Sheet
    pipeline: Pipeline
    journal_seen: int = 0
    samples_seen: int = 0
    shown: Snapshot | None = None
    phases: list[PhaseChange] = field(default_factory=list)
    late: list[tuple[int, AlertChange]] = field(default_factory=list)
    """Firing since long before it was found out, with the time from which it is held back."""


@dataclass(frozen=True, slots=True)
class WatchPolicy:
    """What the watch is told by the configuration."""

    analysis: Analysis = field(default_factory=Analysis)
    channels: tuple[str, ...] = ()
    publish_prefix: str = "carboyd"
    hub: HubPolicy | None = None
    """Where a home-automation hub listens; None where there is none."""


class Watch:
    """All open batches; for one worker thread. `snapshots` may be read from any thread."""

    def __init__(
        self,
        store: Store,
        policy: WatchPolicy,
        *,
        publish: Publish,
        told: Callable[[], None] = lambda: None,
        heard: Callable[[str, Emission], None] = lambda _slug, _emission: None,
        touched: Callable[[str], None] = lambda _slug: None,
        chronicle: Chronicle | None = None,
    ) -> None:
        """`told` is called when there is something for the courier, `heard` for everything that is said,
        `touched` when a batch has got something new to see.
        """
        self._store = store
        self._policy = policy
        self._publish = publish
        self._told = told
        self._heard = heard
        self._touched = touched
        self._chronicle = chronicle
        self._batches: dict[str, Watched] = {}
        self._owners: dict[str, tuple[str, ...]] = {}
        self._change_position = 0

    @property
    def snapshots(self) -> dict[str, Snapshot]:
        """Where each open batch stands, by slug."""
        batches = list(self._batches.items())
        return {slug: watched.shown for slug, watched in batches if watched.shown is not None}

    def phases(self, slug: str) -> tuple[PhaseChange, ...]:
        """The phases of an open batch so far, oldest first; may be called from any thread."""
        watched = self._batches.get(slug)
        return () if watched is None else tuple(watched.phases)

    def rebuild(self, now_ms: int) -> None:
        """Fold all that the store holds of the open batches; only what is still true is told."""
        self._change_position = self._store.changes.position()
        self._owners = self._store.batches.owners()
        self._batches = {}
        for sheet in self._store.batches.listed(only_open=True):
            self._open(sheet, now_ms)

    def admit(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Readings that are in the store now, in order of arrival."""
        touched = set()
        for reading in readings:
            for slug in self._owners.get(reading.sensor, ()):
                self._step(slug, reading, now_ms)
                touched.add(slug)
        self._show(touched)
        for slug in touched:
            self._touched(slug)
        if any(reading.sensor not in self._owners for reading in readings):
            self._touched("")  # a sensor that stands in no batch yet

    def tick(self, now_ms: int) -> None:
        """Time has passed, and everything that has arrived by now has been admitted."""
        for slug in list(self._batches):
            self._step(slug, Tick(now_ms), now_ms)
            self._tell_what_held(slug, now_ms)
        self._show(self._batches)

    def announce(self) -> None:
        """Tell the hub of every open batch, after each new connection to the broker and at the hub's birth.

        What an earlier run said of batches that have ended since, while nobody watched, is taken back.
        """
        for sheet in self._store.batches.listed():
            if sheet.open:
                self._announce(sheet)
            elif self._store.changes.mark(_announced(sheet.slug)):
                self._take_back(sheet.slug)

    def catch_up(self, now_ms: int) -> bool:
        """Take in what other processes changed; True where a calibration was among it."""
        changes = self._store.changes.since(self._change_position)
        if not changes:
            return False
        self._change_position = changes[-1].position
        kinds = {change.kind for change in changes}
        if kinds & {ChangeKind.BATCH, ChangeKind.REDERIVED}:
            self._reopen(changes, now_ms)
        for change in changes:
            if change.kind in (ChangeKind.JOURNAL, ChangeKind.SAMPLE):
                self._take_notes(change.subject, now_ms)
        if kinds & {ChangeKind.ACKNOWLEDGED, ChangeKind.SILENCE}:
            self._told()
        return ChangeKind.CALIBRATION in kinds

    def _reopen(self, changes: Iterable[Change], now_ms: int) -> None:
        owners_before, self._owners = self._owners, self._store.batches.owners()
        anew: set[str] = set()
        for change in changes:
            if change.kind is ChangeKind.BATCH:
                anew.add(change.subject)
            elif change.kind is ChangeKind.REDERIVED:
                anew.update(self._owners.get(change.subject, ()))
                anew.update(owners_before.get(change.subject, ()))
        still_open = {sheet.slug: sheet for sheet in self._store.batches.listed(only_open=True)}
        for slug in sorted(anew):
            if slug in still_open:
                self._open(still_open[slug], now_ms)
            else:
                self._close(slug, now_ms)

    def _open(self, sheet: Sheet, now_ms: int) -> None:
        watched = Watched(sheet, Pipeline(sheet.premise(), self._policy.analysis))
        self._batches[sheet.slug] = watched
        said: list[Emission] = []
        for event in self._store.batches.events(sheet.slug):
            self._count(watched, event)
            said += watched.pipeline.step(event)
            if self._chronicle is not None:
                self._chronicle.look(sheet, watched.pipeline.snapshot)
        watched.phases = [emission for emission in said if isinstance(emission, PhaseChange)]
        if self._chronicle is not None:
            for phase in watched.phases:
                self._chronicle.phase(sheet.slug, phase)
        self._record_history(sheet.slug, watched, said, now_ms)
        self._announce(sheet)
        self._show([sheet.slug])
        self._touched(sheet.slug)

    def _announce(self, sheet: Sheet) -> None:
        if not self._store.changes.mark(_announced(sheet.slug)):
            self._store.changes.set_mark(_announced(sheet.slug), 1)
        if self._policy.hub is not None:
            for topic, document in discovery_documents(sheet, self._policy.hub):
                self._publish(topic, document)

    def _close(self, slug: str, now_ms: int) -> None:
        if self._batches.pop(slug, None) is None:
            return
        for alert in self._store.alerts.listed(batch=slug, only_firing=True):
            self._store.alerts.withdraw(alert.id, at_ms=now_ms, why="the batch was ended")
        self._store.standings.drop(slug)
        if self._chronicle is not None:
            self._chronicle.forget(slug)
        self._take_back(slug)

    def _take_back(self, slug: str) -> None:
        for leaf in ("state", "alert"):
            self._publish(self._topic(slug, leaf), b"")  # an empty retained message clears the topic
        if self._policy.hub is not None:
            for topic in discovery_topics(slug, self._policy.hub):
                self._publish(topic, b"")
        self._store.changes.set_mark(_announced(slug), 0)

    def _record_history(self, slug: str, watched: Watched, said: Iterable[Emission], now_ms: int) -> None:
        """Record a rebuild: what is over is not told, what holds is told unless it was known."""
        changes = [emission for emission in said if isinstance(emission, AlertChange)]
        over = {_name(change) for change in changes if change.state is AlertState.RESOLVED}
        known = {
            (alert.kind, alert.subject, alert.fired_ms)
            for alert in self._store.alerts.listed(batch=slug, only_firing=True)
        }
        for change in changes:
            if change.state is AlertState.FIRING and _name(change) not in over and _name(change) not in known:
                watched.late.append((now_ms, change))
            else:
                # a notice that it is over goes to whoever was told that it began
                self._record(slug, change, now_ms, told=_name(change) in known)
        firing = {_name(change) for change in changes} - over
        for alert in self._store.alerts.listed(batch=slug, only_firing=True):
            if (alert.kind, alert.subject, alert.fired_ms) not in firing:
                self._store.alerts.withdraw(alert.id, at_ms=now_ms, why="judged anew, it does not hold")
        # a moment ago is not late: the daemon was only restarted
        for held in [held for held in watched.late if now_ms - held[1].at_ms <= LATE_MS]:
            watched.late.remove(held)
            self._record(slug, held[1], now_ms, told=True)

    def _take_notes(self, slug: str, now_ms: int) -> None:
        watched = self._batches.get(slug)
        if watched is None:
            return
        fresh: list[Event] = list(self._store.batches.journal(slug)[watched.journal_seen :])
        samples = self._store.readings.read([watched.sheet.hand_sensor])
        fresh += list(samples.readings())[watched.samples_seen :]
        for event in sorted(fresh, key=lambda event: event.at_ms):
            self._count(watched, event)
            self._step(slug, event, now_ms)
        self._show([slug])
        self._touched(slug)

    @staticmethod
    def _count(watched: Watched, event: Event) -> None:
        """Remember how far journal and hand samples have been taken in."""
        if isinstance(event, JournalEntry):
            watched.journal_seen += 1
        elif isinstance(event, Reading) and event.sensor == watched.sheet.hand_sensor:
            watched.samples_seen += 1

    def _step(self, slug: str, event: Event, now_ms: int) -> None:
        watched = self._batches.get(slug)
        if watched is None:
            return
        for emission in watched.pipeline.step(event):
            self._heard(slug, emission)
            if isinstance(emission, PhaseChange):
                watched.phases.append(emission)
                if self._chronicle is not None:
                    self._chronicle.phase(slug, emission)
                logger.info("%s: %s: %s", slug, emission.phase.value, emission.reason)
            elif isinstance(emission, AlertChange):
                self._take_alert(slug, watched, emission, now_ms)
        if self._chronicle is not None:
            self._chronicle.look(watched.sheet, watched.pipeline.snapshot)

    def _take_alert(self, slug: str, watched: Watched, change: AlertChange, now_ms: int) -> None:
        if change.state is AlertState.FIRING and now_ms - change.at_ms > LATE_MS:
            watched.late.append((now_ms, change))
            return
        held = [pair for pair in watched.late if _name(pair[1]) == _name(change)]
        for pair in held:  # it is over before anyone was told: record both, tell nobody
            watched.late.remove(pair)
            self._record(slug, pair[1], now_ms, told=False)
        self._record(slug, change, now_ms, told=not held)

    def _tell_what_held(self, slug: str, now_ms: int) -> None:
        watched = self._batches[slug]
        for pair in [pair for pair in watched.late if now_ms - pair[0] >= HOLD_MS]:
            watched.late.remove(pair)
            self._record(slug, pair[1], now_ms, told=True)

    def _record(self, slug: str, change: AlertChange, now_ms: int, *, told: bool) -> None:
        channels = self._policy.channels if told else ()
        if self._store.alerts.record(slug, change, channels=channels, now_ms=now_ms) is None:
            return
        logger.info("%s: alert %s %s: %s", slug, change.kind.value, change.state.value, change.message)
        sheet = self._batches[slug].sheet
        self._publish(self._topic(slug, "alert"), _json(alert_document(sheet, change)))
        if told:
            self._told()

    def _show(self, slugs: Iterable[str]) -> None:
        """Publish and keep where these batches stand, if they have been looked at since."""
        fresh: list[StoredStanding] = []
        for slug in slugs:
            watched = self._batches.get(slug)
            if watched is None:
                continue
            snapshot = watched.pipeline.snapshot
            if watched.shown is not None and snapshot.evidence is watched.shown.evidence:
                continue  # evidence is measured anew at every look
            watched.shown = snapshot
            document = standing_document(watched.sheet, snapshot)
            self._publish(self._topic(slug, "state"), _json(document))
            fresh.append(StoredStanding(slug, snapshot.at_ms, document))
            self._touched(slug)
        if fresh:
            self._store.standings.put(fresh)
        if self._chronicle is not None:
            self._chronicle.flush()

    def _topic(self, slug: str, leaf: str) -> str:
        return f"{self._policy.publish_prefix}/batch/{slug}/{leaf}"


def _announced(slug: str) -> str:
    return f"announced:{slug}"


def _name(change: AlertChange) -> tuple[object, ...]:
    return (change.kind, change.subject, change.fired_ms)


def _json(document: dict[str, object]) -> bytes:
    return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()
