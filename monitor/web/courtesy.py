"""A word between the page and whoever shares the interpreter with it: somebody is waiting for an answer.

One thread of Python runs at a time. A worker that looks at ten thousand batches one after the other would
halve the page's speed for a minute; before each of them it lets a visitor pass instead.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_S: Final = 0.25
"""So long one wait may take; a page takes less."""


class Courtesy:
    """Counts the requests that are being answered; may be used from any thread."""

    def __init__(
        self,
        most_s: float = MOST_S,
        monotonic_s: Callable[[], float] = time.monotonic,
        idle: threading.Condition | None = None,
    ) -> None:
        """One wait takes at most `most_s`; `idle` is what it waits on, if not its own."""
        self._most_s = most_s
        self._monotonic_s = monotonic_s
        self._idle = threading.Condition() if idle is None else idle
        self._answering = 0
        self._works_until_s = 0.0

    def begin(self) -> None:
        """Somebody waits for an answer."""
        with self._idle:
            self._answering += 1

    def end(self) -> None:
        """The answer has been made."""
        with self._idle:
            self._answering -= 1
            if not self._answering:
                self._idle.notify_all()

    def give_way(self) -> None:
        """Wait until nobody waits for an answer, for a short time at most.

        Who has waited may then work for as long without waiting again: half of the time stays to the work,
        however many visitors there are.
        """
        if not self._answering:
            return
        begun_s = self._monotonic_s()
        if begun_s < self._works_until_s:
            return
        with self._idle:
            self._idle.wait_for(lambda: not self._answering, self._most_s)
        ended_s = self._monotonic_s()
        self._works_until_s = ended_s + (ended_s - begun_s)


class Answering:
    """ASGI middleware that tells a courtesy of every request until its answer begins."""

    def __init__(self, app: ASGIApp, courtesy: Courtesy) -> None:
        self._app = app
        self._courtesy = courtesy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Count from the request to the head of the answer: a stream that stays open hinders nobody."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answering = True
        self._courtesy.begin()

        async def sending(message: Message) -> None:
            nonlocal answering
            if answering:
                answering = False
                self._courtesy.end()
            await send(message)

        try:
            await self._app(scope, receive, sending)
        finally:
            if answering:
                self._courtesy.end()
