"""The sheet of a batch changed by command: what is said changes, what is not said stays."""

from __future__ import annotations

import pytest

from monitor.errors import InputError, QuantityError
from monitor.ferment.premise import MustKind
from monitor.units import ms_from_rfc3339


def test_only_what_is_said_changes(carboyd_command, store):
    """Every member can be given; the rest is as it was, and sensors are added, not replaced."""
    carboyd_command(
        "batch", "start", "Porch", "--kind", "honey", "--volume", "18L", "--other-sensor", "room",
        "--yeast-from", "14degC", "--yeast-to", "24degC", "--pitched", "2026-01-03T18:00:00Z",
    )  # fmt: skip
    before = store.batches.get("porch")
    done = carboyd_command(
        "batch", "change", "porch", "--name", "Porch two", "--volume", "4.5gal", "--yeast-to", "70F",
        "--ph", "3.4", "--other-sensor", "lid",
    )  # fmt: skip
    assert done.exit_code == 0, done.exception
    after = store.batches.get("porch")
    # a US gallon is 3.785411784 L and 70 degF are 21.11 degC (both by definition)
    assert round(after.must.volume_l, 4) == 17.0344
    assert after.yeast.temperature_c == (14.0, (70.0 - 32.0) / 1.8)
    assert (after.name, after.slug, after.sample_ph) == ("Porch two", "porch", 3.4)
    assert after.other_sensors == ("room", "lid")
    assert (after.must.kind, after.pitched_ms) == (MustKind.HONEY, before.pitched_ms)


def test_a_faulty_change_changes_nothing(carboyd_command, store):
    """Nothing said, half a range, a number without its unit: each is named and nothing is written."""
    carboyd_command("batch", "start", "Porch", "--volume", "18L")
    before = store.batches.get("porch")
    for words in (), ("--yeast-from", "14degC"), ("--volume", "18"):
        error = carboyd_command("batch", "change", "porch", *words).exception
        assert isinstance(error, InputError | QuantityError), words
    assert store.batches.get("porch") == before


def test_an_expected_attenuation_is_given_changed_and_taken_back(carboyd_command, store):
    """Both ends at the start, one of them later, then none; the sheet shows it in per cent."""
    words = ("--attenuation-from", "95.5%", "--attenuation-to", "103%")
    assert carboyd_command("batch", "start", "Porch", *words).exit_code == 0
    assert store.batches.get("porch").must.expected_apparent_attenuation == (0.955, 1.03)
    assert "expected attenuation: 95.5 to 103 %" in carboyd_command("batch", "show", "porch").output
    assert carboyd_command("batch", "change", "porch", "--attenuation-to", "1.01").exit_code == 0
    assert store.batches.get("porch").must.expected_apparent_attenuation == (0.955, 1.01)
    assert carboyd_command("batch", "change", "porch", "--volume", "18L").exit_code == 0
    assert store.batches.get("porch").must.expected_apparent_attenuation == (0.955, 1.01)
    assert carboyd_command("batch", "change", "porch", "--no-attenuation").exit_code == 0
    assert store.batches.get("porch").must.expected_apparent_attenuation is None


def test_a_faulty_attenuation_is_refused(carboyd_command, store):
    """Half a range, one upside down, a number without per cent, given and refused at once."""
    for words in (
        ("--attenuation-from", "96%"),
        ("--attenuation-from", "103%", "--attenuation-to", "96%"),
        ("--attenuation-from", "96", "--attenuation-to", "103"),
        ("--attenuation-from", "96%", "--attenuation-to", "103%", "--no-attenuation"),
    ):
        error = carboyd_command("batch", "start", "Porch", *words).exception
        assert isinstance(error, InputError | QuantityError), words
    assert store.batches.listed() == []


def test_nothing_served_is_something_said(carboyd_command, store):
    """No carbon dioxide, 0 volumes, is a change."""
    carboyd_command("batch", "start", "Porch", "--carbonation", "2.5")
    assert carboyd_command("batch", "change", "porch", "--carbonation", "0").exit_code == 0
    assert store.batches.get("porch").carbonation_volumes == 0.0


@pytest.mark.parametrize("deed", ["sensors", "change"])
def test_an_end_set_meanwhile_stays(carboyd_command, store, just_before_a_write, deed):
    """Who changes a sheet while somebody ends the batch does not open it again; both are kept."""
    carboyd_command("batch", "start", "Porch", "--pitched", "2026-01-03T18:00:00Z")
    ended_ms = ms_from_rfc3339("2026-01-20T18:00:00Z")
    just_before_a_write(lambda: store.batches.end("porch", ended_ms=ended_ms, at_ms=1))
    assert carboyd_command("batch", deed, "porch", "--gravity-sensor", "float-c").exit_code == 0
    sheet = store.batches.get("porch")
    assert (sheet.ended_ms, sheet.gravity_sensor) == (ended_ms, "float-c")
