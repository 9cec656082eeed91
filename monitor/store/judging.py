"""What judging asks of the store beside readings and alerts: changes, standings, checkpoints, claims."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from monitor.store.values import Change, Checkpoint, Claim, Roll, StoredStanding


class Claims(Protocol):
    """Who judges which batch. Times are by the database's clock, alone in the store."""

    @property
    def shared(self) -> bool:
        """Whether several processes can share the judging here; where not, no method but this may be used."""
        ...

    def beat(self, member: str, lease_ms: int) -> Roll:
        """Renew a member's lease, and say who is there and what it holds."""
        ...

    def take(self, member: str, most: int) -> tuple[Claim, ...]:
        """Claim up to `most` batches that nobody judges."""
        ...

    def give_back(self, given: Iterable[Claim]) -> None:
        """Let others have these at once."""
        ...

    def settle(self, claim: Claim) -> None:
        """Nobody need judge this batch any more."""
        ...

    def leave(self, member: str) -> None:
        """End a member: what it holds is free at once."""
        ...


class Checkpoints(Protocol):
    """The newest checkpoint of each batch's pipeline; void when readings or the sheet change."""

    def put(self, fresh: Sequence[Checkpoint], *, changes_seen: int, claims: Sequence[Claim] = ()) -> None:
        """Keep these, if no sheet and no kept reading was changed after the change `changes_seen`.

        A batch that has ended, or whose claim is lost, keeps nothing.
        """
        ...

    def get(self, batch: str) -> Checkpoint | None:
        """The checkpoint of a batch, None where there is none."""
        ...

    def drop(self, batch: str) -> None:
        """Forget the checkpoint of a batch."""
        ...

    def bytes_kept(self) -> int:
        """How much room they take."""
        ...


class Standings(Protocol):
    """Where each open batch stood at the last look."""

    def put(self, fresh: Sequence[StoredStanding], *, claims: Sequence[Claim] = ()) -> None:
        """Keep these in place of what was there; an unknown batch, or one whose claim is lost, does not."""
        ...

    def drop(self, batch: str) -> None:
        """Forget where a batch stood."""
        ...

    def listed(self) -> list[StoredStanding]:
        """All of them, in order of the batches' names."""
        ...

    def since(self, number: int, limit: int = 500) -> tuple[int, list[StoredStanding]]:
        """Those written after a number, the oldest first, and the number of the last of them."""
        ...


class Changes(Protocol):
    """What other processes changed, and named marks."""

    def position(self) -> int:
        """The number of the newest change."""
        ...

    def since(self, position: int, limit: int = 500) -> list[Change]:
        """Changes after a position, oldest first."""
        ...

    def mark(self, name: str) -> int:
        """A remembered position; 0 at first."""
        ...

    def marked(self, prefix: str) -> set[str]:
        """What follows the prefix in the names of marks that are not 0."""
        ...

    def set_mark(self, name: str, position: int) -> None:
        """Remember a position."""
        ...

    def advance(self, name: str, seen: int, position: int) -> bool:
        """Move a mark on from where it was seen; False where another has moved it since."""
        ...
