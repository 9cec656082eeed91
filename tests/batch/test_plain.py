"""Sheets as plain dicts."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batch.plain import from_plain, to_plain
from monitor.batch.sheet import Sheet, Vessel
from monitor.errors import InputError
from monitor.ferment.premise import Must, MustKind, Yeast

_optional = st.none()
_pair = st.tuples(st.floats(0.3, 0.9), st.floats(0.9, 1.4))

sheets = st.builds(
    Sheet,
    slug=st.from_regex(r"[a-z0-9]{1,8}(-[a-z0-9]{1,8}){0,2}", fullmatch=True),
    name=st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=40),
    pitched_ms=st.integers(0, 2_000_000_000_000),
    must=st.builds(
        Must,
        kind=_optional | st.sampled_from(MustKind),
        original_gravity_sg=_optional | st.floats(1.0, 1.2),
        volume_l=_optional | st.floats(1, 20),
        expected_apparent_attenuation=_optional | _pair,
    ),
    yeast=st.builds(
        Yeast, st.none() | st.tuples(st.floats(0, 14), st.floats(15, 30)), st.none() | st.floats(2, 20)
    ),
    vessel=st.builds(Vessel, st.none() | st.floats(20, 60), st.text(max_size=20)),
    gravity_sensor=_optional | st.just("float-a"),
    other_sensors=st.lists(st.sampled_from(["room", "probe-1"]), max_size=3).map(tuple),
    recipe=st.text(max_size=50),
    sample_ph=_optional | st.floats(2.8, 4.5),
)


@given(sheets)
def test_a_sheet_survives_json(sheet: Sheet) -> None:
    """Written as JSON and read back, a sheet equals itself."""
    assert from_plain(json.loads(json.dumps(to_plain(sheet)))) == sheet


def test_optional_fields_may_be_missing() -> None:
    """Slug, name and pitch time are enough."""
    assert from_plain({"slug": "a", "name": "A", "pitched_ms": 0}) == Sheet("a", "A", 0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"volume": 3}, "volume is no field of a sheet"),
        ({"must": {"volumn_l": 3}}, "must.volumn_l is no field"),
        ({"must": 3}, "must is no table"),
        ({"must": {"kind": "grape"}}, "must.kind = 'grape': one of honey, malt, fruit, sugar"),
        ({"must": {"volume_l": "18"}}, "must.volume_l = '18': a number"),
        ({"must": {"volume_l": True}}, "must.volume_l = True: a number"),
        ({"must": {"volume_l": 10**400}}, "must.volume_l: a number beyond all sizes"),
        ({"yeast": {"temperature_c": [14, 10**400]}}, "yeast.temperature_c: a number beyond all sizes"),
        ({"must": {"volume_l": 0.01}}, "volume 0.01 L: 0.1 to 10000"),
        ({"yeast": {"temperature_c": [14]}}, "yeast.temperature_c = [14]: two numbers"),
        ({"pitched_ms": 1.5}, "pitched_ms = 1.5: a whole number"),
        ({"pitched_ms": False}, "pitched_ms = False: a whole number"),
        ({"name": None}, "name = None: text"),
        ({"other_sensors": "room"}, "other_sensors = 'room': a list"),
    ],
)
def test_a_fault_names_its_field(change: dict[str, Any], words: str) -> None:
    """A field that is unknown, of a wrong type or out of range is named in the InputError."""
    with pytest.raises(InputError) as caught:
        from_plain({"slug": "a", "name": "A", "pitched_ms": 0, **change})
    assert words in str(caught.value)


def test_a_missing_field_is_named() -> None:
    """Without a pitch time there is no sheet."""
    with pytest.raises(InputError, match="pitched_ms"):
        from_plain({"slug": "a", "name": "A"})
