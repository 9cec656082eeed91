"""Which of many open batches a page of the list shows: those first that need the maker.

What a batch needs is told here from its phase and its alerts, which are counted by the database, so that
ten thousand batches are put in order without a look at each; only those of one page are looked at whole.
What merely falls due, and rings no alert yet, puts a batch forward within its page only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import Phase, Severity
from monitor.ferment.pipeline import Snapshot
from monitor.store.values import FiringCount, Silence
from monitor.web.gather import hushed
from monitor.web.ports import Ports
from monitor.web.view import NEED_ORDER, Need

ON_A_PAGE: Final = 25


@dataclass(frozen=True, slots=True)
class Placed:
    """One batch in the order of the list."""

    sheet: Sheet
    need: Need
    danger: bool
    """Whether an alert says that someone may be hurt, heard or not."""
    waiting: int
    """Alerts that nobody has seen or hushed."""

    @property
    def name(self) -> str:
        """What the maker calls it."""
        return self.sheet.name


@dataclass(frozen=True, slots=True)
class Rack:
    """All open batches in order, and the page that is shown."""

    batches: Sequence[Placed]
    page: int
    """From 1."""

    @property
    def pages(self) -> int:
        """How many pages there are; 1 for an empty list."""
        return max(1, -(-len(self.batches) // ON_A_PAGE))

    @property
    def shown(self) -> Sequence[Placed]:
        """The batches of this page."""
        return self.batches[(self.page - 1) * ON_A_PAGE : self.page * ON_A_PAGE]

    @property
    def waiting(self) -> int:
        """How many alerts nobody has seen."""
        return sum(one.waiting for one in self.batches)


def rack(ports: Ports, page: int) -> Rack:
    """The open batches in order; a page beyond the last is the last."""
    placed = in_order(
        ports.store.batches.listed(only_open=True),
        ports.snapshots(),
        ports.store.alerts.firing(),
        ports.store.alerts.silences(ports.now_ms()),
    )
    pages = max(1, -(-len(placed) // ON_A_PAGE))
    return Rack(placed, min(max(1, page), pages))


def in_order(
    sheets: Iterable[Sheet],
    snapshots: Mapping[str, Snapshot],
    firing: Iterable[FiringCount],
    silences: Sequence[Silence],
) -> list[Placed]:
    """Sheets by what they need: danger, need, the youngest."""
    counted: dict[str, list[FiringCount]] = {}
    for one in firing:
        counted.setdefault(one.batch, []).append(one)
    placed = [
        _placed(sheet, snapshots.get(sheet.slug), counted.get(sheet.slug, ()), silences) for sheet in sheets
    ]
    return sorted(placed, key=lambda one: (not one.danger, NEED_ORDER.index(one.need), -one.sheet.pitched_ms))


def _placed(
    sheet: Sheet, snapshot: Snapshot | None, firing: Sequence[FiringCount], silences: Sequence[Silence]
) -> Placed:
    waiting = [one for one in firing if one.unseen and not hushed(one, silences)]
    need = Need.QUIET
    if any(one.severity is not Severity.NOTE for one in waiting):
        need = Need.NOW
    elif waiting or (snapshot is not None and snapshot.phase in (Phase.STALLED, Phase.REFERMENTING)):
        need = Need.SOON
    return Placed(
        sheet,
        need,
        any(one.severity is Severity.DANGER for one in firing),
        sum(one.unseen for one in waiting),
    )
