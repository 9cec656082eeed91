"""Setting up where there are many sensors."""

from __future__ import annotations

import html
import re

import pytest

from monitor.calibrating import keep_calibration
from monitor.ferment.event import Reading
from monitor.sensors.calibration import Pair, fit_calibration
from monitor.units import Quantity
from monitor.web.leaf import ON_A_PAGE

from .rooms import PITCHED_MS, Cellar, Visit, words_of

FLOAT = "float-hedgerow-session"
ODD = 'shed <b>"7" & 8'


@pytest.fixture
def crowded(busy: Cellar) -> list[str]:
    """Names of more sensors than a page shows, in order; one of them has what HTML takes for its own."""
    names = [ODD, *(f"probe-{number:02d}" for number in range(ON_A_PAGE))]
    busy.store.readings.commit(
        [Reading(name, Quantity.TEMPERATURE, PITCHED_MS, 19.0, PITCHED_MS) for name in names]
    )
    return sorted([*names, FLOAT, "float-plum-batch"])


def test_sensors_come_a_page_at_a_time(crowded: list[str], visit: Visit) -> None:
    """Each stands on one page with the batch it belongs to, in order of the names."""
    texts = [visit.get(f"/setup?page={page}").text for page in (1, 2)]
    tables = [text.partition('id="all-title"')[2] for text in texts]
    rows = [re.findall(r'<th scope="row">(.*?)</th><td>(.*?)</td>', table) for table in tables]
    assert [len(one) for one in rows] == [ON_A_PAGE, 3]
    shown = {html.unescape(name): stands for one in rows for name, stands in one}
    assert list(shown) == crowded
    assert shown[FLOAT] == '<a href="/batches/hedgerow-session">Hedgerow session</a>'
    assert shown[ODD] == "–"
    assert f"Page 1 of 2, {len(crowded)} sensors" in texts[0]
    assert 'rel="prev" href="/setup?page=1"' in texts[1]


@pytest.mark.parametrize(("path", "chosen"), [("/setup", ""), ("/batches/hedgerow-session/sheet", FLOAT)])
def test_every_sensor_can_be_chosen(crowded: list[str], visit: Visit, path: str, chosen: str) -> None:
    """In a sheet's form all of them are offered, that of the sheet chosen, and no name is taken for HTML."""
    text = visit.get(path).text
    field = text.partition('<select name="gravity_sensor">')[2].partition("</select>")[0]
    offered = re.findall(r"<option( selected)?>(.*?)</option>", field, re.DOTALL)
    assert sorted(html.unescape(name) for _, name in offered) == crowded
    assert [name for mark, name in offered if mark] == ([chosen] if chosen else [])
    assert "<b>" not in field


def test_a_float_beyond_its_calibration_is_marked(visit: Visit, busy: Cellar) -> None:
    """In both lists of sensors, as long as its newest angle is outside of what was measured."""
    pairs = [Pair(25.0, 1.000), Pair(40.0, 1.030), Pair(60.0, 1.070)]
    for angle_deg, marked in ((60.0, False), (61.0, True)):
        busy.now_ms += 1_000
        busy.store.readings.commit([Reading(FLOAT, Quantity.ANGLE, busy.now_ms, angle_deg, busy.now_ms)])
        keep_calibration(busy.store, fit_calibration(FLOAT, pairs, 0), busy.now_ms)
        assert ("again float-hedgerow-session beyond it" in words_of(visit.get("/setup").text)) is marked
        assert ("beyond its calibration" in visit.get("/batches/hedgerow-session").text) is marked
