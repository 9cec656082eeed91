"""Answers that take long to work out, kept for those who ask again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Answer = TypeVar("Answer")


class Remembered(Generic[Key, Answer]):
    """The answers that were asked for last, `most` of them; may be asked from any thread."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: OrderedDict[Key, Answer] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, key: Key, make: Callable[[], Answer]) -> Answer:
        """The answer that is known under a key, or else what `make` gives, which is kept.

        Nobody waits for another: two who ask for the same at once may both work it out.
        """
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                return self._answers[key]
        made = make()
        with self._lock:
            self._answers[key] = made
            self._answers.move_to_end(key)
            while len(self._answers) > self._most:
                self._answers.popitem(last=False)
        return made
