"""The watch over open batches: nothing told twice, nothing told that is over, everything kept."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.ferment.event import JournalKind, Reading
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity
from monitor.untold import HOLD_MS
from monitor.watch import Watch, WatchPolicy

from .porch import PITCHED_MS, PORCH

COLD_C = 5.0
USUAL_C = 18.0


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory with one open batch, whose yeast wants 14 to 24 degC."""
    with SqlStore(StoreOptions("sqlite:///:memory:")) as opened:
        opened.batches.start(PORCH, at_ms=PITCHED_MS)
        yield opened


class Outside:
    """What the watch sends out."""

    def __init__(self) -> None:
        self.published: dict[str, bytes] = {}
        self.touched: list[str] = []

    def watch(self, store: SqlStore) -> Watch:
        """A watch that sends to here."""
        return Watch(
            store,
            WatchPolicy(channels=("phone",)),
            publish=lambda topic, payload: self.published.update({topic: payload}),
            touched=self.touched.append,
        )


def _readings(from_hour: int, to_hour: int, temperature_c: float = USUAL_C) -> list[Reading]:
    found = []
    for hour in range(from_hour, to_hour):
        time_ms = PITCHED_MS + hour * MS_PER_HOUR
        found.append(Reading("float-a", Quantity.GRAVITY, time_ms, 1.040, time_ms))
        found.append(Reading("float-a", Quantity.TEMPERATURE, time_ms, temperature_c, time_ms))
    return found


def _feed(store: SqlStore, watch: Watch, readings: list[Reading]) -> None:
    for reading in readings:
        store.readings.commit([reading])
        watch.admit([reading], reading.received_ms)
        watch.tick(reading.received_ms)


def _write(store: SqlStore, at_ms: int, kind: JournalKind, gravity_sg: float) -> None:
    """An entry and a hand sample, by the clock as it stands."""
    store.batches.write_down("porch", entry(kind, done_ms=at_ms, at_ms=at_ms, note="said"))
    sheet = store.batches.get("porch")
    sample = hand_sample(sheet, gravity_sg=gravity_sg, time_ms=at_ms, received_ms=at_ms)
    store.readings.record_sample("porch", sample)


def _deliveries(store: SqlStore) -> list[tuple[AlertKind, str]]:
    return [(one.alert.kind, str(one.occasion)) for one in store.outbox.waiting()]


def test_an_alert_is_recorded_published_and_put_into_the_outbox(store: SqlStore) -> None:
    """A cold liquid: one alert, one delivery, the alert's topic, and the state's with it."""
    out = Outside()
    watch = out.watch(store)
    watch.rebuild(PITCHED_MS)
    _feed(store, watch, _readings(0, 12, COLD_C))
    (alert,) = store.alerts.listed(only_firing=True)
    assert alert.kind is AlertKind.TEMPERATURE_LOW
    assert _deliveries(store) == [(AlertKind.TEMPERATURE_LOW, "firing")]
    told = json.loads(out.published["carboyd/batch/porch/alert"])
    assert (told["alert"], told["state"]) == ("temperature_low", "firing")
    state = json.loads(out.published["carboyd/batch/porch/state"])
    assert [one["alert"] for one in state["alerts"]] == ["temperature_low"]
    assert store.standings.listed()[0].document == state
    assert set(out.touched) == {"porch"}


def test_a_restart_tells_nothing_twice_and_goes_on_where_it_was(store: SqlStore) -> None:
    """A second watch on the same store: same standing, no new delivery, and the end is told once."""
    first = Outside().watch(store)
    first.rebuild(PITCHED_MS)
    cold = _readings(0, 12, COLD_C)
    _feed(store, first, cold)
    second = Outside().watch(store)
    second.rebuild(cold[-1].received_ms)
    second.tick(cold[-1].received_ms)
    assert second.snapshots["porch"].open_alerts == first.snapshots["porch"].open_alerts
    assert len(_deliveries(store)) == 1
    _feed(store, second, _readings(12, 36))
    assert (AlertKind.TEMPERATURE_LOW, "resolved") in _deliveries(store)
    low = [one for one in store.alerts.listed() if one.kind is AlertKind.TEMPERATURE_LOW]
    assert [one.state for one in low] == [AlertState.RESOLVED]


def test_a_backlog_after_an_outage_tells_no_silence(store: SqlStore) -> None:
    """Two days away, then everything at once: the silence is kept on record and told to nobody."""
    watch = Outside().watch(store)
    watch.rebuild(PITCHED_MS)
    _feed(store, watch, _readings(0, 30))
    before = _deliveries(store)
    back_ms = PITCHED_MS + 78 * MS_PER_HOUR
    late = [
        Reading(one.sensor, one.quantity, one.time_ms, one.value, back_ms + place)
        for place, one in enumerate(_readings(30, 78))
    ]
    store.readings.commit(late)
    watch.admit(late, back_ms + len(late))
    _feed(store, watch, _readings(79, 90))
    kinds = [one.kind for one in store.alerts.listed()]
    assert AlertKind.SENSOR_SILENT in kinds
    told = [kind for kind, _ in _deliveries(store) if (kind, "firing") not in before]
    assert AlertKind.SENSOR_SILENT not in told


def test_what_was_found_late_and_still_holds_is_told(store: SqlStore) -> None:
    """The daemon was down when it got cold: after the rebuild it waits for the backlog, then tells."""
    readings = _readings(0, 24, COLD_C)
    store.readings.commit(readings)
    now_ms = readings[-1].received_ms + MS_PER_HOUR
    watch = Outside().watch(store)
    watch.rebuild(now_ms)
    watch.tick(now_ms)
    assert (AlertKind.TEMPERATURE_LOW, "firing") not in _deliveries(store)
    watch.tick(now_ms + HOLD_MS)
    assert (AlertKind.TEMPERATURE_LOW, "firing") in _deliveries(store)


