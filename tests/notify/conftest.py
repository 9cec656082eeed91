"""What the tests of notices share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.batch.sheet import Sheet
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with one batch."""
    with SqlStore(StoreOptions("sqlite://")) as opened:
        opened.batches.start(Sheet("orchard-session", "Orchard session", 0), at_ms=0)
        yield opened
