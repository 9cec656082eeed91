"""The part of the store's promises that is about history: what was judged, and how far it was forwarded.

Errors and times as for `monitor.store.base`, whose `Store` has these.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from monitor.store.values import AlertStep, Feed, ForwardState, Level, PhaseStep, SetAside


class Chronicle(Protocol):
    """What was judged of each batch and what happened to its alerts, in order of writing."""

    def keep(self, looks: Sequence[Level], steps: Sequence[PhaseStep]) -> None:
        """Write these down; what is there already (batch and time) stays. StoreError without the batch."""
        ...

    def last_level_ms(self, batch: str) -> int | None:
        """The time of the newest level of a batch."""
        ...

    def levels_after(self, position: int, limit: int) -> list[tuple[int, Level]]:
        """The next levels by position."""
        ...

    def phases_after(self, position: int, limit: int) -> list[tuple[int, PhaseStep]]:
        """The next phases by position."""
        ...

    def alerts_after(self, position: int, limit: int) -> list[tuple[int, AlertStep]]:
        """The next things that happened to alerts by position."""
        ...

    def prune_levels(self, before_ms: int, forwarded: int) -> int:
        """Forget levels older than a time, up to a position."""
        ...


class Forwarding(Protocol):
    """How far forwarding to each target has come."""

    def positions(self, target: str) -> dict[Feed, int]:
        """What was accepted last of each feed; 0 before the first."""
        ...

    def mine(self, target: str) -> bool:
        """Whether this process is the one that forwards there; on a server one at a time is."""
        ...

    def accepted(
        self,
        target: str,
        upto: Mapping[Feed, int],
        refused: Sequence[SetAside] = (),
        *,
        at_ms: int,
        since: Mapping[Feed, int] | None = None,
    ) -> bool:
        """Move on, in one transaction; with `since` only where the positions are still those."""
        ...

    def failed(self, target: str, trouble: str, *, at_ms: int) -> None:
        """Keep why nothing is accepted."""
        ...

    def start_over(self, target: str) -> None:
        """Forget how far it has come."""
        ...

    def state(self, target: str) -> ForwardState:
        """How far it has come, and what waits."""
        ...

    def set_aside(self, target: str, limit: int = 100) -> list[SetAside]:
        """Lines the server will not have, the newest first."""
        ...
