"""What was done to a batch and what is left to be done: one rule for the alerts and the list of duties."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.ferment.event import JournalEntry, JournalKind

RESTS: Final = frozenset({JournalKind.STABILISED, JournalKind.SWEETENED, JournalKind.PACKAGED})
"""After these a batch is meant to stay as it is, and the colder the better."""
SUGAR: Final = frozenset({JournalKind.SUGAR_ADDITION, JournalKind.SWEETENED})
"""These raise the gravity."""
_ENDS_FEEDING: Final = (JournalKind.NUTRIENT, JournalKind.STABILISED, JournalKind.PACKAGED)
_ENDS_INFUSION: Final = (JournalKind.INFUSION_OUT, JournalKind.PACKAGED)

INFUSION_USUAL_DAYS: Final = (7.0, 14.0)
INFUSION_LONGEST_DAYS: Final = 56.0
"""How long an infusion is usually in, and at the outside (common practice)."""


class Deeds:
    """Takes journal entries in as they are entered; what counts is when each was done."""

    def __init__(self, journal: Iterable[JournalEntry] = ()) -> None:
        self._last: dict[JournalKind, JournalEntry] = {}
        for entry in journal:
            self.note(entry)

    def note(self, entry: JournalEntry) -> None:
        """Take an entry in, which may be of something done before others that are known."""
        known = self._last.get(entry.kind)
        if known is None or (entry.done_ms, entry.at_ms) > (known.done_ms, known.at_ms):
            self._last[entry.kind] = entry

    def did(self, kind: JournalKind) -> bool:
        """Whether this was done at all."""
        return kind in self._last

    @property
    def put_to_rest(self) -> bool:
        """Whether the maker treats it as a ferment that is over."""
        return any(self.did(kind) for kind in RESTS)

    @property
    def feeding_is_over(self) -> bool:
        """Whether nutrient went in, or what was done since leaves nothing to feed."""
        return any(self.did(kind) for kind in _ENDS_FEEDING)

    @property
    def infusion(self) -> JournalEntry | None:
        """The infusion that is in now: the last one, unless it was taken out or packaged since."""
        begun = self._last.get(JournalKind.INFUSION_IN)
        if begun is None:
            return None
        ends = (self._last[kind].done_ms for kind in _ENDS_INFUSION if kind in self._last)
        return None if any(end_ms >= begun.done_ms for end_ms in ends) else begun
