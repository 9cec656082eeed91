"""Work comes back in order, whoever does it."""

from __future__ import annotations

import os
import signal

import pytest

from monitor.errors import CarboydError, InputError
from monitor.tune.cores import Cluster, Cores, OneCore, chunks, hands


def squared(number: int) -> int:
    """Work for any process."""
    return number * number


def killed(_: int) -> None:
    """A process that dies while it works."""
    os.kill(os.getpid(), signal.SIGKILL)


def test_the_order_of_the_work_is_kept() -> None:
    """In this process and in others."""
    items = list(range(20))
    with OneCore() as one, Cores(2) as two:
        assert list(one.map(squared, items)) == list(two.map(squared, items)) == [n * n for n in items]


def test_a_worker_that_dies_is_named() -> None:
    """With the likely cause."""
    with Cores(1) as one, pytest.raises(CarboydError, match="died") as told:
        list(one.map(killed, [1]))
    assert "memory" in told.value.hint


def test_so_many_hands_as_are_wanted() -> None:
    """No more than there is work, and none but this process for a single thing."""
    with hands(1, None, 50) as one, hands(8, None, 1) as alone, hands(2, None, 50) as two:
        assert (one.count, alone.count, two.count) == (1, 1, 2)


def test_chunks_are_worth_sending() -> None:
    """Long enough each, in order, all hands busy where there is enough to do."""
    items = list(range(100))
    for each, count, least in ((0.001, 2, 0.2), (0.05, 2, 0.2), (1.0, 4, 0.2)):
        found = chunks(items, each, count, least)
        assert [item for chunk in found for item in chunk] == items
        assert all(len(chunk) * each >= least * 0.99 for chunk in found[:-1])
    assert len(chunks(items, 1.0, 4, 0.2)) >= 8
    assert chunks([], 1.0, 4, 0.2) == []


def test_no_scheduler_is_said_so() -> None:
    """An address that is none."""
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="no Dask scheduler"):
        Cluster("nonsense://nowhere")
