"""The one way into a pipeline: events of the store, and events that come."""

from __future__ import annotations

from monitor.chronicle import NoChronicle
from monitor.ferment.emission import Emission
from monitor.ferment.event import Reading
from monitor.ferment.pipeline import Analysis
from monitor.folding import Fold
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity

from .porch import PITCHED_MS, PORCH


def test_what_comes_is_folded_as_what_the_store_holds() -> None:
    """Step by step and from the store: the same standing, the same words, the same phases."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(PORCH, at_ms=PITCHED_MS)
        heard: list[Emission] = []
        fold = Fold(store, Analysis(), NoChronicle(store), lambda _slug, said: heard.append(said))
        live, said = fold.opened(PORCH, None)
        assert said == []
        for hour in range(12):
            at_ms = PITCHED_MS + hour * MS_PER_HOUR
            for quantity, value in ((Quantity.GRAVITY, 1.040), (Quantity.TEMPERATURE, 5.0)):
                reading = Reading("float-a", quantity, at_ms, value, at_ms)
                store.readings.commit([reading])
                fold.step(live, reading, at_ms)
        assert heard
        again, said = fold.opened(PORCH, None)
        assert said == heard
        assert repr(again.pipeline.snapshot) == repr(live.pipeline.snapshot)  # what is not known yet is nan
        assert again.phases == live.phases
