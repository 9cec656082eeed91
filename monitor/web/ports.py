"""What the page needs of the rest of carboyd, handed in by whoever builds it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.ferment.emission import PhaseChange
from monitor.ferment.pipeline import Analysis, Snapshot
from monitor.store.base import Store
from monitor.web.courtesy import Courtesy
from monitor.web.metrics import Vitals
from monitor.web.stream import Broadcast


@dataclass(frozen=True, slots=True)
class TriedNotice:
    """What became of a test notice on one channel; `error` is empty where it was accepted."""

    channel: str
    error: str = ""


def _nothing(_slug: str) -> None:
    return None


def _no_phases(_slug: str) -> Sequence[PhaseChange]:
    return ()


def _no_channels() -> Sequence[TriedNotice]:
    return ()


@dataclass(frozen=True, slots=True)
class Ports:
    """The page's only ways out. Every callable may be called from any thread and must not wait long."""

    store: Store
    now_ms: Callable[[], int]
    broadcast: Broadcast
    snapshots: Callable[[], Mapping[str, Snapshot]]
    """Where each open batch stands, by slug."""
    phases: Callable[[str], Sequence[PhaseChange]] = _no_phases
    """The phases of an open batch so far, oldest first; empty where the batch is not watched."""
    changed: Callable[[str], None] = _nothing
    """Called after an action with the slug of the batch that it touches, empty for all of them."""
    test_notice: Callable[[], Sequence[TriedNotice]] = _no_channels
    """Sends a test notice to every channel; may take as long as the channels do."""
    analysis: Analysis = field(default_factory=Analysis)
    forwards_to: str | None = None
    """The name of the server that gets a copy of everything; None where none does."""
    vitals: Callable[[], Vitals] = Vitals
    """What the daemon knows of itself, for `/metrics`."""
    courtesy: Courtesy = field(default_factory=Courtesy)
    """Is told of every request, so that long work can let it pass."""
