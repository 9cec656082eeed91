"""Where watched batches stand, for whoever looks."""

from __future__ import annotations

from monitor.announcing import Announcer
from monitor.ferment.event import Reading
from monitor.ferment.pipeline import Analysis
from monitor.shown import Shown
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity
from monitor.watched import taken_up

from .porch import PITCHED_MS, PORCH


def test_a_batch_is_shown_once_a_look_and_remembered_by_the_next_process() -> None:
    """Without a new look nothing is published; what was kept is there at a start, until it is forgotten."""
    topics: list[str] = []
    touched: list[str] = []
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(PORCH, at_ms=PITCHED_MS)
        out = Announcer(store, lambda topic, _payload: topics.append(topic), "carboyd", None)
        watched, _ = taken_up(PORCH, Analysis(), None, None)
        for hour in range(3):
            at_ms = PITCHED_MS + hour * MS_PER_HOUR
            watched.pipeline.step(Reading("float-a", Quantity.GRAVITY, at_ms, 1.040, at_ms))
        shown = Shown(store, out, touched.append)
        shown.show([watched])
        shown.show([watched])
        assert topics == ["carboyd/batch/porch/state"]
        assert touched == ["porch"]
        assert shown.snapshots == {"porch": watched.pipeline.snapshot}
        later = Shown(store, out, touched.append)
        later.remember()
        assert repr(later.snapshots) == repr(shown.snapshots)
        later.forget("porch")
        assert later.snapshots == {}