def test_notes_of_other_processes_are_taken_in_once(store: SqlStore) -> None:
    """A hand sample and an entry written beside the daemon reach the pipeline; a rebuild agrees."""
    watch = Outside().watch(store)
    watch.rebuild(PITCHED_MS)
    _feed(store, watch, _readings(0, 30))
    at_ms = PITCHED_MS + 30 * MS_PER_HOUR
    sheet = store.batches.get("porch")
    sample = hand_sample(sheet, gravity_sg=1.043, time_ms=at_ms, received_ms=at_ms)
    store.readings.record_sample("porch", sample)
    fed = entry(JournalKind.NUTRIENT, done_ms=at_ms, at_ms=at_ms, note="10 g")
    store.batches.write_down("porch", fed)
    watch.catch_up(at_ms)
    watch.catch_up(at_ms)
    # a hand sample is the reference: the level moves towards it
    assert watch.snapshots["porch"].evidence.level_points > 41.0
    again = Outside().watch(store)
    again.rebuild(at_ms)
    assert again.snapshots["porch"].evidence.offset_points == pytest.approx(
        watch.snapshots["porch"].evidence.offset_points
    )


@pytest.mark.parametrize("restarted", [False, True])
def test_notes_after_a_clock_was_set_back_are_taken_in_once(store: SqlStore, restarted: bool) -> None:
    """What is written later is the news, whatever the clock says, and a restart agrees."""
    watch = Outside().watch(store)
    watch.rebuild(PITCHED_MS)
    _feed(store, watch, _readings(0, 30))
    now_ms = PITCHED_MS + 30 * MS_PER_HOUR
    _write(store, now_ms, JournalKind.NOTE, 1.043)
    watch.catch_up(now_ms)
    assert watch.seal(every_ms=0) == 1
    _write(store, now_ms - MS_PER_HOUR, JournalKind.PACKAGED, 1.020)
    if restarted:
        watch = Outside().watch(store)
        watch.rebuild(now_ms)
    else:
        watch.catch_up(now_ms)
    seen = watch.snapshots["porch"].evidence
    assert seen.watch_hours == 1.0
    again = Outside().watch(store)
    store.checkpoints.drop("porch")
    again.rebuild(now_ms)
    folded = again.snapshots["porch"].evidence
    assert (folded.watch_hours, folded.offset_points) == (1.0, pytest.approx(seen.offset_points))


def test_who_stabilises_has_heard_that_it_finished(store: SqlStore) -> None:
    """What a finish asks for was done: its reminders end, those of other alerts go on."""
    watch = Outside().watch(store)
    watch.rebuild(PITCHED_MS)
    for kind in (AlertKind.FINISHED, AlertKind.TEMPERATURE_HIGH):
        change = AlertChange(PITCHED_MS, kind, AlertState.FIRING, PITCHED_MS, Severity.ACT, "So it is.")
        store.alerts.record("porch", change, now_ms=PITCHED_MS)
    _write(store, PITCHED_MS + MS_PER_HOUR, JournalKind.NUTRIENT, 1.043)
    watch.catch_up(PITCHED_MS + MS_PER_HOUR)
    assert {one.acknowledged_ms for one in store.alerts.listed()} == {None}
    done_ms = PITCHED_MS + 2 * MS_PER_HOUR
    _write(store, done_ms, JournalKind.STABILISED, 1.043)
    watch.catch_up(done_ms)
    assert {one.kind: one.acknowledged_ms for one in store.alerts.listed()} == {
        AlertKind.FINISHED: done_ms,
        AlertKind.TEMPERATURE_HIGH: None,
    }


def test_an_ended_batch_is_let_go(store: SqlStore) -> None:
    """Its topics are cleared, its alerts withdrawn, its standing dropped, its sensors free."""
    out = Outside()
    watch = out.watch(store)
    watch.rebuild(PITCHED_MS)
    _feed(store, watch, _readings(0, 12, COLD_C))
    now_ms = PITCHED_MS + MS_PER_DAY
    store.batches.end("porch", ended_ms=now_ms, at_ms=now_ms)
    watch.catch_up(now_ms)
    assert watch.snapshots == {}
    assert out.published["carboyd/batch/porch/state"] == b""
    assert store.alerts.listed(only_firing=True) == []
    assert store.standings.listed() == []


def test_readings_of_no_batch_touch_nothing(store: SqlStore) -> None:
    """An unassigned sensor moves no batch; only the list of sensors has something new."""
    out = Outside()
    watch = out.watch(store)
    watch.rebuild(PITCHED_MS)
    out.touched.clear()
    before = dict(out.published)
    watch.admit([Reading("stray", Quantity.GRAVITY, PITCHED_MS, 1.0, PITCHED_MS)], PITCHED_MS)
    assert out.touched == [""]
    assert out.published == before


def test_whoever_waits_is_let_pass_before_each_batch(store: SqlStore) -> None:
    """Before a batch is opened, before time passes for it and before it is sealed, but not for a reading."""
    passed: list[int] = []
    watch = Watch(
        store,
        WatchPolicy(),
        publish=lambda _topic, _payload: None,
        give_way=lambda: passed.append(len(watch.snapshots)),
    )
    store.batches.start(Sheet("shed", "Shed", PITCHED_MS), at_ms=PITCHED_MS)
    watch.rebuild(PITCHED_MS)
    assert passed == [0, 1]
    watch.admit(_readings(0, 1), PITCHED_MS)
    assert len(passed) == 2
    watch.tick(PITCHED_MS + 2 * MS_PER_HOUR)
    assert len(passed) == 4
    assert watch.seal(every_ms=0) == 2
    assert len(passed) == 6
