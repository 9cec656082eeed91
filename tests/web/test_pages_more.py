"""Batches beside each other, and records: many of them on several pages."""

from __future__ import annotations

import re
from dataclasses import replace

from monitor.batch.journal import hand_sample
from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.units import MS_PER_DAY
from monitor.untold import TOLD_SOON
from monitor.web.leaf import ON_A_PAGE
from monitor.web.pages_more import CHOICES

from .rooms import PITCHED_MS, Cellar, Visit

SLUG = "hedgerow-session"


def test_an_open_alert_stays_on_the_page_however_many_came_and_went_since(busy: Cellar, visit: Visit) -> None:
    """Hundreds of newer ones that are over do not push it out."""
    cold = AlertKind.TEMPERATURE_LOW
    first = AlertChange(PITCHED_MS, cold, AlertState.FIRING, PITCHED_MS, Severity.ACT, "cold", "cellar-probe")
    busy.store.alerts.record(SLUG, first, now_ms=PITCHED_MS)
    for at_ms in range(PITCHED_MS + 1, PITCHED_MS + 251):
        for state in (AlertState.FIRING, AlertState.RESOLVED):
            one = AlertChange(at_ms, cold, state, at_ms, Severity.ACT, "cold", "attic-probe")
            busy.store.alerts.record(SLUG, one, now_ms=at_ms)
    opened, _, past = visit.get("/alerts").text.partition('id="quiet-title"')
    assert "cellar-probe" in opened
    assert "attic-probe" not in opened
    assert "attic-probe" in past


def test_batches_of_one_recipe_are_laid_over_each_other(visit: Visit, busy: Cellar) -> None:
    """Those chosen are drawn and compared; what differs is marked; too many are refused."""
    text = visit.get(f"/compare?batch={SLUG}&batch=plum-batch").text
    assert text.count("<polyline") == 4  # a wide drawing, and one for a phone
    assert 'class="call">' in text
    assert visit.get("/compare?" + "&".join(f"batch=b{n}" for n in range(7))).status_code == 422
    assert visit.get("/compare?batch=none").status_code == 404


def test_records_come_a_page_at_a_time(busy: Cellar, visit: Visit) -> None:
    """Past batches first, then those still going; previous and next lead through all of them."""
    for number in range(ON_A_PAGE):
        busy.store.batches.start(Sheet(f"cider-{number}", f"Cider {number}", PITCHED_MS + number), at_ms=1)
    for slug in (SLUG, "cider-3"):
        busy.store.batches.end(slug, ended_ms=busy.now_ms, at_ms=busy.now_ms)
    first, second = visit.get("/records").text, visit.get("/records?page=2").text
    assert "2 batches made" in first
    assert "2 batches made" in second
    assert f"Page 1 of 2, {ON_A_PAGE + 2} batches" in first
    assert 'rel="next" href="/records?page=2"' in first
    assert 'rel="prev" href="/records?page=1"' in second
    assert "Past batches" not in second
    shown = [re.findall(r'href="/batches/([a-z0-9-]+)/report"', text) for text in (first, second)]
    assert [len(one) for one in shown] == [ON_A_PAGE, 2]
    assert shown[0][:3] == ["cider-3", SLUG, "plum-batch"]
    assert {*shown[0], *shown[1]} == {one.slug for one in busy.store.batches.listed()}
    assert visit.get("/records?page=two").status_code == 422


def test_of_many_batches_those_to_compare_are_chosen_over_several_pages(busy: Cellar, visit: Visit) -> None:
    """What was ticked stays so on the next page, and every batch can be chosen on one of them."""
    for number in range(CHOICES):
        busy.store.batches.start(Sheet(f"cider-{number}", f"Cider {number}", PITCHED_MS + number), at_ms=1)
    ticked = f"batch={SLUG}&batch=cider-99"
    first, second = (visit.get(f"/compare?{ticked}&page={page}").text for page in (1, 2))
    assert f"Page 1 of 2, {CHOICES + 2} batches" in first
    offered = []
    for text in (first, second):
        offered.append(re.findall(r'name="batch" value="([a-z0-9-]+)"', text))
        assert len(offered[-1]) == len({*offered[-1]})
        assert set(re.findall(r'value="([a-z0-9-]+)" checked', text)) == {SLUG, "cider-99"}
    assert {*offered[0], *offered[1]} == {one.slug for one in busy.store.batches.listed()}


def test_the_recipe_that_was_made_last_is_compared_unasked(busy: Cellar, visit: Visit) -> None:
    """The youngest of it, the older first; without one made twice the two youngest batches."""
    chosen = re.compile(r'value="([a-z0-9-]+)" checked')
    assert chosen.findall(visit.get("/compare").text) == ["plum-batch", SLUG]
    recipe = busy.store.batches.get(SLUG).recipe
    again = Sheet("hedgerow-again", "Hedgerow again", PITCHED_MS - 1, recipe=recipe)
    busy.store.batches.start(again, at_ms=1)
    assert chosen.findall(visit.get("/compare").text) == [SLUG, "hedgerow-again"]


def test_alerts_that_wait_to_be_told_are_on_their_page(busy: Cellar, visit: Visit) -> None:
    """What the last look found in a backlog is shown before it is an alert, and not when it is one."""
    before = visit.get("/alerts").text
    assert 'id="untold"' not in before
    stands = busy.ports().snapshots()[SLUG]
    found = AlertChange(
        PITCHED_MS, AlertKind.STALLED, AlertState.FIRING, PITCHED_MS, Severity.ACT, "Stalled: so it is."
    )
    busy.show(SLUG, replace(stands, open_alerts=(found,)))
    text = visit.get("/alerts").text
    assert f"Found in a backlog, {TOLD_SOON}" in text
    assert "Stalled: so it is." in text
    busy.store.alerts.record(SLUG, found, now_ms=PITCHED_MS)
    assert 'id="untold"' not in visit.get("/alerts").text


def test_a_batch_without_a_float_is_laid_over_by_its_hand_samples(busy: Cellar, visit: Visit) -> None:
    """Its samples are points on both drawings; one that has none is told of in words."""
    bare = Sheet("by-hand", "By hand", PITCHED_MS)
    busy.store.batches.start(bare, at_ms=1)
    busy.store.batches.start(Sheet("untold", "Untold", PITCHED_MS), at_ms=1)
    for day, gravity in enumerate((1.050, 1.020)):
        at_ms = PITCHED_MS + day * MS_PER_DAY
        sample = hand_sample(bare, gravity_sg=gravity, time_ms=at_ms, received_ms=at_ms)
        busy.store.readings.record_sample("by-hand", sample)
    text = visit.get(f"/compare?batch=by-hand&batch={SLUG}&batch=untold").text
    assert text.count("<circle") == 4
    assert text.count("<polyline") == 2
    assert "Points are hand samples" in text
    assert "Nothing can be drawn of Untold yet" in text
    assert "Points are hand samples" not in visit.get(f"/compare?batch={SLUG}").text
