"""Work spread over cores of this machine or of a cluster; results come in the order of the work.

What is computed for one recording leans on no other, so where it is computed changes no bit of it.
"""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager
from itertools import islice
from multiprocessing import get_context
from types import TracebackType
from typing import Any, Final, Protocol, TypeVar

from monitor.errors import CarboydError, InputError

Item = TypeVar("Item")
Result = TypeVar("Result")

LOCAL: Final = "local"
AHEAD: Final = 8
"""Chunks for each worker of a cluster that may be under way at once."""
DASK_HINT: Final = "Install it with: pip install 'carboyd[cluster]'"


class Hands(Protocol):
    """Those who do the work."""

    count: int
    """How many things are done at once."""

    def map(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """`work` of each item, in order; `work` must be picklable. Raises CarboydError where hands die."""
        ...


class OneCore:
    """This process alone."""

    count = 1

    def __enter__(self) -> OneCore:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def map(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """One after the other."""
        return map(work, items)


class Cores:
    """Processes of this machine, each started afresh (nothing of this process is copied into them)."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool = ProcessPoolExecutor(
            count, mp_context=get_context("spawn"), initializer=_leave_interrupts_alone
        )

    def __enter__(self) -> Cores:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)

    def map(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """As many at once as there are processes."""
        try:
            yield from _in_order(lambda item: self._pool.submit(work, item), items, 2 * self.count)
        except BrokenProcessPool as death:
            raise CarboydError(
                "a worker process died", hint="Most likely memory ran out: use fewer with --workers."
            ) from death


def _leave_interrupts_alone() -> None:
    """An interrupted sweep ends in order: what is being measured is measured and kept."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class Cluster:
    """Workers of a Dask cluster; they must see the recordings and the cache under the same paths."""

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client, LocalCluster
        except ImportError as absent:
            raise InputError("a cluster needs dask.distributed", hint=DASK_HINT) from absent
        self._own: Any = None
        try:
            if address == LOCAL:
                self._own = LocalCluster(
                    n_workers=os.cpu_count() or 1, threads_per_worker=1, dashboard_address=None
                )
                self._client = Client(self._own)
            else:
                self._client = Client(address, timeout=20)
        except (OSError, TimeoutError, ValueError) as fault:
            raise InputError(
                f"no Dask scheduler at {address}: {fault}", hint="Give tcp://HOST:8786, or local."
            ) from fault
        self.count = max(sum(self._client.nthreads().values()), 1)

    def __enter__(self) -> Cluster:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()
        if self._own is not None:
            self._own.close()

    def map(self, work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
        """On all workers of the cluster."""
        shared = self._client.scatter(work, broadcast=True, hash=False)
        yield from _in_order(
            lambda item: self._client.submit(_call, shared, item, pure=False), items, AHEAD * self.count
        )


def _in_order(submit: Callable[[Item], Any], items: Sequence[Item], most: int) -> Iterator[Any]:
    """Results in the order of the items; no more than so many are begun or wait to be fetched."""
    rest = iter(items)
    waiting = deque(submit(item) for item in islice(rest, most))
    try:
        while waiting:
            result = waiting.popleft().result()
            waiting.extend(submit(item) for item in islice(rest, 1))
            yield result
    finally:
        for future in waiting:
            future.cancel()


def _call(work: Callable[[Item], Result], item: Item) -> Result:
    return work(item)


def hands(workers: int | None, dask: str | None, items: int) -> AbstractContextManager[Hands]:
    """Who does the work: a cluster where one is named, else so many processes (all cores by default)."""
    if dask is not None:
        return Cluster(dask)
    count = min(workers or os.cpu_count() or 1, max(items, 1))
    return OneCore() if count <= 1 else Cores(count)


def chunks(
    items: Sequence[Item], seconds_each: float, hands_count: int, least_seconds: float
) -> list[list[Item]]:
    """Items in chunks: each long enough to be worth sending, and enough of them to keep all hands busy."""
    if not items:
        return []
    worth = max(1, round(least_seconds / max(seconds_each, 1e-6)))
    even = max(1, -(-len(items) // (4 * hands_count)))
    size = max(worth, min(even, 64))
    return [list(items[start : start + size]) for start in range(0, len(items), size)]
