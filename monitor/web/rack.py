"""Which of many open batches a page of the list shows: those first that need the maker.

What a batch needs is told here from its phase and its alerts, which are counted by the database, so that
ten thousand batches are put in order by their names; the sheets of one page are read, and no others. What
merely falls due, and rings no alert yet, puts a batch forward within its page only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor.ferment.emission import Phase, Severity
from monitor.ferment.pipeline import Snapshot
from monitor.store.values import FiringCount, Silence
from monitor.web.gather import hushed
from monitor.web.leaf import Leaf
from monitor.web.ports import Ports
from monitor.web.view import NEED_ORDER, Need

PRESSING: Final = (Phase.STALLED, Phase.REFERMENTING)


@dataclass(frozen=True, slots=True)
class Placed:
    """One batch that needs somebody, or is dangerous."""

    slug: str
    need: Need
    danger: bool
    """Whether an alert says that someone may be hurt, heard or not."""
    waiting: int
    """Alerts that nobody has seen or hushed."""


@dataclass(frozen=True, slots=True)
class Rack:
    """All open batches in order, and the page that was asked for."""

    pressing: Sequence[Placed]
    """Those that need somebody, and those in danger."""
    quiet: Sequence[str]
    """The others, behind them."""
    asked: int = 1
    untold: Sequence[str] = ()
    """Batches with something from a backlog that asks for somebody, and is not told yet."""

    @property
    def count(self) -> int:
        """How many batches there are."""
        return len(self.pressing) + len(self.quiet)

    @property
    def leaf(self) -> Leaf:
        """The page that is shown."""
        return Leaf(self.asked, self.count)

    @property
    def slugs(self) -> Sequence[str]:
        """All of them in order."""
        return [*(one.slug for one in self.pressing), *self.quiet]

    @property
    def shown(self) -> Sequence[str]:
        """The batches of this page."""
        return self.leaf.part(self.slugs)

    @property
    def waiting(self) -> int:
        """How many alerts nobody has seen."""
        return sum(one.waiting for one in self.pressing)


def rack(ports: Ports, page: int) -> Rack:
    """The open batches in order; a page beyond the last is the last."""
    found = in_order(
        ports.store.batches.open_slugs(),
        ports.snapshots(),
        ports.store.alerts.firing(),
        ports.store.alerts.silences(ports.now_ms()),
    )
    return replace(found, asked=page)


def in_order(
    slugs: Iterable[str],
    snapshots: Mapping[str, Snapshot],
    firing: Iterable[FiringCount],
    silences: Sequence[Silence],
) -> Rack:
    """Batches, given the youngest first, by what they need: danger, need, the youngest."""
    counted: dict[str, list[FiringCount]] = {}
    for one in firing:
        counted.setdefault(one.batch, []).append(one)
    pressing: list[Placed] = []
    quiet: list[str] = []
    untold: list[str] = []
    for slug in slugs:
        snapshot = snapshots.get(slug)
        if snapshot is not None and _is_untold(snapshot, counted.get(slug, ())):
            untold.append(slug)
        if slug in counted or (snapshot is not None and snapshot.phase in PRESSING):
            placed = _placed(slug, snapshot, counted.get(slug, ()), silences)
            if placed.danger or placed.need is not Need.QUIET:
                pressing.append(placed)
                continue
        quiet.append(slug)
    # sorting keeps the order of what is alike: the youngest first
    pressing.sort(key=lambda one: (not one.danger, NEED_ORDER.index(one.need)))
    return Rack(pressing, quiet, untold=untold)


def _is_untold(snapshot: Snapshot, firing: Sequence[FiringCount]) -> bool:
    """Whether more alerts of a kind stand than fire, notes aside."""
    stands = Counter(one.kind for one in snapshot.open_alerts if one.severity is not Severity.NOTE)
    for one in firing:
        stands[one.kind] -= one.count
    return any(count > 0 for count in stands.values())


def _placed(
    slug: str, snapshot: Snapshot | None, firing: Sequence[FiringCount], silences: Sequence[Silence]
) -> Placed:
    waiting = [one for one in firing if one.unseen and not hushed(one, silences)]
    need = Need.QUIET
    if any(one.severity is not Severity.NOTE for one in waiting):
        need = Need.NOW
    elif waiting or (snapshot is not None and snapshot.phase in PRESSING):
        need = Need.SOON
    return Placed(
        slug,
        need,
        any(one.severity is Severity.DANGER for one in firing),
        sum(one.unseen for one in waiting),
    )
