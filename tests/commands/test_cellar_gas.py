"""The calculators of gas and heat, where a slip is told before it hurts."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import InputError, QuantityError

from .test_cellar import as_json, run


def told(words: list[str]) -> str:
    """What a command prints, as one line."""
    return " ".join(run(words).stdout.split())


def test_a_recorded_heating_is_counted(tmp_path: Path) -> None:
    """15 minutes at 60 degC are 15 units (Del Vecchio, Dayharsh & Baselt 1951, by definition)."""
    history = tmp_path / "bath.csv"
    history.write_text("minutes,degC\n0,60\n\n7.5,60\n15,60\n", encoding="utf-8")
    assert as_json(["pasteurise", "--history", str(history)])["pasteurising_units"] == pytest.approx(15.0)
    history.write_text("0,60\n1,warm\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"bath\.csv, line 2: '1,warm'"):
        run(["pasteurise", "--history", str(history)])


def test_a_fahrenheit_log_is_read_as_fahrenheit(tmp_path: Path) -> None:
    """Its warmest temperature and its unit are printed; without the heading 99 degrees are refused."""
    history = tmp_path / "bath.csv"
    history.write_text("minutes,degF\n0,68\n10,80\n20,95\n30,99\n", encoding="utf-8")
    shown = told(["pasteurise", "--history", str(history)])
    assert "units 0.0" in shown
    assert "warmest 37.2 °C (99.0 °F)" in shown
    assert "taken as degF: as its heading says" in shown
    history.write_text("0,68\n30,99\n", encoding="utf-8")
    with pytest.raises(QuantityError, match="its unit is likely another"):
        run(["pasteurise", "--history", str(history)])


def test_a_heating_of_sealed_carbonated_bottles_shows_the_refusal(tmp_path: Path) -> None:
    """The refusal is the first row, as where a time is asked for."""
    history = tmp_path / "bath.csv"
    history.write_text("0,60\n15,60\n", encoding="utf-8")
    shown = told(["pasteurise", "--sealed", "--dissolved", "3", "--history", str(history)])
    assert shown.startswith("never so Never heat sealed carbonated bottles")
    assert "taken as degC: no heading says so" in shown


PRIMED = ["prime", "2.5", "--volume", "18L", "--gravity", "1.000", "--warmest", "18C", "--bottle",
          "sparkling", "--phase", "finished"]  # fmt: skip


def test_a_batch_below_its_lowest_end_has_no_known_end() -> None:
    """1.000 cannot be going to end at 1.010: no sugar is weighed out for such an end."""
    refused = as_json([*PRIMED, "--ends-at", "1.010"])
    assert refused["reasons"] == ["end unknown"]
    assert "stands below 1.010 already" in refused["sentences"][0]
    assert "sugar_g" in as_json([*PRIMED, "--ends-at", "1.001"])


def test_the_end_that_was_reckoned_with_is_told() -> None:
    """--ends-at goes before --original-gravity, and the output says so; 1.040 gives 0.994 (Balling)."""
    both = told([*PRIMED, "--ends-at", "1.000", "--original-gravity", "1.040"])
    assert "1.000, by --ends-at; --original-gravity, which gives 0.994, was not used" in both
    assert "lowest end 1.000, by --ends-at" in told([*PRIMED, "--ends-at", "1.000"])
    assert "lowest end 0.994, by --original-gravity" in told([*PRIMED, "--original-gravity", "1.040"])


def test_the_warm_place_is_as_warm_as_its_pressure() -> None:
    """At 100 degF, 37.8 degC (by definition), pressure and caution are those of 37.8 degC, not of 30."""
    shown = told(["sealed", "1.010", "0.998", "--at", "100F"])
    assert "In a warm place (37.8 degC)" in shown
    assert "(30 degC)" not in shown
    assert shown.count("at 37.8 °C (100.0 °F)") == 2
    assert "In a warm place (30 degC)" in told(["sealed", "1.010", "0.998"])
