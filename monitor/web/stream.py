"""From the daemon's thread to every open page: a bounded fan-out and its server-sent events.

A message says that something changed, never what it changed to: a reader that missed some asks for the
present state, so a gap can be healed by one word. The `id` of a message is kept by browsers and sent back
as Last-Event-ID when they come again.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field, replace
from typing import Final

QUEUE_LENGTH: Final = 64
READERS_AT_MOST: Final = 200
KEEPALIVE_S: Final = 15.0
RETRY_MS: Final = 2_000
EVERYTHING: Final = "everything"
"""Topic of a message that says: ask for all of it again."""

Data = dict[str, str | int | float | bool | None]


@dataclass(frozen=True, slots=True)
class Message:
    """One change: which topic, its place in the order of changes, and a few words about it."""

    topic: str
    id: str
    data: Data

    def encoded(self) -> bytes:
        """The message in the text/event-stream form (WHATWG HTML, server-sent events)."""
        lines = json.dumps(self.data, allow_nan=False).splitlines()
        head = f"id: {self.id}\nevent: {self.topic}\n"
        return (head + "".join(f"data: {line}\n" for line in lines) + "\n").encode()


@dataclass(eq=False, slots=True)
class Reader:
    """One open page, of all batches or of one: its own queue, on its own event loop.

    None in the queue ends the stream.
    """

    loop: asyncio.AbstractEventLoop
    batch: str | None
    queue: asyncio.Queue[Message | None] = field(default_factory=lambda: asyncio.Queue(QUEUE_LENGTH))

    def wants(self, data: Data) -> bool:
        """Whether this reader is told of a change: one of a single batch hears of no other."""
        return self.batch is None or data.get("batch") == self.batch

    def put(self, message: Message | None) -> None:
        """Queue without waiting; a reader that is too slow is ended and comes again by itself."""
        try:
            self.queue.put_nowait(message)
        except asyncio.QueueFull:
            while not self.queue.empty():
                self.queue.get_nowait()
            self.queue.put_nowait(None)


class Broadcast:
    """Thread-safe fan-out: any thread publishes, readers listen on their own event loops."""

    def __init__(self, *, keepalive_s: float = KEEPALIVE_S) -> None:
        """`keepalive_s` is how long a stream is quiet before it gives a sign of life."""
        self._keepalive_s = keepalive_s
        self._lock = threading.Lock()
        self._readers: set[Reader] = set()
        self._last_id = ""
        self._closed = False

    @property
    def reader_count(self) -> int:
        """How many pages are open."""
        with self._lock:
            return len(self._readers)

    @property
    def last_id(self) -> str:
        """The id of the last message; a page that is made now has seen all up to it."""
        with self._lock:
            return self._last_id

    @property
    def is_full(self) -> bool:
        """Whether no more pages can listen."""
        return self.reader_count >= READERS_AT_MOST

    def publish(self, topic: str, id: str, data: Data) -> None:
        """Tell every reader whom it concerns; never waits. Topics are single words without line breaks."""
        message = Message(topic, id, data)
        with self._lock:
            self._last_id = id
            readers = [reader for reader in self._readers if reader.wants(data)]
        self._hand(readers, message)

    def close(self) -> None:
        """End every stream, and each that is opened from now on."""
        with self._lock:
            self._closed = True
            readers = list(self._readers)
        self._hand(readers, None)

    def open(self) -> None:
        """Take readers again after `close`."""
        with self._lock:
            self._closed = False

    async def events(
        self,
        last_event_id: str | None,
        *,
        batch: str | None = None,
        allowed: Callable[[], Awaitable[bool]] | None = None,
    ) -> AsyncIterator[bytes]:
        """The body of one event stream, until the reader leaves, is too slow, or `close` is called.

        A reader that comes again with another id than the last one told has missed something and is told
        to ask for everything. With `batch` only changes of that batch are told, and not a word about them.
        `allowed` is asked before each piece after the first: the stream ends where it says no.
        """
        reader = Reader(asyncio.get_running_loop(), batch)
        with self._lock:
            if self._closed:
                return
            self._readers.add(reader)
            last_id = self._last_id
        try:
            # an id without an event only sets what comes back as Last-Event-ID
            yield f"retry: {RETRY_MS}\nid: {last_id}\n\n".encode()
            if last_event_id is not None and last_event_id != last_id:
                yield Message(EVERYTHING, last_id, {}).encoded()
            while True:
                piece = await self._next(reader)
                if piece is None or (allowed is not None and not await allowed()):
                    return
                yield piece
        finally:
            with self._lock:
                self._readers.discard(reader)

    async def _next(self, reader: Reader) -> bytes | None:
        try:
            message = await asyncio.wait_for(reader.queue.get(), self._keepalive_s)
        except TimeoutError:
            return b": still here\n\n"
        if message is None:
            return None
        return (message if reader.batch is None else replace(message, data={})).encoded()

    @staticmethod
    def _hand(readers: list[Reader], message: Message | None) -> None:
        for reader in readers:
            try:
                reader.loop.call_soon_threadsafe(reader.put, message)
            except RuntimeError:
                continue  # its loop has ended, and it with it
