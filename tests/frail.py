"""A real store that fails at one call where it is told to, as one does whose server or disk goes away."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.store.sql import SqlStore


@dataclass(frozen=True, slots=True)
class Fault:
    """What the next call of a method comes to."""

    error: Exception
    done: bool
    """Whether the store has done it by then, and only the answer is lost."""


class FrailStore:
    """Everything is the real store's, but for the calls that were told to fail, each of them once."""

    def __init__(self, store: SqlStore) -> None:
        self._store = store
        self._faults: dict[tuple[str, str], Fault] = {}

    def fail_next(self, room: str, call: str, error: Exception, *, done: bool = False) -> None:
        """The next call of this method of one of its rooms, such as `claims` and `take`, ends in an error."""
        getattr(getattr(self._store, room), call)  # a method that is not there cannot fail
        self._faults[room, call] = Fault(error, done)

    @property
    def is_about_to_fail(self) -> bool:
        """Whether a fault is left that no call has met."""
        return bool(self._faults)

    def __getattr__(self, name: str) -> Any:
        real = getattr(self._store, name)
        calls = {call for room, call in self._faults if room == name}
        return FrailRoom(real, name, self._faults) if calls else real


class FrailRoom:
    """One room of such a store."""

    def __init__(self, room: Any, name: str, faults: dict[tuple[str, str], Fault]) -> None:
        self._room = room
        self._name = name
        self._faults = faults

    def __getattr__(self, call: str) -> Any:
        method = getattr(self._room, call)
        if (self._name, call) not in self._faults:
            return method

        def fails(*arguments: Any, **named: Any) -> None:
            fault = self._faults.pop((self._name, call))
            if fault.done:
                method(*arguments, **named)
            raise fault.error

        return fails
