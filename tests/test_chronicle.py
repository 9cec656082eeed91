"""What was judged, on its way into the store, through a watch over a batch."""

from __future__ import annotations

from monitor.batch.sheet import Sheet
from monitor.chronicle import Chronicle
from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity
from monitor.watch import Watch, WatchPolicy

SHEET = Sheet("porch", "Porch", pitched_ms=0, gravity_sensor="float-a")


def reading(hour: float) -> Reading:
    """A float that falls a point in ten hours."""
    time_ms = round(hour * MS_PER_HOUR)
    return Reading("float-a", Quantity.GRAVITY, time_ms, 1.08 - hour * 1e-4, time_ms)


def watch(store: SqlStore) -> Watch:
    """One that writes down what it sees."""
    return Watch(store, WatchPolicy(), publish=lambda _topic, _payload: None, chronicle=Chronicle(store))


def hours_kept(store: SqlStore) -> list[float]:
    """Times of the levels, in hours."""
    return [look.at_ms / MS_PER_HOUR for _, look in store.chronicle.levels_after(0, 1_000)]


def test_every_look_and_phase_is_kept_once_over_restarts():
    """Hourly levels while it runs, those missed while it was down at the next start, none twice."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(SHEET, at_ms=0)
        first = watch(store)
        first.rebuild(0)
        for hour in range(30):
            store.readings.commit([reading(hour + 0.5)])
            first.admit([reading(hour + 0.5)], round((hour + 0.5) * MS_PER_HOUR))
        assert hours_kept(store) == list(range(30))
        phases = store.chronicle.phases_after(0, 100)
        assert phases
        # ten hours pass in which another process stores and nobody judges
        store.readings.commit([reading(hour + 0.5) for hour in range(30, 40)])
        watch(store).rebuild(40 * MS_PER_HOUR)
        assert hours_kept(store) == list(range(40))
        assert store.chronicle.phases_after(0, 100)[: len(phases)] == phases


def test_a_level_holds_what_is_known_in_named_units():
    """The gravity as the pipeline levels it; what cannot be known yet is left out."""
    with SqlStore(StoreOptions("sqlite://")) as store:
        store.batches.start(SHEET, at_ms=0)
        store.readings.commit([reading(hour / 4) for hour in range(200)])
        watch(store).rebuild(50 * MS_PER_HOUR)
        _, look = store.chronicle.levels_after(0, 1_000)[-1]
        assert abs(look.numbers["gravity_sg"] - (1.08 - 49 * 1e-4)) < 5e-4
        assert abs(look.numbers["fall_points_per_day"] - 2.4) < 0.3
        assert "temperature_c" not in look.numbers
        assert "alcohol_abv" not in look.numbers
