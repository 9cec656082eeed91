"""Where batches stand, by command: what the daemon last said."""

from __future__ import annotations

import json

from monitor.batch.sheet import Sheet
from monitor.batch.standing import standing_document
from monitor.clock import SystemClock
from monitor.commands.context import local
from monitor.ferment.event import Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must
from monitor.store.values import StoredStanding
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, Quantity, rfc3339_from_ms


def _stand(store) -> dict:
    sheet = Sheet(slug="porch", name="Porch", pitched_ms=0, gravity_sensor="float-a")
    store.batches.start(sheet, at_ms=0)
    pipeline = Pipeline(sheet.premise())
    for hour in range(60):
        pipeline.step(Reading("float-a", Quantity.GRAVITY, hour * MS_PER_HOUR, 1.040, hour * MS_PER_HOUR))
    pipeline.step(Tick(60 * MS_PER_HOUR))
    document = standing_document(sheet, pipeline.snapshot)
    store.standings.put([StoredStanding("porch", pipeline.snapshot.at_ms, document)])
    return document


def test_a_standing_is_shown_in_words_and_as_json(carboyd_command, store):
    """Name, phase, gravity and reason; JSON gives the document as it was kept."""
    document = _stand(store)
    shown = carboyd_command("status").output
    assert "Porch (porch): LAG" in shown
    assert "gravity 1.0400" in shown
    assert json.loads(carboyd_command("status", "--json").output) == [document]


def test_what_hardly_moves_stands_still(carboyd_command, store):
    """As on the page; a fall of a point a day is told with its figure."""
    document = _stand(store)
    for fall, said in ((0.1, "stands still"), (-0.1, "stands still"), (1.0, "falls 1.0 points a day")):
        store.standings.put([StoredStanding("porch", 0, document | {"fall_points_per_day": fall})])
        assert said in carboyd_command("status").output


def test_a_batch_that_was_not_looked_at_says_so(carboyd_command, store):
    """No invented phase."""
    store.batches.start(Sheet(slug="new", name="New", pitched_ms=0), at_ms=0)
    assert "no daemon has looked at it yet" in carboyd_command("status").output


def test_the_document_is_plain(store):
    """Unknown values are None, so that it is JSON; a known zero stays a zero."""
    document = _stand(store)
    assert document["alcohol_abv"] is None
    assert document["temperature_c"] is None
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_a_long_line_is_whole_in_a_narrow_place(carboyd_command, store):
    """What is piped or shown on a narrow terminal is not cut off at its width."""
    document = _stand(store)
    document["reason"] = "word " * 60 + "end."
    document["alerts"] = [
        {"alert": "stalled", "since": "2026-01-01T00:00:00Z", "message": "word " * 60 + "do not bottle."}
    ]
    store.standings.put([StoredStanding("porch", 0, document)])
    shown = carboyd_command("status").output
    assert "word end." in shown
    assert "do not bottle." in shown
    assert "\x1b" not in shown


def test_the_curve_begins_at_pitching(carboyd_command, store):
    """What a float said in the batch before is not drawn."""
    pitched_ms = SystemClock().now_ms() - 3 * MS_PER_HOUR
    sheet = Sheet(slug="next", name="Next", pitched_ms=pitched_ms, gravity_sensor="float-a")
    store.batches.start(sheet, at_ms=pitched_ms)
    document = standing_document(sheet, Pipeline(sheet.premise()).snapshot)
    store.standings.put([StoredStanding("next", pitched_ms, document)])
    for minutes in range(-100, 0, 10):
        at_ms = pitched_ms + minutes * MS_PER_MINUTE
        store.readings.commit([Reading("float-a", Quantity.GRAVITY, at_ms, 0.995, at_ms)])
    assert "last 14 days" not in carboyd_command("status").output
    for minutes in range(10, 110, 10):
        at_ms = pitched_ms + minutes * MS_PER_MINUTE
        store.readings.commit([Reading("float-a", Quantity.GRAVITY, at_ms, 1.05, at_ms)])
    assert "last 14 days" in carboyd_command("status").output


def test_a_batch_without_a_float_stands_at_its_last_sample(carboyd_command, store):
    """Gravity with the sample's date, alcohol, and what the samples say in words."""
    day_ms = 24 * MS_PER_HOUR
    sheet = Sheet(slug="jar", name="Jar", pitched_ms=0, must=Must(original_gravity_sg=1.052))
    store.batches.start(sheet, at_ms=0)
    pipeline = Pipeline(sheet.premise())
    for day, value in ((4, 1.020), (10, 0.998), (13, 0.998)):
        at_ms = day * day_ms
        pipeline.step(Reading(sheet.hand_sensor, Quantity.SAMPLE_GRAVITY, at_ms, value, at_ms))
    document = standing_document(sheet, pipeline.snapshot)
    store.standings.put([StoredStanding("jar", pipeline.snapshot.at_ms, document)])
    shown = carboyd_command("status").output
    assert f"gravity 0.9980 by hand sample of {local(13 * day_ms)}" in shown
    assert "7.1 % alcohol" in shown  # 54 points at 0.131 % each are 7.1 (common practice, to 0.2)
    assert "maker's own sign of an end" in shown
    assert document["gravity_by_hand_at"] == rfc3339_from_ms(13 * day_ms)
