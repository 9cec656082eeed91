"""What follows for the batches from the changes of other processes."""

from __future__ import annotations

from dataclasses import replace

from monitor.batch.journal import entry
from monitor.ferment.event import JournalKind
from monitor.following import Follower
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore

from .porch import PITCHED_MS, PORCH

SHED = replace(PORCH, slug="shed", name="Shed", gravity_sensor="float-b", temperature_sensor="float-b")


def test_what_was_changed_is_given_until_it_is_settled() -> None:
    """A new batch is to be opened, one written about is to take its notes; then nothing is left."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(PORCH, at_ms=PITCHED_MS)
        follower = Follower(store)
        follower.begin()
        assert follower.look() is None
        store.batches.start(SHED, at_ms=PITCHED_MS)
        for slug in ("shed", "porch"):
            fed = entry(JournalKind.NUTRIENT, done_ms=PITCHED_MS, at_ms=PITCHED_MS)
            store.batches.write_down(slug, fed)
        changed = follower.look()
        assert changed is not None
        assert (changed.anew, changed.noted) == (("shed",), ("shed", "porch"))
        assert not changed.recalibrated
        assert not changed.answered
        assert follower.owners == {"float-a": ("porch",), "float-b": ("shed",)}
        assert follower.look() == changed
        follower.settle(changed)
        assert follower.look() is None
        assert follower.position == store.changes.position()
