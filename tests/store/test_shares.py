"""Shared links: the contract of every engine."""

from __future__ import annotations

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, NotFoundError
from monitor.store.shares import MOST_OPEN
from monitor.store.sql import SqlStore


def test_a_link_is_found_by_its_digest_until_it_is_taken_back(store: SqlStore, orchard: Sheet) -> None:
    """An open link leads to its batch; a closed one leads nowhere and stays on the list."""
    made = store.shares.make(orchard.slug, digest="d1", at_ms=5)
    assert store.shares.find("d1") == made
    store.shares.revoke(made.id, at_ms=0)
    with pytest.raises(NotFoundError):
        store.shares.find("d1")
    with pytest.raises(NotFoundError):
        store.shares.revoke(made.id, at_ms=9)
    assert [one.revoked_ms for one in store.shares.listed(orchard.slug)] == [0]


def test_no_link_without_a_batch(store: SqlStore) -> None:
    """A link to a batch that is not there is NotFoundError, and so is an unknown digest."""
    with pytest.raises(NotFoundError, match="'none'"):
        store.shares.make("none", digest="d1", at_ms=5)
    with pytest.raises(NotFoundError):
        store.shares.find("d1")


def test_open_links_have_a_bound(store: SqlStore, orchard: Sheet) -> None:
    """No more than the bound are open at once; taking one back makes room."""
    made = [store.shares.make(orchard.slug, digest=f"d{n}", at_ms=n) for n in range(MOST_OPEN)]
    with pytest.raises(InputError, match="open already"):
        store.shares.make(orchard.slug, digest="more", at_ms=99)
    store.shares.revoke(made[0].id, at_ms=99)
    assert store.shares.make(orchard.slug, digest="more", at_ms=99).batch == orchard.slug
    assert [one.created_ms for one in store.shares.listed(orchard.slug, limit=2)] == [99, MOST_OPEN - 1]
