"""Messages between the network and the store: a bounded queue that knows what is still unacknowledged.

The network thread puts, one worker takes, commits, and settles. Acknowledgements are given out in the order
of arrival whatever the order in which they are asked for (MQTT 5, 4.6), and none for a connection that has
gone: its messages come again.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

_MID_BITS: Final = 16
_MID_MASK: Final = (1 << _MID_BITS) - 1
_STEP_S: Final = 0.002
_REMEMBERED: Final = 8_192
_REDELIVERY_MS: Final = 3_600_000


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as it came."""

    topic: str
    payload: bytes
    received_ms: int
    """When it first arrived; a redelivery keeps the stamp, so that its readings keep their keys."""
    content_type: str = ""
    retain: bool = False
    ack_token: int = 0
    """Connection and packet identifier; 0 where nothing is to be acknowledged (QoS 0)."""


class Arrivals:
    """A bounded first-in-first-out queue of arrivals, for one putting and one taking thread."""

    def __init__(self, capacity: int) -> None:
        self._capacity = capacity
        self._wanted = capacity
        self._changed = threading.Condition()
        self._waiting: deque[Arrival] = deque()
        self._unacknowledged: deque[int] = deque()
        self._settled: set[int] = set()
        self._generation = 0
        self._stamps: dict[int, tuple[int, int]] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    @property
    def unacknowledged(self) -> int:
        """Messages of this connection whose acknowledgement has not been given out."""
        return len(self._unacknowledged)

    def new_connection(self) -> None:
        """Forget what the connection before owes: those messages come again.

        What is still waiting stays, it may be the only copy; only its acknowledgement is void.
        """
        with self._changed:
            self._generation += 1
            self._unacknowledged.clear()
            self._settled.clear()

    def stamp(self, mid: int, topic: str, payload: bytes, duplicate: bool, now_ms: int) -> int:
        """When this message first arrived: `now_ms`, or the earlier stamp of the delivery it repeats."""
        print_of = hash((topic, payload))
        if duplicate:
            earlier = self._stamps.get(mid)
            # packet identifiers are used again: only a recent one with the same content is the same message
            if earlier is not None and earlier[0] == print_of and now_ms - earlier[1] < _REDELIVERY_MS:
                return earlier[1]
        elif len(self._stamps) >= _REMEMBERED:
            del self._stamps[next(iter(self._stamps))]
        self._stamps[mid] = (print_of, now_ms)
        return now_ms

    def token(self, mid: int) -> int:
        """The token of a packet identifier on this connection."""
        return self._generation << _MID_BITS | mid

    def put(self, arrival: Arrival, wait_s: float) -> bool:
        """Append; False if there was no room within `wait_s`, and then it is as if it had not come."""
        with self._changed:
            if len(self._waiting) >= self._capacity and not self._changed.wait_for(self._has_room, wait_s):
                return False
            self._waiting.append(arrival)
            if arrival.ack_token:
                self._unacknowledged.append(arrival.ack_token)
            # no more often than the taker needs: each waking costs both threads a turn
            if len(self._waiting) in (1, self._wanted):
                self._changed.notify_all()
            return True

    def take(self, most: int, wait_s: float, linger_s: float = 0.0) -> list[Arrival]:
        """Up to `most` arrivals in order; none if nothing comes within `wait_s`.

        Once there is one, up to `linger_s` more is waited while others keep coming, since many at a time
        are stored for little more than one.
        """
        with self._changed:
            if not self._waiting and not self._changed.wait_for(self._has_some, wait_s):
                return []
            self._linger(most, linger_s)
            full = len(self._waiting) >= self._capacity
            taken = [self._waiting.popleft() for _ in range(min(most, len(self._waiting)))]
            if full:
                self._changed.notify_all()
            return taken

    def settle(self, arrivals: Iterable[Arrival]) -> list[int]:
        """Packet identifiers that may be acknowledged now that these are stored, in order of arrival."""
        with self._changed:
            owed = self._unacknowledged
            released: list[int] = []
            for arrival in arrivals:
                token = arrival.ack_token
                if not token or token >> _MID_BITS != self._generation:
                    continue
                self._settled.add(token)
                while owed and owed[0] in self._settled:
                    self._settled.discard(owed[0])
                    released.append(owed.popleft() & _MID_MASK)
            return released

    def _linger(self, most: int, linger_s: float) -> None:
        self._wanted = min(most, self._capacity)
        for _ in range(round(linger_s / _STEP_S)):
            before = len(self._waiting)
            if self._changed.wait_for(self._has_enough, _STEP_S) or len(self._waiting) == before:
                return

    def _has_enough(self) -> bool:
        return len(self._waiting) >= self._wanted

    def _has_room(self) -> bool:
        return len(self._waiting) < self._capacity

    def _has_some(self) -> bool:
        return bool(self._waiting)
