"""Where each watched batch stood when it was shown last: kept in the store, published, held for the page."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from monitor.announcing import Announcer
from monitor.batch.standing import standing_document
from monitor.batch.told import from_plain, to_plain
from monitor.ferment.emission import PhaseChange
from monitor.ferment.pipeline import Snapshot
from monitor.store.base import Store
from monitor.store.values import Claim, StoredStanding
from monitor.watched import Watched


class Shown:
    """What can be seen of the watched batches; one thread shows, any may look."""

    def __init__(self, store: Store, out: Announcer, touched: Callable[[str], None]) -> None:
        """`touched` is called for each batch that has got something new to see."""
        self._store = store
        self._out = out
        self._touched = touched
        self._snapshots: dict[str, Snapshot] = {}
        self._phases: dict[str, Sequence[PhaseChange]] = {}
        self._remembered: dict[str, StoredStanding] = {}

    @property
    def snapshots(self) -> Mapping[str, Snapshot]:
        """Where each batch stands, by slug."""
        return dict(self._snapshots)  # others read while this thread writes

    def phases(self, slug: str) -> tuple[PhaseChange, ...]:
        """The phases of a batch so far, oldest first."""
        return tuple(self._phases.get(slug, ()))

    def clear(self) -> None:
        """Begin anew with no batch."""
        self._snapshots, self._phases, self._remembered = {}, {}, {}

    def remember(self) -> None:
        """Take from the store where each batch stood when it was told last."""
        for standing in self._store.standings.listed():
            told = None if standing.told is None else from_plain(standing.told)
            if told is not None:
                self._snapshots[standing.batch], self._phases[standing.batch] = told.snapshot, told.phases
                self._remembered[standing.batch] = standing

    def forget(self, slug: str) -> None:
        """A batch is watched here no more."""
        self._snapshots.pop(slug, None)
        self._phases.pop(slug, None)

    def show(self, batches: Iterable[Watched]) -> None:
        """Keep and publish where these stand, if they have been looked at since.

        StoreUnavailableError before any of them was published: the same call shows them later.
        """
        looks: list[tuple[Watched, Snapshot, dict[str, object]]] = []
        fresh: list[StoredStanding] = []
        claims: list[Claim] = []
        for watched in batches:
            slug, snapshot = watched.sheet.slug, watched.pipeline.snapshot
            if watched.shown is not None and snapshot.evidence is watched.shown.evidence:
                continue  # evidence is measured anew at every look
            document = standing_document(watched.sheet, snapshot)
            looks.append((watched, snapshot, document))
            stands = StoredStanding(slug, snapshot.at_ms, document, to_plain(snapshot, watched.phases))
            if stands != self._remembered.pop(slug, None):  # at a start most are there already
                fresh.append(stands)
                if watched.claim is not None:
                    claims.append(watched.claim)
        if fresh:
            self._store.standings.put(fresh, claims=claims)
        for watched, snapshot, document in looks:
            slug = watched.sheet.slug
            watched.shown = snapshot
            self._snapshots[slug], self._phases[slug] = snapshot, watched.phases
            self._out.say(slug, "state", document)
            self._touched(slug)
