"""The fan-out from the daemon's thread to open pages."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator

import pytest

from monitor.web.stream import EVERYTHING, QUEUE_LENGTH, Broadcast, Message


async def heard(stream: AsyncIterator[bytes], count: int) -> list[bytes]:
    """The next pieces of a stream."""
    return [await asyncio.wait_for(anext(stream), 5) for _ in range(count)]


def test_a_message_in_the_form_browsers_read() -> None:
    """Fields and the blank line are those of the WHATWG HTML standard, section 9.2.6."""
    assert Message("batch", "7", {"batch": "a"}).encoded() == b'id: 7\nevent: batch\ndata: {"batch": "a"}\n\n'


def test_a_message_from_another_thread_reaches_every_reader() -> None:
    """Two open pages hear what one thread publishes, once each and in order."""

    async def scene() -> None:
        broadcast = Broadcast()
        streams = [broadcast.events(None) for _ in range(2)]
        for stream in streams:
            assert await heard(stream, 1) == [b"retry: 2000\nid: \n\n"]
        assert broadcast.reader_count == 2
        thread = threading.Thread(target=lambda: [broadcast.publish("batch", str(n), {}) for n in (1, 2)])
        thread.start()
        thread.join()
        for stream in streams:
            told = await heard(stream, 2)
            assert [piece.split(b"\n")[0] for piece in told] == [b"id: 1", b"id: 2"]
            await stream.aclose()  # type: ignore[attr-defined]
        assert broadcast.reader_count == 0

    asyncio.run(scene())


def test_a_reader_of_one_batch_hears_of_no_other() -> None:
    """Who may look at one batch is told that it changed, without a word, and nothing of the others."""

    async def scene() -> None:
        broadcast = Broadcast()
        stream = broadcast.events(None, batch="plum")
        await heard(stream, 1)
        broadcast.publish("batch", "1", {"batch": "secret"})
        broadcast.publish("sensor", "2", {"batch": ""})
        broadcast.publish("alert", "3", {"batch": "plum"})
        assert await heard(stream, 1) == [b"id: 3\nevent: alert\ndata: {}\n\n"]

    asyncio.run(scene())


@pytest.mark.parametrize("silent", [False, True])
def test_a_stream_ends_when_its_reader_may_no_longer_listen(
    silent: bool,
) -> None:
    """It is asked again before each message, and before each sign of life where nothing happens."""

    async def scene() -> None:
        broadcast = Broadcast(keepalive_s=0.0) if silent else Broadcast()
        answers = iter([True, False])

        async def allowed() -> bool:
            return next(answers)

        stream = broadcast.events(None, batch="plum", allowed=allowed)
        await heard(stream, 1)
        if not silent:
            for number in "12":
                broadcast.publish("batch", number, {"batch": "plum"})
        await heard(stream, 1)
        with pytest.raises(StopAsyncIteration):
            await heard(stream, 1)
        assert broadcast.reader_count == 0

    asyncio.run(scene())


@pytest.mark.parametrize(("seen", "asked_again"), [("1", True), ("2", False), (None, False)])
def test_a_gap_is_healed(seen: str | None, asked_again: bool) -> None:
    """A page that comes again after another id than the last is told to ask for everything, at once."""

    async def scene() -> None:
        broadcast = Broadcast()
        broadcast.publish("batch", "2", {})
        stream = broadcast.events(seen)
        await heard(stream, 1)
        broadcast.publish("batch", "3", {})
        first = (await heard(stream, 1))[0]
        assert (f"event: {EVERYTHING}\n".encode() in first) is asked_again

    asyncio.run(scene())


def test_a_slow_reader_is_let_go() -> None:
    """A queue that is full ends its stream, and only its own; memory stays bounded."""

    async def scene() -> None:
        broadcast = Broadcast()
        slow, quick = broadcast.events(None), broadcast.events(None)
        await heard(slow, 1)
        await heard(quick, 1)
        for number in range(QUEUE_LENGTH + 5):
            broadcast.publish("batch", str(number), {})
            assert (await heard(quick, 1))[0].startswith(f"id: {number}\n".encode())
        with pytest.raises(StopAsyncIteration):
            await heard(slow, QUEUE_LENGTH + 5)
        assert broadcast.reader_count == 1

    asyncio.run(scene())


def test_closing_ends_every_stream() -> None:
    """After `close` open streams end and new ones do not begin, until it is opened again."""

    async def scene() -> None:
        broadcast = Broadcast()
        stream = broadcast.events(None)
        await heard(stream, 1)
        broadcast.close()
        with pytest.raises(StopAsyncIteration):
            await heard(stream, 1)
        assert [piece async for piece in broadcast.events(None)] == []
        broadcast.open()
        assert await heard(broadcast.events(None), 1)

    asyncio.run(scene())


def test_a_reader_whose_loop_has_ended_does_no_harm() -> None:
    """Publishing goes on when an event loop is gone."""
    broadcast = Broadcast()

    async def scene() -> AsyncIterator[bytes]:
        stream = broadcast.events(None)
        await heard(stream, 1)
        return stream

    with asyncio.Runner() as runner:
        stream = runner.run(scene())
        assert broadcast.reader_count == 1
    broadcast.publish("batch", "1", {})
    del stream
