"""What the pipelines say of each batch, look by look, on its way into the store for whoever forwards it.

A look that was kept before is not kept again, so a rebuild after a start fills in what was missed while
the daemon was down, and nothing else.
"""

from __future__ import annotations

from monitor.batch.sheet import Sheet
from monitor.batch.standing import standing_document
from monitor.ferment.emission import PhaseChange
from monitor.ferment.evidence import Evidence
from monitor.ferment.pipeline import Snapshot
from monitor.store.base import Store
from monitor.store.values import Level, PhaseStep

_NUMBERS = (
    "gravity_sg",
    "gravity_standard_error_sg",
    "fall_points_per_day",
    "alcohol_abv",
    "temperature_c",
)


class Chronicle:
    """Gathers levels and phases; `flush` writes them. For one thread."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._seen: dict[str, Evidence] = {}
        self._last_ms: dict[str, int] = {}
        self._levels: list[Level] = []
        self._phases: list[PhaseStep] = []

    def begin(self, sheet: Sheet) -> None:
        """Ask the store up to when a batch is written down, once, so that no look need ask it."""
        if sheet.slug not in self._last_ms:
            last_ms = self._store.chronicle.last_level_ms(sheet.slug)
            self._last_ms[sheet.slug] = sheet.pitched_ms - 1 if last_ms is None else last_ms

    def look(self, sheet: Sheet, snapshot: Snapshot) -> None:
        """Take in where a batch stands that was begun; nothing, if it was not looked at since."""
        slug = sheet.slug
        if snapshot.evidence is self._seen.get(slug):
            return
        self._seen[slug] = snapshot.evidence
        if snapshot.at_ms > self._last_ms[slug]:
            self._last_ms[slug] = snapshot.at_ms
            self._levels.append(level_of(sheet, snapshot))

    def phase(self, slug: str, change: PhaseChange) -> None:
        """Take in another phase."""
        self._phases.append(PhaseStep(slug, change.at_ms, change.phase, change.reason))

    def flush(self) -> None:
        """Write down what was taken in; StoreUnavailableError leaves it to be written next time."""
        if self._levels or self._phases:
            self._store.chronicle.keep(self._levels, self._phases)
            self._levels, self._phases = [], []

    def reaches(self, slug: str, at_ms: int) -> bool:
        """Whether the looks at a batch up to a time are written down."""
        last_ms = self._store.chronicle.last_level_ms(slug)
        return last_ms is not None and last_ms >= at_ms

    def forget(self, slug: str) -> None:
        """A batch has ended."""
        self._seen.pop(slug, None)
        self._last_ms.pop(slug, None)


class NoChronicle(Chronicle):
    """Where nobody forwards anything: takes in nothing."""

    def begin(self, sheet: Sheet) -> None:
        """Nothing."""

    def look(self, sheet: Sheet, snapshot: Snapshot) -> None:
        """Nothing."""

    def phase(self, slug: str, change: PhaseChange) -> None:
        """Nothing."""

    def reaches(self, slug: str, at_ms: int) -> bool:
        """Nothing is missing."""
        return True


def level_of(sheet: Sheet, snapshot: Snapshot) -> Level:
    """The numbers of a look that are known, with the middle of what is forecast."""
    document = standing_document(sheet, snapshot)
    numbers = {name: document[name] for name in _NUMBERS}
    for percentile, value in document["final_gravity_sg"].items():
        numbers[f"final_gravity_{percentile}_sg"] = value
    known = {name: float(value) for name, value in numbers.items() if value is not None}
    return Level(sheet.slug, snapshot.at_ms, snapshot.phase, known)
