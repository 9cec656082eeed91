"""Sheets of batches."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batch.sheet import Sheet, Vessel, slug_of
from monitor.errors import InputError
from monitor.ferment.premise import Must, MustKind, Yeast

SHEET = Sheet(
    slug="orchard-session",
    name="Orchard session",
    pitched_ms=1_767_463_200_000,
    must=Must(MustKind.HONEY, 1.043, 18.2, (0.95, 1.08)),
    yeast=Yeast((14.0, 21.0), 14.0),
    vessel=Vessel(23.0, "glass carboy"),
    gravity_sensor="float-a",
    temperature_sensor="probe-1",
    other_sensors=("room", "float-a"),
)


def test_the_premise_holds_what_the_analysis_may_know() -> None:
    """Pitch time, must, yeast and believed sensors pass into the premise unchanged."""
    premise = SHEET.premise()
    assert premise.pitched_ms == 1_767_463_200_000
    assert premise.must == SHEET.must
    assert premise.yeast == SHEET.yeast
    assert (premise.gravity_sensor, premise.temperature_sensor) == ("float-a", "probe-1")


def test_every_sensor_is_named_once_and_the_hand_comes_last() -> None:
    """A sensor that is believed and also listed among the others counts once."""
    assert SHEET.sensors == ("float-a", "probe-1", "room", "hand.orchard-session")


def test_zero_is_a_value() -> None:
    """A pitch at the epoch, a yeast range from 0 degC and a still mead's 0 volumes are accepted."""
    sheet = Sheet("s", "s", 0, yeast=Yeast((0.0, 10.0)), carbonation_volumes=0.0)
    assert sheet.pitched_ms == 0
    assert sheet.open


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"slug": "Orchard"}, "'Orchard': lower-case"),
        ({"slug": "a--b"}, "single hyphens"),
        ({"slug": ""}, "short name ''"),
        ({"slug": "x" * 41}, "at most 40"),
        ({"slug": "orchard\n"}, "lower-case"),
        ({"name": " "}, "1 to 120"),
        ({"name": "two\nlines"}, "printable"),
        ({"pitched_ms": -1}, "pitched before 1970"),
        ({"ended_ms": 1}, "ended 1970-01-01T00:00:00.001Z: not before it was pitched, "),
        ({"name": "n" * 5_000}, f"'{'n' * 60}...': 1 to 120"),
        ({"must": Must(original_gravity_sg=1043.0)}, "original gravity 1043 sg: 0.985 to 1.25"),
        ({"must": Must(original_gravity_sg=float("nan"))}, "original gravity nan sg"),
        ({"must": Must(volume_l=0.0)}, "volume 0 L: 0.1 to 10000"),
        ({"must": Must(volume_l=24.0)}, "24 L does not fit the vessel: it holds 23 L"),
        ({"must": Must(expected_apparent_attenuation=(1.0, 0.9))}, "attenuation 1 to 0.9: low before high"),
        ({"yeast": Yeast((21.0, 14.0))}, "yeast temperature 21 to 14: low before high"),
        ({"yeast": Yeast(temperature_c=(57.0, 70.0))}, "within -5 to 45"),
        ({"yeast": Yeast(alcohol_tolerance_abv=140.0)}, "alcohol tolerance 140 % by volume: 1 to 25"),
        ({"vessel": Vessel(-1.0)}, "vessel capacity -1 L"),
        ({"sample_ph": 12.0}, "pH 12: 2 to 6"),
        ({"sweeten_to_sg": 2.0}, "gravity to sweeten to 2 sg"),
        ({"carbonation_volumes": 30.0}, "carbonation 30 volumes: 0 to 6"),
        ({"gravity_sensor": ""}, "sensor ''"),
        ({"gravity_sensor": "a,b"}, "without a comma"),
        ({"other_sensors": ("hand.orchard-session",)}, "kept for hand samples"),
        ({"other_sensors": tuple(f"s{n}" for n in range(33))}, "33 other sensors: at most 32"),
        ({"recipe": "x" * 20_001}, "at most 20000"),
    ],
)
def test_what_cannot_be_is_refused_by_name_value_and_range(change: dict[str, Any], words: str) -> None:
    """An impossible value raises InputError that names the value and what is allowed."""
    with pytest.raises(InputError) as caught:
        replace(SHEET, **change)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("name", "slug"),
    [
        ("Orchard session", "orchard-session"),
        ("  Honig & Äpfel, 2nd  ", "honig-apfel-2nd"),
        ("x" * 39 + " yz", "x" * 39),
    ],
)
def test_a_slug_is_made_from_a_name(name: str, slug: str) -> None:
    """Accents fold, everything else becomes single hyphens, and the length is kept."""
    assert slug_of(name) == slug


def test_a_name_without_letters_gives_no_slug() -> None:
    """A name of signs only is refused with a hint."""
    with pytest.raises(InputError, match="no short name") as caught:
        slug_of("***")
    assert caught.value.hint


@given(st.text(min_size=1, max_size=80))
def test_whatever_slug_is_made_is_accepted(name: str) -> None:
    """A slug made from any text is a valid one, or the text is refused."""
    try:
        slug = slug_of(name)
    except InputError:
        return
    assert Sheet(slug, "x", 0).slug == slug
