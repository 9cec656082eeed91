"""The watch over all open batches: events into their pipelines, what they say into the store and out.

A rebuild after a start is the same fold over what the store holds. Whatever the pipelines say is recorded
under a name that the same events give again, so nothing is told twice; what turns out to be over by the
time it could be told is recorded and not told at all.

Where several processes share the judging, each watches the batches it holds a claim on, and whatever it
writes it writes under that claim: what was lost to another is dropped here without a word.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.announcing import Announcer, Publish
from monitor.batch.sheet import Sheet
from monitor.chronicle import Chronicle, NoChronicle
from monitor.errors import ClaimLostError, NotFoundError
from monitor.ferment.emission import Emission, PhaseChange
from monitor.ferment.event import Reading, Tick
from monitor.ferment.pipeline import Analysis, Snapshot
from monitor.folding import Fold
from monitor.following import Follower
from monitor.hub.discovery import HubPolicy
from monitor.shown import Shown
from monitor.store.base import Store
from monitor.store.values import Checkpoint, Claim
from monitor.telling import Teller
from monitor.units import MS_PER_HOUR
from monitor.untold import HOLD_MS
from monitor.watched import Watched, is_the_answer

logger = logging.getLogger(__name__)

SEAL_MS: Final = 12 * MS_PER_HOUR
"""A checkpoint is made so long after the last: a restart folds over half of that a batch."""
SEALS_AT_ONCE: Final = 20
TICKS_AT_ONCE: Final = 20


@dataclass(frozen=True, slots=True)
class WatchPolicy:
    """What the watch is told by the configuration."""

    analysis: Analysis = field(default_factory=Analysis)
    channels: tuple[str, ...] = ()
    publish_prefix: str = "carboyd"
    hub: HubPolicy | None = None
    """Where a home-automation hub listens; None where there is none."""
    shared: bool = False
    """Whether other processes watch other batches."""


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
        give_way: Callable[[], None] = lambda: None,
    ) -> None:
        """`told` is called when there is something for the courier, `heard` for everything that is said,
        `touched` when a batch has got something new to see, `give_way` before work that can wait.
        """
        self._store = store
        self._policy = policy
        self._out = Announcer(store, publish, policy.publish_prefix, policy.hub)
        self._told = told
        self._touched = touched
        self._give_way = give_way
        self._chronicle = NoChronicle(store) if chronicle is None else chronicle
        self._fold = Fold(store, policy.analysis, self._chronicle, heard)
        self._teller = Teller(store, self._out, policy.channels, told)
        self._shown = Shown(store, self._out, touched)
        self._follower = Follower(store)
        self._batches: dict[str, Watched] = {}
        self._waiting: dict[str, Claim | None] = {}
        self._to_tick: deque[str] = deque()
        self._untold: dict[str, None] = {}
        self._tick_ms = 0
        self._reached: int | None = None

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands, by slug; what is yet to be opened as it was told last."""
        return self._shown.snapshots

    def phases(self, slug: str) -> tuple[PhaseChange, ...]:
        """The phases of an open batch so far, oldest first; may be called from any thread."""
        return self._shown.phases(slug)

    @property
    def reached(self) -> int | None:
        """Position up to which readings of other processes were taken in; None where there are none."""
        return self._reached

    @property
    def waiting(self) -> tuple[str, ...]:
        """Batches that are yet to be opened."""
        return tuple(self._waiting)

    @property
    def held(self) -> Collection[str]:
        """Batches that are watched, those that are yet to be opened among them."""
        return self._batches.keys() | self._waiting.keys()

    def rebuild(self, now_ms: int) -> None:
        """Fold all that the store holds of the open batches; only what is still true is told."""
        self.prepare()
        self.hold({sheet.slug: None for sheet in self._store.batches.listed(only_open=True)})
        while self.open_next(now_ms):
            pass

    def prepare(self) -> None:
        """Begin anew with no batch, knowing of all changes so far."""
        self._follower.begin()
        self._reached = self._store.readings.position() if self._policy.shared else None
        self._batches, self._waiting = {}, {}
        self._shown.clear()

    def remember(self) -> None:
        """Show where each open batch stood when it was told last, until it is opened."""
        self._shown.remember()

    def hold(self, claims: Mapping[str, Claim | None]) -> None:
        """Watch these from now on; `open_next` opens them, and until then what comes waits in the store."""
        self._waiting.update(claims)

    def let_go(self, slugs: Iterable[str]) -> None:
        """Watch these no more: another process does."""
        for slug in slugs:
            self._waiting.pop(slug, None)
            self._batches.pop(slug, None)
            self._shown.forget(slug)
            self._chronicle.forget(slug)

    def open_next(self, now_ms: int) -> bool:
        """Open one of the batches that wait for it; False where none does."""
        if not self._waiting:
            return False
        self._give_way()
        slug, claim = next(iter(self._waiting.items()))
        sheet = self._store.batches.get(slug)
        if sheet.open:
            self._open(sheet, now_ms, claim)
        else:  # it ended while nobody watched it
            self._close(slug, claim, now_ms)
        self._waiting.pop(slug, None)
        if not self._waiting:
            logger.info("opened the last of %d batches", len(self._batches))
        return True

    def admit(self, readings: Sequence[Reading], now_ms: int, reached: int | None = None) -> None:
        """Readings that are in the store now, in order of arrival.

        `reached` is the position of the last of them where they come from the store itself; without it
        all that the store holds has been admitted. StoreUnavailableError after all of them were taken in:
        what they gave to tell is told with the next that is told.
        """
        touched = set()
        for reading in readings:
            for slug in self._follower.owners.get(reading.sensor, ()):
                touched.add(slug)
                watched = self._batches.get(slug)
                if watched is not None:
                    self._fold.step(watched, reading, now_ms)
        self._reached = reached
        for slug in touched:
            self._touched(slug)
        if any(reading.sensor not in self._follower.owners for reading in readings):
            self._touched("")  # a sensor that stands in no batch yet
        self._tell(touched, now_ms)

    def tick(self, now_ms: int) -> None:
        """Time has passed, and everything that has arrived by now has been admitted."""
        self.begin_tick(now_ms)
        while self.tick_next(now_ms):
            pass

    def begin_tick(self, now_ms: int) -> None:
        """The same, batch by batch as `tick_next` is called: at the full hour each takes some milliseconds.

        What comes in meanwhile may be admitted; a tick that is under way is finished first.
        """
        if not self._to_tick:
            self._to_tick = deque(self._batches)
            self._tick_ms = now_ms

    def tick_next(self, now_ms: int, most: int = TICKS_AT_ONCE) -> bool:
        """Let time pass for some of the batches, and tell what is left to tell; False where none was left."""
        passed = [self._to_tick.popleft() for _ in range(min(most, len(self._to_tick)))]
        for slug in passed:
            self._give_way()
            watched = self._batches.get(slug)
            if watched is not None:
                self._fold.step(watched, Tick(self._tick_ms), now_ms)
                watched.release([pair for pair in watched.late if now_ms - pair[0] >= HOLD_MS])
        self._tell(passed, now_ms)
        return bool(passed)

    @property
    def is_busy(self) -> bool:
        """Whether batches wait to be opened, or for time to pass."""
        return bool(self._waiting or self._to_tick)

    def seal(self, *, every_ms: int = SEAL_MS, most: int = SEALS_AT_ONCE) -> int:
        """Keep checkpoints of up to `most` batches whose last one is older; how many were made."""
        due = [one for one in self._batches.values() if one.seal_due(every_ms)][:most]
        if not due:
            return 0
        self._chronicle.flush()  # what a checkpoint has behind it is not said again
        position = self._store.readings.position() if self._reached is None else self._reached
        self._store.checkpoints.put(
            [self._checkpoint(one, position) for one in due],
            changes_seen=self._follower.position,
            claims=[one.claim for one in due if one.claim is not None],
        )
        for one in due:
            one.sealed_ms = one.pipeline.snapshot.at_ms
        return len(due)

    def _checkpoint(self, watched: Watched, position: int) -> Checkpoint:
        self._give_way()
        return watched.checkpoint(self._policy.analysis, position)

    def announce(self) -> None:
        """Tell the hub of all open batches, after each new connection to the broker and at a hub's birth."""
        self._out.announce_all()

    def catch_up(self, now_ms: int) -> bool:
        """Take in what other processes changed; True where a calibration was among it."""
        changed = self._follower.look()
        if changed is None:
            return False
        for slug in changed.anew:
            self._reopen(slug, now_ms)
        for slug in changed.noted:
            self._take_notes(slug, now_ms)
        if changed.answered:
            self._told()
        self._follower.settle(changed)  # not before: what the store broke off comes again
        return changed.recalibrated

    def _reopen(self, slug: str, now_ms: int) -> None:
        watched = self._batches.get(slug)
        if slug in self._waiting or (watched is None and self._policy.shared):
            return  # opened later from the store as it is, or watched by another
        sheet = self._sheet(slug)
        if sheet is not None and sheet.open:
            self._store.checkpoints.drop(slug)
            self._open(sheet, now_ms, None if watched is None else watched.claim, anew=True)
        elif watched is not None:
            self._close(slug, watched.claim, now_ms)

    def _sheet(self, slug: str) -> Sheet | None:
        try:
            return self._store.batches.get(slug)
        except NotFoundError:
            return None

    def _open(self, sheet: Sheet, now_ms: int, claim: Claim | None, *, anew: bool = False) -> None:
        # judged anew while it is watched: as far as time had passed for it
        watched, said = self._fold.opened(sheet, claim, passed_ms=self._tick_ms if anew else None)
        self._batches[sheet.slug] = watched
        try:
            self._teller.record_history(watched, said, now_ms, anew=anew)
        except ClaimLostError:
            self._lose(sheet.slug)
        self._out.announce(sheet)
        self._show([sheet.slug])
        self._touched(sheet.slug)

    def _close(self, slug: str, claim: Claim | None, now_ms: int) -> None:
        try:
            self._teller.withdraw_all(slug, claim, now_ms)
        except ClaimLostError:
            self._lose(slug)
            return
        self._store.standings.drop(slug)
        self._store.checkpoints.drop(slug)
        self._out.take_back(slug)
        if claim is not None:
            self._store.claims.settle(claim)
        self.let_go([slug])  # last: what the store broke off is done again

    def _lose(self, slug: str) -> None:
        logger.info("%s: another process judges it now", slug)
        self.let_go([slug])

    def _take_notes(self, slug: str, now_ms: int) -> None:
        watched = self._batches.get(slug)
        if watched is None:
            return
        fresh = list(
            self._store.batches.notes(slug, entries=watched.journal_seen, samples=watched.samples_seen)
        )
        for event in fresh:
            watched.count(event)
            self._fold.step(watched, event, now_ms)
        if any(is_the_answer(event) for event in fresh):
            self._teller.acknowledge_finish(slug, now_ms)
        self._touched(slug)
        self._tell([slug], now_ms)

    def _tell(self, slugs: Iterable[str], now_ms: int) -> None:
        """Record and show what these batches gave to tell, and others before them in vain."""
        self._untold.update(dict.fromkeys(slugs))
        for slug in self._untold:
            watched = self._batches.get(slug)
            if watched is None:
                continue
            try:
                self._teller.record(watched, now_ms)
            except ClaimLostError:
                self._lose(slug)
        self._show(self._untold)
        self._untold.clear()

    def _show(self, slugs: Iterable[str]) -> None:
        self._shown.show(self._batches[slug] for slug in slugs if slug in self._batches)
        self._chronicle.flush()
