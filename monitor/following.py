"""The changes that other processes made, and what follows from them for the batches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from monitor.store.base import Store
from monitor.store.values import Change, ChangeKind


@dataclass(frozen=True, slots=True)
class Changed:
    """What was changed since it was last taken in."""

    position: int
    """Of the last of the changes."""
    anew: tuple[str, ...]
    """Batches that begin, end, or are to be judged anew; by name."""
    noted: tuple[str, ...]
    """Batches with an entry or a hand sample, as often as there are of them, in their order."""
    answered: bool
    """Whether an alert was acknowledged or silenced."""
    recalibrated: bool
    """Whether a calibration was among them."""


class Follower:
    """Knows up to which change all was taken in, and which sensors stand in which batches."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._position = 0
        self._owners: Mapping[str, tuple[str, ...]] = {}

    @property
    def position(self) -> int:
        """All changes up to this one have been taken in."""
        return self._position

    @property
    def owners(self) -> Mapping[str, tuple[str, ...]]:
        """The batches of each sensor that stands in any."""
        return self._owners

    def begin(self) -> None:
        """Take all changes so far as known."""
        self._position = self._store.changes.position()
        self._owners = self._store.batches.owners()

    def look(self) -> Changed | None:
        """What was changed; the same again until it is `settle`d, and None where nothing was."""
        changes = self._store.changes.since(self._position)
        if not changes:
            return None
        kinds = {change.kind for change in changes}
        return Changed(
            position=changes[-1].position,
            anew=self._anew(changes) if kinds & {ChangeKind.BATCH, ChangeKind.REDERIVED} else (),
            noted=tuple(
                change.subject for change in changes if change.kind in (ChangeKind.JOURNAL, ChangeKind.SAMPLE)
            ),
            answered=bool(kinds & {ChangeKind.ACKNOWLEDGED, ChangeKind.SILENCE}),
            recalibrated=ChangeKind.CALIBRATION in kinds,
        )

    def settle(self, changed: Changed) -> None:
        """All of it was taken in."""
        self._position = changed.position

    def _anew(self, changes: Iterable[Change]) -> tuple[str, ...]:
        owners_before, self._owners = self._owners, self._store.batches.owners()
        anew: set[str] = set()
        for change in changes:
            if change.kind is ChangeKind.BATCH:
                anew.add(change.subject)
            elif change.kind is ChangeKind.REDERIVED:
                anew.update(self._owners.get(change.subject, ()))
                anew.update(owners_before.get(change.subject, ()))
        return tuple(sorted(anew))
