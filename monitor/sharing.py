"""Whether a daemon judges alone or shares the judging: what is done differently, in two classes alike."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from monitor.ferment.emission import PhaseChange
from monitor.ferment.event import Reading
from monitor.ferment.pipeline import Snapshot
from monitor.onlooker import Onlooker
from monitor.shift import HEARD_MARK, Shift
from monitor.store.base import Store
from monitor.watch import Watch

OPEN_S: Final = 2.0
"""So long a start waits for batches to be opened; the others follow while readings come in."""
FREEZE_EVERY: Final = 100
"""So many batches are opened before they are taken out of the search for garbage."""


def let_go() -> None:
    """Give back the memory of a daemon that has stopped and is named nowhere any more, while another goes on.

    Its parts know one another, and what was frozen is never searched: without this all of it would be kept.
    What goes on freezes its own again while it opens batches.
    """
    gc.unfreeze()
    gc.collect()


class Alone:
    """This process judges every batch; all but what is seen is for its worker thread."""

    def __init__(self, store: Store, watch: Watch) -> None:
        self._store = store
        self._watch = watch

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands; may be read from any thread."""
        return self._watch.snapshots

    def refreshed(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands as of now; may be called from any thread."""
        return self._watch.snapshots

    def phases(self, slug: str) -> Sequence[PhaseChange]:
        """The phases of a batch so far, oldest first; may be called from any thread."""
        return self._watch.phases(slug)

    def begin(self, now_ms: Callable[[], int]) -> None:
        """Show where all stood, and open what can be opened in a moment."""
        self._watch.prepare()
        self._watch.remember()
        self._watch.hold({sheet.slug: None for sheet in self._store.batches.listed(only_open=True)})
        deadline = time.monotonic() + OPEN_S
        while time.monotonic() < deadline and self._watch.open_next(now_ms()):
            pass

    def stop(self) -> None:
        """Nothing is to be handed over."""

    def admit(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Judge what was stored just now; StoreUnavailableError after all of it was taken in."""
        self._watch.admit(readings, now_ms)

    def turn(self, now_ms: int) -> bool:
        """Let time pass for some batches, open one; never has news of a calibration."""
        self._watch.tick_next(now_ms)
        opened = self._watch.open_next(now_ms)
        if opened and (not self._watch.waiting or len(self._watch.waiting) % FREEZE_EVERY == 0):
            # pipelines are kept for weeks: with thousands of them a search for garbage takes seconds
            gc.freeze()
        return False

    def catch_up(self, now_ms: int) -> bool:
        """Take in what other processes changed; True where a calibration was among it."""
        return self._watch.catch_up(now_ms)

    def let_time_pass(self, now_ms: int) -> None:
        """All that was sent by now is stored and was admitted."""
        self._watch.begin_tick(now_ms)

    def seal(self) -> None:
        """Keep checkpoints where they are due."""
        self._watch.seal()

    def forget_ended(self) -> None:
        """An ended batch was let go of when it ended."""


class Shared:
    """This process judges the batches of its shift, and looks on at those of others."""

    def __init__(
        self, store: Store, shift: Shift, *, touched: Callable[[str], None], told: Callable[[], None]
    ) -> None:
        """`touched` is called for what was judged since, `told` when there may be notices of others."""
        self._store = store
        self._shift = shift
        self._onlooker = Onlooker(store)
        self._touched = touched
        self._told = told

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands, whoever judges it; may be read from any thread."""
        return self._onlooker.snapshots

    def refreshed(self) -> Mapping[str, Snapshot]:
        """Where each open batch stands as of now; may be called from any thread."""
        return self._onlooker.refreshed()

    def phases(self, slug: str) -> Sequence[PhaseChange]:
        """The phases of a batch so far, oldest first; may be called from any thread."""
        return self._onlooker.phases(slug)

    def begin(self, now_ms: Callable[[], int]) -> None:
        """Become a member, and show where all stand; batches are opened turn by turn."""
        self._shift.start()
        self._look_on()

    def stop(self) -> None:
        """Hand everything over at once."""
        self._shift.stop()

    def admit(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Readings come from the store, by position, whoever stored them."""

    def turn(self, now_ms: int) -> bool:
        """One round of the shift; True where a calibration was changed."""
        self._shift.turn(now_ms)
        recalibrated, self._shift.recalibrated = self._shift.recalibrated, False
        return recalibrated

    def catch_up(self, now_ms: int) -> bool:
        """Show what others judged since; what they changed is the shift's to take in."""
        self._look_on()
        return False

    def let_time_pass(self, now_ms: int) -> None:
        """All that was sent by now is stored, for every member to know."""
        self._store.changes.set_mark(HEARD_MARK, now_ms)
        self._told()  # others put notices into the outbox too

    def seal(self) -> None:
        """The shift seals by itself."""

    def forget_ended(self) -> None:
        """Let go of what has ended, whoever judged it."""
        self._onlooker.forget_all_but({sheet.slug for sheet in self._store.batches.listed(only_open=True)})

    def _look_on(self) -> None:
        for slug in self._onlooker.refresh():
            self._touched(slug)


Sharing = Alone | Shared
