"""Who works lets a visitor pass, and is not kept from working by many."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import replace

import pytest
from starlette.types import Message, Receive, Scope, Send

from monitor.web.app import create_app
from monitor.web.courtesy import Answering, Courtesy
from monitor.web.options import WebSettings

from .rooms import Cellar


class Hands:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Unanswered(threading.Condition):
    """A condition that never comes: each wait takes all of its time, by the hands of a clock."""

    def __init__(self, clock: Hands) -> None:
        super().__init__()
        self._clock = clock
        self.waits: list[float | None] = []

    def wait_for(self, predicate: Callable[[], object], timeout: float | None = None) -> bool:
        """Let the clock go on, at once."""
        self.waits.append(timeout)
        self._clock.now_s += timeout or 0.0
        return False


def waited(courtesy: Courtesy) -> threading.Thread:
    """A thread that gives way."""
    thread = threading.Thread(target=courtesy.give_way, daemon=True)
    thread.start()
    return thread


def test_nobody_is_waited_for_where_nobody_is() -> None:
    """Before the first request and after the last one giving way takes no time."""
    courtesy = Courtesy(most_s=60.0)
    courtesy.give_way()
    courtesy.begin()
    courtesy.end()
    courtesy.give_way()


def test_work_goes_on_when_the_last_answer_is_made() -> None:
    """With two visitors the end of the first is not enough."""
    courtesy = Courtesy(most_s=60.0)
    courtesy.begin()
    courtesy.begin()
    thread = waited(courtesy)
    courtesy.end()
    assert thread.is_alive()
    courtesy.end()
    thread.join(30.0)
    assert not thread.is_alive()


def test_a_wait_ends_by_itself_and_earns_as_much_time_to_work() -> None:
    """A visitor who never gets an answer takes half of the time at most."""
    clock = Hands()
    idle = Unanswered(clock)
    courtesy = Courtesy(most_s=0.5, monotonic_s=clock, idle=idle)
    courtesy.begin()
    courtesy.give_way()
    courtesy.give_way()
    clock.now_s += 0.4
    courtesy.give_way()
    assert idle.waits == [0.5]
    clock.now_s += 0.2
    courtesy.give_way()
    assert idle.waits == [0.5, 0.5]


def answering(courtesy: Courtesy) -> bool:
    return bool(courtesy._answering)


@pytest.mark.parametrize("breaks", [False, True])
def test_a_request_counts_until_its_answer_begins(breaks: bool) -> None:
    """A stream that stays open hinders nobody, and neither does a request that failed."""
    courtesy = Courtesy()
    seen: list[bool] = []

    async def page(_scope: Scope, _receive: Receive, send: Send) -> None:
        seen.append(answering(courtesy))
        if breaks:
            raise RuntimeError
        await send({"type": "http.response.start"})
        seen.append(answering(courtesy))

    async def nothing() -> Message:
        return {}

    async def drop(_message: Message) -> None:
        return None

    async def ask(kind: str) -> None:
        await Answering(page, courtesy)({"type": kind}, nothing, drop)

    if breaks:
        with pytest.raises(RuntimeError):
            asyncio.run(ask("http"))
        assert seen == [True]
    else:
        asyncio.run(ask("http"))
        asyncio.run(ask("lifespan"))
        assert seen == [True, False, False, False]
    assert not answering(courtesy)


def test_the_page_tells_of_its_visitors(busy: Cellar, visiting) -> None:
    """While the list is made somebody waits, afterwards nobody does."""
    during: list[bool] = []

    def now_ms() -> int:
        during.append(answering(ports.courtesy))
        return busy.now_ms

    ports = replace(busy.ports(), now_ms=now_ms)
    assert visiting(create_app(ports, WebSettings())).get("/").status_code == 200
    assert during[-1]
    assert not answering(ports.courtesy)
