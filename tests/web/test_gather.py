"""From store and snapshots to what a page shows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.batch.journal import Tasting
from monitor.errors import NotFoundError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Phase, Severity
from monitor.ferment.event import JournalKind, Reading
from monitor.must.alcohol import composition
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity
from monitor.web.actions import Actions
from monitor.web.gather import (
    alert_views,
    batch_view,
    batch_views,
    journal_views,
    sensor_views,
    standing,
    standings_of,
)
from monitor.web.history import Past

from .rooms import PITCHED_MS, Cellar, a_sheet, readings_of


def past_of(cellar: Cellar) -> Past:
    return Past(cellar.store, cellar.ports().analysis)


def test_a_batch_at_a_glance(busy: Cellar) -> None:
    """Level, fall, alcohol and temperature are those of the snapshot and the last readings."""
    stands = standing(busy.ports(), past_of(busy), "hedgerow-session")
    view = batch_view(busy.ports(), stands)
    assert stands.snapshot is not None
    level = 1.0 + stands.snapshot.evidence.level_points / 1000.0
    assert view.gravity_sg == pytest.approx(level)
    assert view.fall_points_per_day == pytest.approx(-stands.snapshot.evidence.slope_two)
    assert view.alcohol_percent == pytest.approx(composition(1.050, level).abv)
    assert view.gravity_at_ms == busy.now_ms
    assert view.temperature_c == readings_of(a_sheet(), 4.0)[-1].value
    assert 30 < len(view.curve) <= 81


def test_a_batch_that_was_never_heard(cellar: Cellar) -> None:
    """A batch without a reading is shown as one of which nothing is known."""
    cellar.add(a_sheet("still-empty"), [])
    view = batch_view(cellar.ports(), standing(cellar.ports(), past_of(cellar), "still-empty"))
    assert view.gravity_sg is None
    assert view.temperature_c is None
    assert view.phase in (Phase.UNKNOWN, Phase.LAG)
    with pytest.raises(NotFoundError):
        standing(cellar.ports(), past_of(cellar), "no-such-batch")


def test_alcohol_is_void_once_sugar_went_in(busy: Cellar) -> None:
    """Nothing is claimed of the alcohol after an addition of sugar on the way."""
    Actions(busy.ports()).deed("hedgerow-session", JournalKind.SUGAR_ADDITION, done_ms=busy.now_ms)
    view = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), "hedgerow-session"))
    assert view.alcohol_percent is None
    assert view.attenuation is None


def test_a_silent_float_leaves_its_last_word(busy: Cellar) -> None:
    """Days after the last reading the last gravity is still shown, with when it was read."""
    last_ms = busy.now_ms
    busy.now_ms += 20 * MS_PER_DAY
    busy.judge("hedgerow-session")
    view = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), "hedgerow-session"))
    assert view.gravity_sg is not None
    assert view.gravity_at_ms == last_ms


def test_what_its_float_said_in_the_batch_before_is_not_its_own(busy: Cellar) -> None:
    """A new batch that takes over a float has no gravity, alcohol or warmth of its own yet."""
    before = busy.store.batches.get("hedgerow-session")
    busy.store.batches.end(before.slug, ended_ms=busy.now_ms, at_ms=busy.now_ms)
    busy.now_ms += 6 * MS_PER_MINUTE
    after = replace(before, slug="next-two", name="Next two", pitched_ms=busy.now_ms)
    busy.add(after, [])
    view = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), "next-two"))
    assert (view.gravity_sg, view.last_reading_sg, view.gravity_at_ms) == (None, None, None)
    assert (view.alcohol_percent, view.attenuation, view.temperature_c) == (None, None, None)
    assert view.alerts == ()
    first = Reading(str(after.gravity_sensor), Quantity.GRAVITY, busy.now_ms, 1.049, busy.now_ms)
    busy.store.readings.commit([first])
    view = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), "next-two"))
    assert view.gravity_sg == 1.049


def test_what_has_ended_is_told_from_the_store(busy: Cellar) -> None:
    """A batch that the daemon watches no more is judged up to its end, the same at any later time."""
    busy.store.batches.end("hedgerow-session", ended_ms=busy.now_ms, at_ms=busy.now_ms)
    busy._snapshots.pop("hedgerow-session")
    early = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), "hedgerow-session"))
    busy.now_ms += 100 * MS_PER_DAY
    late = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), "hedgerow-session"))
    assert early == late
    assert early.phase in (Phase.ACTIVE, Phase.SLOWING)


def test_a_list_of_ended_batches_judges_nothing(busy: Cellar) -> None:
    """In a list an ended batch shows its last gravity, by hand where there is one, without a replay."""
    busy.store.batches.end("hedgerow-session", ended_ms=busy.now_ms, at_ms=busy.now_ms)
    busy._snapshots.pop("hedgerow-session")

    def last() -> float | None:
        (stands,) = standings_of(busy.ports(), [busy.store.batches.get("hedgerow-session")])
        assert stands.snapshot is None
        return batch_view(busy.ports(), stands).gravity_sg

    floats = [one.value for one in readings_of(a_sheet(), 4.0) if one.quantity is Quantity.GRAVITY]
    assert last() == pytest.approx(sum(floats[-48:]) / 48, abs=0.002)
    Actions(busy.ports()).sample("hedgerow-session", reading_sg=1.011, sample_c=20.0, taken_ms=busy.now_ms)
    assert last() == pytest.approx(1.011, abs=1e-4)


def an_alert(kind: AlertKind, severity: Severity, fired_ms: int, subject: str = "") -> AlertChange:
    return AlertChange(fired_ms, kind, AlertState.FIRING, fired_ms, severity, f"{kind} said", subject)


def test_alerts_come_with_what_people_did(busy: Cellar) -> None:
    """Danger first; a silence shows until when, and one of everything does not hush a danger."""
    for change in (
        an_alert(AlertKind.STALLED, Severity.ACT, busy.now_ms - 1),
        an_alert(AlertKind.REFERMENTING, Severity.DANGER, busy.now_ms - MS_PER_HOUR),
    ):
        busy.store.alerts.record("hedgerow-session", change, now_ms=busy.now_ms)
    actions = Actions(busy.ports())
    quiet = actions.silence(hours=2, batch="hedgerow-session", kind=AlertKind.STALLED)
    sheets = busy.store.batches.listed()
    views = [v for v in alert_views(busy.ports(), sheets) if v.batch == "hedgerow-session"]
    assert views[0].kind is AlertKind.REFERMENTING
    hushed = {view.kind: view.silenced_until_ms for view in views}
    assert hushed[AlertKind.STALLED] == quiet.until_ms
    assert hushed[AlertKind.REFERMENTING] is None
    actions.silence(hours=1)
    views = alert_views(busy.ports(), sheets)
    assert all((v.silenced_until_ms is None) == (v.severity is Severity.DANGER) for v in views)
    actions.silence(hours=1, kind=AlertKind.REFERMENTING)
    assert all(v.silenced_until_ms for v in alert_views(busy.ports(), sheets))
    busy.now_ms += 3 * MS_PER_HOUR
    assert not any(v.silenced_until_ms for v in alert_views(busy.ports(), sheets))


@pytest.mark.parametrize("portion", [1, 500])
def test_many_views_at_once_are_those_of_each_alone(busy: Cellar, portion: int) -> None:
    """Alerts, sensors and journals asked for together find their own batch, and the order stays."""
    for slug in ("hedgerow-session", "plum-batch"):
        alert = an_alert(AlertKind.SENSOR_SILENT, Severity.ACT, busy.now_ms - 1, f"float-{slug}")
        busy.store.alerts.record(slug, alert, now_ms=busy.now_ms)
    ports = busy.ports()
    found = standings_of(ports, busy.store.batches.listed()[::-1], portion=portion)
    together = batch_views(ports, found, portion=portion)
    assert [one.slug for one in together] == [one.sheet.slug for one in found]
    assert len(together) > 1
    for stands, view in zip(found, together, strict=True):
        assert view == batch_view(ports, stands)
        alone = alert_views(ports, [stands.sheet], slug=stands.sheet.slug)
        assert view.alerts == (alone if stands.sheet.open else ())
        assert list(stands.journal) == busy.store.batches.journal(stands.sheet.slug)
    assert [one.curve for one in batch_views(ports, found, drawn=False, portion=portion)] == [()] * len(found)


def test_sensors_with_their_health(busy: Cellar) -> None:
    """Battery and signal are the last ones told; a silence that was found is shown."""
    busy.store.alerts.record(
        "hedgerow-session",
        an_alert(AlertKind.SENSOR_SILENT, Severity.ACT, busy.now_ms, "float-hedgerow-session"),
        now_ms=busy.now_ms,
    )
    (view,) = sensor_views(busy.ports(), ["float-hedgerow-session"])
    assert view.silent
    assert view.battery_percent is not None
    assert view.battery_percent < 96.1
    assert view.signal_dbm == -61.0
    assert Quantity.GRAVITY in view.quantities
    (unheard,) = sensor_views(busy.ports(), ["never-heard"])
    assert unheard.last_heard_ms is None


def test_the_journal_is_in_order_of_deeds(busy: Cellar) -> None:
    """Deeds, tastings and samples are one list, the latest deed first, whenever it was entered."""
    actions, slug = Actions(busy.ports()), "hedgerow-session"
    actions.deed(slug, JournalKind.NUTRIENT, done_ms=PITCHED_MS + MS_PER_DAY, note="2 g a gallon")
    actions.tasting(slug, Tasting(sweetness=3, acid=0, words="thin"), done_ms=busy.now_ms)
    actions.sample(slug, reading_sg=1.02, sample_c=20.0, taken_ms=PITCHED_MS + 2 * MS_PER_DAY)
    lines = journal_views(busy.ports(), slug)
    assert [line.title for line in lines] == ["Tasted", "Hand sample 1.0200", "Fed"]
    assert lines[0].note == "sweetness 3/10, acid 0/10: thin"


def test_what_was_taken_back_is_listed_when_it_is_asked_for(busy: Cellar) -> None:
    """Otherwise the journal has what counts; a line keeps its name, whatever is taken back beside it."""
    actions, slug = Actions(busy.ports()), "hedgerow-session"
    actions.deed(slug, JournalKind.NUTRIENT, done_ms=busy.now_ms, note="2 g")
    actions.sample(slug, reading_sg=1.1, sample_c=20.0, taken_ms=busy.now_ms - 1)
    before = journal_views(busy.ports(), slug)
    actions.take_back(slug, before[0].number)
    assert journal_views(busy.ports(), slug) == before[1:]
    struck, sample = journal_views(busy.ports(), slug, struck=True)
    assert struck == replace(before[0], struck_ms=busy.now_ms)
    assert sample == before[1]


def test_every_view_of_an_ended_batch_tells_the_same(busy: Cellar) -> None:
    """A list that judges nothing, and the page that plays it anew: one corrected level, one alcohol."""
    slug = "hedgerow-session"
    acts = Actions(busy.ports())
    fed_ms = PITCHED_MS + 2 * MS_PER_DAY
    acts.deed(slug, JournalKind.SUGAR_ADDITION, done_ms=fed_ms)
    for day, apart in ((1.0, 0.004), (1.5, 0.004)):
        at_ms = PITCHED_MS + round(day * MS_PER_DAY)
        read = next(
            one.value
            for one in readings_of(a_sheet(), 4.0)
            if one.quantity is Quantity.GRAVITY and one.time_ms >= at_ms
        )
        acts.sample(slug, reading_sg=round(read + apart, 4), sample_c=20.0, taken_ms=at_ms)
    busy.store.batches.end(slug, ended_ms=busy.now_ms, at_ms=busy.now_ms)
    busy._snapshots.pop(slug)
    (listed,) = standings_of(busy.ports(), [busy.store.batches.get(slug)])
    in_list = batch_view(busy.ports(), listed)
    on_page = batch_view(busy.ports(), standing(busy.ports(), past_of(busy), slug))
    assert in_list.gravity_sg == on_page.gravity_sg
    assert in_list.alcohol_percent == on_page.alcohol_percent is not None
    assert in_list.curve == on_page.curve
    raw = [one.value for one in readings_of(a_sheet(), 4.0) if one.quantity is Quantity.GRAVITY]
    assert in_list.gravity_sg == pytest.approx(sum(raw[-12:]) / 12 + 0.004, abs=0.002)
    assert in_list.curve[-1][1] == pytest.approx(in_list.gravity_sg, abs=0.003)


def test_a_batch_of_hand_samples_shows_the_last_one(cellar: Cellar) -> None:
    """Without a float the sample is the gravity, with its moment; open and ended alike."""
    sheet = a_sheet("jar", gravity_sensor=None, temperature_sensor=None)
    cellar.add(sheet, [])
    cellar.now_ms = PITCHED_MS + 14 * MS_PER_DAY
    for day, value in ((10, 0.998), (13, 0.998)):
        taken_ms = PITCHED_MS + day * MS_PER_DAY
        Actions(cellar.ports()).sample("jar", reading_sg=value, sample_c=20.0, taken_ms=taken_ms)
    view = batch_view(cellar.ports(), standing(cellar.ports(), past_of(cellar), "jar"))
    assert view.gravity_sg == pytest.approx(0.998)
    assert view.sampled_ms == PITCHED_MS + 13 * MS_PER_DAY
    assert view.alcohol_percent is not None
    cellar.store.batches.end("jar", ended_ms=cellar.now_ms, at_ms=cellar.now_ms)
    cellar._snapshots.pop("jar")
    (ended,) = standings_of(cellar.ports(), [cellar.store.batches.get("jar")])
    after = batch_view(cellar.ports(), ended)
    assert (after.gravity_sg, after.alcohol_percent) == (view.gravity_sg, view.alcohol_percent)
